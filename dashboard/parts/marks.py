"""State as a word, a shape and a colour; bars against their band. Small pieces that stand in many pages."""

from datetime import date
from typing import Any

from dash import html

from domain.attention import DUE_SOON_DAYS, State
from domain.fleet_answers import FleetRow
from words import numbers
from words.texts import t


def mark(state: State, word: str) -> html.Span:
    """A state: hollow circle, triangle, square or dashed circle, with its word."""
    return html.Span(
        [html.Span(className="bl-mark-shape", **{"aria-hidden": "true"}), word],
        className=f"bl-mark bl-{state}",
    )


def life_words(row: FleetRow) -> str:
    """The used share with how much of it is assumed for unknown years; why there is none."""
    if row.used_share is None:
        return t("life.no_record.short" if row.counted_at is None else "life.no_class.short")
    if row.used_share_unknown:
        return t(
            "life.assumed.short",
            share=numbers.share(row.used_share),
            unknown=numbers.share(row.used_share_unknown),
        )
    return numbers.share(row.used_share)


def due_words(due_on: date | None, today: date, soon_days: int = DUE_SOON_DAYS) -> str:
    """How far off a due day is."""
    if due_on is None:
        return t("service.not_set")
    left = (due_on - today).days
    if left < 0:
        return t("service.overdue", count=-left)
    if left == 0:
        return t("service.today")
    return t("service.soon", count=left) if left <= soon_days else t("service.later")


def bar(
    value: float | None, *, full: float, band: tuple[float, float] | None, state: State, text: str, name: str
) -> html.Div:
    """A bar against the band that wants attention.

    value: length of the bar, in the unit of `full`. band: where attention begins and ends.
    text: the figure with its unit. name: what it measures, for those who hear the page.
    """
    children: list[Any] = []
    if value is not None:
        width = max(0.0, min(100.0, 100 * value / full))
        children.append(html.Span(className="bl-bar-fill", style={"width": f"{width:.2f}%"}))
    if band is not None:  # over the fill, so that a value inside the band still shows where it begins
        start = min(100.0, 100 * band[0] / full)
        width = max(0.0, min(100.0, 100 * band[1] / full) - start)
        children.append(
            html.Span(className="bl-bar-band", style={"left": f"{start:.2f}%", "width": f"{width:.2f}%"})
        )
    return html.Div(
        [
            html.Span(text, className="bl-bar-text"),
            html.Span(
                children,
                className="bl-bar-track",
                role="img",
                **{"aria-label": t("bar.label", name=name, text=text)},
            ),
        ],
        className=f"bl-bar bl-{state}",
    )


def fact(name: str, value: Any, note: Any = None) -> html.Div:
    """One named figure with what it has to be compared with."""
    parts: list[Any] = [html.Dt(name), html.Dd(value, className="bl-fact-value")]
    if note is not None:
        parts.append(html.Dd(note, className="bl-fact-note"))
    return html.Div(parts, className="bl-fact")


def facts(*items: html.Div) -> html.Dl:
    """Several named figures side by side."""
    return html.Dl(list(items), className="bl-facts")


def cautions(lines: tuple[str, ...] | list[str], *, strong: bool = False) -> html.Aside:
    """What a number on this page must not be trusted for."""
    return html.Aside(
        [
            html.H2(t("cautions.title"), className="bl-cautions-title"),
            html.Ul([html.Li(line) for line in lines]),
        ],
        className="bl-cautions bl-cautions-strong" if strong else "bl-cautions",
        **{"aria-label": t("cautions.title")},
    )
