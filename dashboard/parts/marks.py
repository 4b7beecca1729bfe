"""State as a word, a shape and a colour; bars against their band. Small pieces that stand in many pages."""

from datetime import date
from enum import StrEnum
from typing import Any, Final

from dash import html

from dashboard import numbers
from dashboard.texts import t
from domain.fleet_answers import FleetRow

WARNING_PCT: Final = 90.0
LIMIT_PCT: Final = 100.0
NEAR_WATCH_PCT: Final = 2.0
NEAR_ACT_PCT: Final = 5.0
DUE_SOON_DAYS: Final = 30
ASSESSMENT_SOON_DAYS: Final = 180  # an expert engineer has to be found and the crane taken out of work
REVIEW_SHARE: Final = 0.95


class State(StrEnum):
    """How much attention something wants. The value names the CSS class and the shape."""

    OK = "ok"
    WATCH = "watch"
    ACT = "act"
    STALE = "stale"


def urgency(state: State) -> int:
    """A rank to sort by: the more attention something wants, the larger."""
    return (State.OK, State.STALE, State.WATCH, State.ACT).index(state)


def mark(state: State, word: str) -> html.Span:
    """A state: hollow circle, triangle, square or dashed circle, with its word."""
    return html.Span(
        [html.Span(className="bl-mark-shape", **{"aria-hidden": "true"}), word],
        className=f"bl-mark bl-{state}",
    )


def near_limit_state(near_limit_pct: float | None) -> State:
    """Attention by share of working time near the limit [%]: from 2 % watch, from 5 % act.

    The two steps are this product's own, meant for ranking; no standard sets them.
    """
    return _stepped(near_limit_pct, NEAR_WATCH_PCT, NEAR_ACT_PCT)


def life_state(used_share: float | None, review_at_share: float = REVIEW_SHARE) -> State:
    """Attention by used share of the design working period: act from the crane's review share, watch from 0.15 below.

    0.95 is where French practice orders a special evaluation (Depale and Bennebach, Procedia Structural
    Integrity 38, 2022, p. 321); the early word is this product's own.
    """
    return _stepped(used_share, max(review_at_share - 0.15, 0.0), review_at_share)


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


def utilisation_state(utilisation_pct: float | None) -> State:
    """Attention by utilisation [%]: 90 % first warning (common practice, no source), 100 % limit."""
    return _stepped(utilisation_pct, WARNING_PCT, LIMIT_PCT)


def due_state(due_on: date | None, today: date) -> State:
    """Attention by a due day: past it act, within DUE_SOON_DAYS (own choice) watch; OK where none is known."""
    if due_on is None or (due_on - today).days > DUE_SOON_DAYS:
        return State.OK
    return State.ACT if due_on < today else State.WATCH


def assessment_state(due_on: date | None, today: date) -> State:
    """Attention by the day of a special assessment: past it act, within ASSESSMENT_SOON_DAYS (own choice) watch."""
    if due_on is None or (due_on - today).days > ASSESSMENT_SOON_DAYS:
        return State.OK
    return State.ACT if due_on < today else State.WATCH


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


def _stepped(value: float | None, watch: float, act: float) -> State:
    if value is None:
        return State.STALE
    if value >= act:
        return State.ACT
    return State.WATCH if value >= watch else State.OK


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
