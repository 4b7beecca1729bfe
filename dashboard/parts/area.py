"""The working area in words and as a picture."""

from collections import defaultdict
from math import floor, log10
from typing import Any, Final

from dashboard.parts import charts
from domain.answers import AreaCell, NearLimitPlace, WorkingAreaAnswer
from domain.units import s_to_min
from words import numbers
from words.numbers import Units
from words.texts import t

SHORTEST_MIN: Final = 0.01  # what is shorter has the colour of this


def where_near_limit(place: NearLimitPlace, units: Units) -> str:
    """Where most of the near-limit time was spent: side of the carrier and outreach."""
    return _place_words("area.where", "", place, units)


def near_limit_cell(place: NearLimitPlace, units: Units) -> str:
    """The same in few words, for a cell of a table."""
    return _place_words("area.where.cell", ".short", place, units)


def _place_words(key: str, form: str, place: NearLimitPlace, units: Units) -> str:
    return t(
        key,
        share=numbers.percent(place.quarter_share_pct),
        sector=t(f"sector.{place.quarter}{form}"),
        low=numbers.length(place.outreach_from_m, units),
        high=numbers.length(place.outreach_to_m, units),
    )


def heatmap(area: WorkingAreaAnswer, units: Units) -> Any:
    """Time by slewing angle and outreach; near-limit cells carry a mark as well as their colour."""
    title = t("area.title")
    cells = [cell for cell in area.cells if cell.recorded_s > 0]
    if not cells:
        return charts.nothing(title, t("area.none"))
    factor = numbers.length_factor(units)
    slews = sorted(
        {(cell.slew_from_deg, cell.slew_to_deg) for cell in cells}, key=lambda pair: _around(sum(pair) / 2)
    )
    reaches = sorted({(cell.outreach_from_m, cell.outreach_to_m) for cell in cells})
    found = {(c.slew_from_deg, c.slew_to_deg, c.outreach_from_m, c.outreach_to_m): c for c in cells}
    minutes = [[_minutes(found.get((*slew, *reach))) for slew in slews] for reach in reaches]
    # The place where the boom is folded away takes most of the time: only by powers of ten do the others differ.
    z = [[None if one is None else round(log10(max(one, SHORTEST_MIN)), 3) for one in row] for row in minutes]
    tens = range(floor(min(one for row in z for one in row if one is not None)), 6)
    near = [c for c in cells if c.near_limit_s > 0]
    figure = {
        "data": [
            charts.heat(
                [_around((a + b) / 2) for a, b in slews],
                [(a + b) / 2 / factor for a, b in reaches],
                z,
                unit=t("area.minutes"),
                hover="%{x:.0f}°, %{y:.1f} " + numbers.length_unit(units) + ": %{customdata:.1f} min",
                ticks={ten: f"{10.0**ten:g}" for ten in tens},
                customdata=minutes,
            ),
            {
                "type": "scatter",
                "mode": "markers",
                "x": [_around((c.slew_from_deg + c.slew_to_deg) / 2) for c in near],
                "y": [(c.outreach_from_m + c.outreach_to_m) / 2 / factor for c in near],
                "marker": {
                    "symbol": "triangle-up",
                    "color": "@act_fill",
                    "line": {"color": "#ffffff", "width": 1},
                    "size": [
                        6 + 12 * (c.near_limit_s / max(n.near_limit_s for n in near)) ** 0.5 for c in near
                    ],
                },
                "hovertemplate": t("area.near_hover") + "<extra></extra>",
                "customdata": [round(s_to_min(c.near_limit_s), 1) for c in near],
            },
        ],
        "layout": charts.layout(
            x_title=t("axis.slew"),
            y_title=t("axis.outreach", unit=numbers.length_unit(units)),
            height=300,
            xaxis={
                "tickvals": [-180, -90, 0, 90, 180],
                "ticktext": [
                    t("sector.rear.short"),
                    t("sector.left.short"),
                    t("sector.over_cab.short"),
                    t("sector.right.short"),
                    t("sector.rear.short"),
                ],
                "range": [-180, 180],
            },
        ),
    }
    place = area.near_limit_place
    return charts.chart(
        "working-area",
        title,
        t("area.summary.near", where=where_near_limit(place, units)) if place else t("area.summary.none"),
        figure,
        **charts.columns(
            cells,
            "slew_from_deg",
            "slew_to_deg",
            "outreach_from_m",
            "outreach_to_m",
            "recorded_s",
            "near_limit_s",
        ),
    )


