"""Small multiples of the fleet: the near-limit share of each crane week by week, all on one scale."""

from typing import Any, Final

from dash import html

from dashboard.parts import charts, page
from dashboard.parts.components import Drawing, shape
from domain import attention
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer, FleetWeeksRow
from words import numbers
from words.texts import t

AT_MOST: Final = 12
FULL_PCT: Final = 10.0
NOTABLE_POINTS: Final = 1.0
RECENT_WEEKS: Final = 2
WIDTH, HEIGHT = 130.0, 34.0


def small_multiples(weeks: FleetWeeksAnswer, fleet: FleetAnswer) -> Any:
    """One small picture a crane, those with the largest near-limit share of the period first."""
    order = {row.crane: place for place, row in enumerate(fleet.rows)}
    rows = sorted((row for row in weeks.rows if row.crane in order), key=lambda row: order[row.crane])
    rows = [row for row in rows if sum(share is not None for share in row.near_limit_pct) > 1][:AT_MOST]
    title = t("weeks.title")
    if not rows:
        return None
    headers = ("crane", *(f"week_of_{day.isoformat()}" for day in weeks.weeks))
    return page.card(
        title,
        html.Ul([html.Li(_one(row)) for row in rows], className="bl-multiples"),
        charts.numbers_behind(
            "near-limit-weeks", headers, [(row.crane, *row.near_limit_pct) for row in rows]
        ),
        note=_summary(rows, len(weeks.weeks), len(fleet.rows)),
    )


def change_points(shares: tuple[float | None, ...]) -> float | None:
    """Mean of the later half less mean of the earlier half [points]; None where a half has no week with work."""
    middle = len(shares) // 2
    earlier = [share for share in shares[:middle] if share is not None]
    later = [share for share in shares[middle:] if share is not None]
    if not earlier or not later:
        return None
    return sum(later) / len(later) - sum(earlier) / len(earlier)


def bars(row: FleetWeeksRow) -> Drawing:
    """The weeks of one crane as bars against the two steps of attention; the newest carry the colour of their state."""
    known = [share for share in row.near_limit_pct if share is not None]
    levels = [_level(step) for step in (attention.NEAR_WATCH_PCT, attention.NEAR_ACT_PCT)]
    step = WIDTH / len(row.near_limit_pct)
    oldest_marked = len(row.near_limit_pct) - RECENT_WEEKS
    weeks = [
        _week(place * step, step, share, marked=place >= oldest_marked)
        for place, share in enumerate(row.near_limit_pct)
    ]
    svg = shape(
        "svg",
        *levels,
        *weeks,
        className="bl-weeks",
        viewBox=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}",
        preserveAspectRatio="none",
        role="img",
        **{
            "aria-label": t(
                "weeks.label",
                crane=row.crane,
                count=len(row.near_limit_pct),
                low=numbers.percent(min(known)),
                high=numbers.percent(max(known)),
                last=numbers.percent(known[-1]),
            )
        },
    )
    return Drawing(tree=svg)


def _height(share_pct: float) -> float:
    return min(share_pct, FULL_PCT) / FULL_PCT * (HEIGHT - 3)


def _level(step_pct: float) -> list[Any]:
    y = round(HEIGHT - 1 - _height(step_pct), 2)
    return shape("line", className="bl-week-level", x1=0, x2=WIDTH, y1=y, y2=y)


def _week(left: float, step: float, share_pct: float | None, *, marked: bool) -> list[Any]:
    """A bar, at least a line high; a line below where the week has no work."""
    x, width = round(left + 0.14 * step, 2), round(0.72 * step, 2)
    if share_pct is None:
        return shape(
            "line", className="bl-week-none", x1=x, x2=round(x + width, 2), y1=HEIGHT - 1, y2=HEIGHT - 1
        )
    height = round(max(_height(share_pct), 1.5), 2)
    state = attention.near_limit_state(share_pct) if marked else "past"
    return shape(
        "rect",
        className=f"bl-week bl-week-{state}",
        x=x,
        y=round(HEIGHT - 1 - height, 2),
        width=width,
        height=height,
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
            watch=numbers.percent(attention.NEAR_WATCH_PCT),
            act=numbers.percent(attention.NEAR_ACT_PCT),
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
