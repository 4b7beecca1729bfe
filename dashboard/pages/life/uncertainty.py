"""How sure the used share and the damage of a crane are: one table that says what matters most."""

from typing import Any, Final

from dash import html

from dashboard.parts import page
from domain.life_answers import LifeAnswer, UnsureFigure
from words import numbers
from words.texts import t

LEAST_SHOWN: Final = 0.005  # of the whole range: less changes no digit that is shown


def section(life: LifeAnswer) -> html.Section | None:
    """The table of influences; None where nothing can be told."""
    figures: list[tuple[str, UnsureFigure, bool]] = []
    if life.used_share_unsure is not None:
        figures.append((t("unsure.used_share"), life.used_share_unsure, True))
    figures += [
        (
            t("unsure.damage", detail=t("damage.assumed.name") if one.assumed else one.detail),
            one.unsure,
            False,
        )
        for one in life.details
        if one.unsure is not None and one.damage > 0
    ]
    rows = [row for name, figure, share in figures for row in _rows(name, figure, share)]
    if not rows:
        return None
    headers = [t(f"unsure.col.{name}") for name in ("figure", "source", "low", "high", "basis")]
    return page.card(
        t("unsure.title"),
        page.table(headers, rows, t("unsure.title")),
        page.fold(t("formula"), html.P(t("unsure.formula"))),
        note=_summary(life),
    )


def _summary(life: LifeAnswer) -> str:
    found = life.used_share_unsure
    if found is None or not found.influences:
        return t("unsure.note")
    return t(
        "unsure.summary",
        low=numbers.share(found.low),
        high=numbers.share(found.high),
        source=t(f"unsure.{found.influences[0].source}"),
    )


def _rows(name: str, figure: UnsureFigure, share: bool) -> list[Any]:
    def shown(value: float) -> str:
        return numbers.share(value) if share else numbers.figure(value, 2)

    whole = html.Tr(
        [
            html.Th(name, scope="row"),
            *(html.Td(text) for text in (t("unsure.together"), shown(figure.low), shown(figure.high), "")),
        ],
        className="bl-row-chosen",
    )
    parts = [
        (
            "",
            t(f"unsure.{one.source}"),
            shown(one.low),
            shown(one.high),
            t("unsure.assumed" if one.assumed else "unsure.known"),
        )
        for one in figure.influences
        if one.high - one.low >= LEAST_SHOWN * (figure.high - figure.low)
    ]
    return [whole, *parts]
