"""Small multiples of the fleet: the near-limit share of each crane week by week, all on one scale."""

from typing import Any, Final

from dash import html

from dashboard import numbers
from dashboard.parts import charts, marks, page
from dashboard.parts.components import WeekBars
from dashboard.texts import t
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer, FleetWeeksRow

AT_MOST: Final = 12
FULL_PCT: Final = 10.0
NOTABLE_POINTS: Final = 1.0


def small_multiples(weeks: FleetWeeksAnswer, fleet: FleetAnswer) -> Any:
    """One small picture a crane, those with the largest near-limit share of the period first."""
    order = {row.crane: place for place, row in enumerate(fleet.rows)}
    rows = sorted((row for row in weeks.rows if row.crane in order), key=lambda row: order[row.crane])
    rows = [row for row in rows if sum(share is not None for share in row.near_limit_pct) > 1][:AT_MOST]
    title = t("weeks.title")
    if not rows:
        return None
    headers = ("crane", *(f"week_of_{day.isoformat()}" for day in weeks.weeks))
    return html.Section(
        [
            html.H2(title),
            html.P(_summary(rows, len(weeks.weeks), len(fleet.rows)), className="bl-summary"),
            html.Ul([html.Li(_one(row)) for row in rows], className="bl-multiples"),
            charts.numbers_behind(
                "near-limit-weeks", headers, [(row.crane, *row.near_limit_pct) for row in rows]
            ),
        ],
        className="bl-card",
    )


def change_points(shares: tuple[float | None, ...]) -> float | None:
    """Mean of the later half less mean of the earlier half [points]; None where a half has no week with work."""
    middle = len(shares) // 2
    earlier = [share for share in shares[:middle] if share is not None]
    later = [share for share in shares[middle:] if share is not None]
    if not earlier or not later:
        return None
    return sum(later) / len(later) - sum(earlier) / len(earlier)


def bars(row: FleetWeeksRow) -> WeekBars:
    """The weeks of one crane as bars against the two steps of attention."""
    known = [share for share in row.near_limit_pct if share is not None]
    return WeekBars(
        values=[None if share is None else round(share, 2) for share in row.near_limit_pct],
        full=FULL_PCT,
        watch_from=marks.NEAR_WATCH_PCT,
        act_from=marks.NEAR_ACT_PCT,
        label=t(
            "weeks.label",
            crane=row.crane,
            count=len(row.near_limit_pct),
            low=numbers.percent(min(known)),
            high=numbers.percent(max(known)),
            last=numbers.percent(known[-1]),
        ),
    )


def _one(row: FleetWeeksRow) -> list[Any]:
    last = next((share for share in reversed(row.near_limit_pct) if share is not None), None)
    return [
        html.Div(
            [
                page.crane_link(row.crane, tab="duty"),
                html.Span(numbers.percent(last), className="bl-week-last"),
            ],
            className="bl-multiple-head",
        ),
        bars(row),
    ]


def _summary(rows: list[FleetWeeksRow], count: int, of_all: int) -> str:
    changes = [(change_points(row.near_limit_pct), row.crane) for row in rows]
    rose = [name for change, name in changes if change is not None and change >= NOTABLE_POINTS]
    fell = [name for change, name in changes if change is not None and change <= -NOTABLE_POINTS]
    words = [
        t(
            "weeks.summary",
            count=count,
            watch=numbers.percent(marks.NEAR_WATCH_PCT),
            act=numbers.percent(marks.NEAR_ACT_PCT),
            full=numbers.percent(FULL_PCT),
        )
    ]
    if rose:
        words.append(t("weeks.rose", cranes=numbers.listed(rose)))
    if fell:
        words.append(t("weeks.fell", cranes=numbers.listed(fell)))
    if not rose and not fell:
        words.append(t("weeks.same"))
    if of_all > len(rows):
        words.append(t("weeks.some", count=len(rows)))
    return " ".join(words)