def _around(angle_deg: float) -> float:
    """An angle brought to -180 (inclusive) to 180."""
    return (angle_deg + 180) % 360 - 180


def _minutes(cell: AreaCell | None) -> float | None:
    return None if cell is None else round(s_to_min(cell.recorded_s), 2)


def rose(area: WorkingAreaAnswer) -> Any:
    """Working time around the slewing axis, with the part near the limit."""
    title = t("rose.title")
    worked: dict[float, float] = defaultdict(float)
    near: dict[float, float] = defaultdict(float)
    width = 30.0
    quarters = {}
    for cell in area.cells:
        middle = ((cell.slew_from_deg + cell.slew_to_deg) / 2) % 360
        quarters[middle] = cell.quarter
        width = cell.slew_to_deg - cell.slew_from_deg
        worked[middle] += s_to_min(cell.recorded_s)
        near[middle] += s_to_min(cell.near_limit_s)
    if not any(worked.values()):
        return charts.nothing(title, t("area.none"))
    angles = sorted(worked)
    figure = {
        "data": [
            _petals(angles, [worked[a] - near[a] for a in angles], width, "@series", t("rose.worked")),
            _petals(angles, [near[a] for a in angles], width, "@act_fill", t("rose.near")),
        ],
        "layout": charts.layout(
            x_title="",
            y_title="",
            height=300,
            barmode="stack",
            showlegend=True,
            legend={"x": 0, "y": 0},
            margin={"l": 44, "r": 44, "t": 34, "b": 30},
            polar=polar_axes(numbers.NBSP + t("area.minutes")),
        ),
    }
    busiest = max(angles, key=lambda angle: worked[angle])
    return charts.chart(
        "slewing-rose",
        title,
        t(
            "rose.summary",
            sector=t(f"sector.{quarters[busiest]}"),
            width=numbers.figure(width),
            share=numbers.percent(100 * worked[busiest] / sum(worked.values())),
        ),
        figure,
        headers=("slew_deg", "worked_min", "near_limit_min"),
        rows=[(a, round(worked[a], 2), round(near[a], 2)) for a in angles],
    )


def polar_axes(unit: str = "") -> dict[str, Any]:
    """Polar axes with the cab at the top and angles clockwise from above; the outermost ring carries the unit."""
    names = [
        t("sector.over_cab.short"),
        t("sector.right.short"),
        t("sector.rear.short"),
        t("sector.left.short"),
    ]
    return {
        "bgcolor": "rgba(0,0,0,0)",
        "angularaxis": {
            "direction": "clockwise",
            "rotation": 90,
            "tickvals": [0, 90, 180, 270],
            "ticktext": names,
            "gridcolor": "@line",
            "linecolor": "@line_strong",
            "tickfont": {"color": "@ink_soft"},
        },
        "radialaxis": {
            "gridcolor": "@line",
            "linecolor": "@line",
            "tickfont": {"color": "@ink_soft", "size": 11},
            "angle": 45,
            "tickangle": 45,
            "nticks": 4,
            "ticks": "",
            "ticksuffix": unit,
            "showticksuffix": "last",
        },
    }


def _petals(
    angles: list[float], lengths: list[float], width: float, colour: str, word: str
) -> dict[str, Any]:
    return {
        "type": "barpolar",
        "theta": angles,
        "r": [round(length, 2) for length in lengths],
        "width": [width * 0.94] * len(angles),
        "marker": {"color": colour, "line": {"width": 0}},
        "name": word,
        "hovertemplate": f"{word}: %{{r:.1f}} min<extra></extra>",
    }
