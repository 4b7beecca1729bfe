"""Where the damage of a weld detail comes from: S-N curve with the crane's ranges, cells of cycles, directions."""

from math import log10
from typing import Any, Final

from dash import html

from dashboard.parts import area, charts, marks, page
from dashboard.visit import Visit
from domain.attention import State
from domain.life_answers import DamageAnswer, DetailDamage, LifeAnswer
from words import numbers, remarks
from words.texts import t

FORMULA: Final = ("damage.formula", "damage.formula.curves", "damage.formula.limits", "damage.formula.around")


def sections(damage: DamageAnswer, life: LifeAnswer, visit: Visit) -> list[Any]:
    """The table of details, and one of them in pictures."""
    return [
        _table(damage, life, visit),
        _curve(damage),
        html.Div([_cells(damage), _around(damage)], className="bl-two"),
    ]


def _table(damage: DamageAnswer, life: LifeAnswer, visit: Visit) -> html.Section:
    headers = [
        t(f"details.col.{name}")
        for name in ("detail", "curve", "damage", "counted", "range", "equivalent", "gamma")
    ]
    rows = [
        html.Tr(
            [html.Th(_name(one, visit), scope="row"), *(html.Td(value) for value in _detail_cells(one))],
            className="bl-row-chosen" if one.detail == damage.detail else "",
        )
        for one in life.details
    ]
    return page.card(
        t("damage.title"),
        _assumed_note() if damage.assumed else None,
        page.note(remarks.sentence(damage.remarks, visit.units)),
        page.note(t("details.summary")),
        *_beyond(damage, life),
        page.table(headers, rows, t("damage.title")),
        page.fold(t("formula"), *(html.P(t(key)) for key in FORMULA)),
    )


def _beyond(damage: DamageAnswer, life: LifeAnswer) -> list[html.P]:
    """What the damage leaves out because no class reaches it."""
    outside = [damage.beyond, *(one.beyond for one in life.details)]
    words = dict.fromkeys(one.remark.text for one in outside if one is not None)
    return [html.P([marks.mark(State.WATCH, t("damage.beyond")), " ", one]) for one in words]


def _assumed_note() -> html.P:
    return html.P(
        [marks.mark(State.STALE, t("damage.assumed")), " ", t("damage.assumed.text")], className="bl-assumed"
    )


def _name(one: DetailDamage, visit: Visit) -> Any:
    if one.assumed:
        return t("damage.assumed.name")
    return page.link(one.detail, visit.href(detail=one.detail))


def _detail_cells(one: DetailDamage) -> tuple[str, ...]:
    spread = (
        f"{one.damage_low:.2g} – {one.damage_high:.2g}"
        if one.damage_low is not None and one.damage_high is not None
        else numbers.MISSING
    )
    equivalent = (
        numbers.MISSING
        if one.equivalent_range_mpa is None
        else f"{numbers.plain(one.equivalent_range_mpa, 1)}{numbers.NBSP}MPa"
    )
    total = t(
        "damage.of_allowed", damage=numbers.figure(one.damage, 3), allowed=numbers.figure(one.allowed_sum)
    )
    counted = numbers.MISSING if one.damage_counted is None else numbers.figure(one.damage_counted, 3)
    if one.counted_since is not None:
        counted = t("damage.counted_since", damage=counted, day=numbers.day(one.counted_since))
    return one.curve, total, counted, spread, equivalent, numbers.plain(one.gamma_mf, 2)


def _curve(damage: DamageAnswer) -> Any:
    """The S-N curve on double logarithms, and on it the cycles of this crane by range: the nearer, the more damage."""
    title = t("sn.title", curve=damage.curve)
    steps = [step for step in damage.steps if step.range_mpa > 0]
    if not steps:
        return charts.nothing(title, t("sn.none"))
    line: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "hovertemplate": t("sn.hover") + "<extra></extra>",
    }
    cycles = [point.cycles for point in damage.curve_points]
    data = [
        {
            **line,
            "name": t("sn.curve"),
            "x": cycles,
            "y": [round(point.range_mpa, 3) for point in damage.curve_points],
            "line": {"color": "@line_strong", "width": 1.4, "dash": "dot"},
        },
        {
            **line,
            "name": t("sn.design", gamma=numbers.plain(damage.gamma_mf, 2)),
            "x": cycles,
            "y": [round(point.design_range_mpa, 3) for point in damage.curve_points],
            "line": {"color": "@ink", "width": 2},
        },
        {
            **line,
            "name": t("sn.cycles"),
            "x": [step.cumulative for step in steps],
            "y": [round(step.range_mpa, 3) for step in steps],
            "line": {"color": "@series", "width": 2, "shape": "hv"},
            "fill": "tozeroy",
            "fillcolor": "@series_soft",
        },
    ]
    largest = max(step.range_mpa for step in steps)
    floor = min(point.design_range_mpa for point in damage.curve_points)
    low, top = min(floor, largest) / 3, 2.5 * max(floor, largest)
    figure = {
        "data": data,
        "layout": charts.layout(
            x_title=t("axis.cycles_cumulative"),
            y_title=t("axis.stress_range"),
            height=330,
            xaxis={"type": "log", "dtick": 1, "exponentformat": "power"},
            yaxis={
                "type": "log",
                "range": [_log(low), _log(top)],
                "tickvals": [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000],
            },
            showlegend=True,
            legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "bgcolor": "rgba(0,0,0,0)"},
            margin={"t": 34},
        ),
    }
    words = t(
        "sn.summary",
        mpa=numbers.figure(damage.mpa_per_pct),
        source=damage.curve_source,
        cut_off=t("sn.cut_off", range=numbers.plain(damage.cut_off_mpa, 0))
        if damage.cut_off_mpa
        else t("sn.no_cut_off"),
        equivalent=numbers.plain(damage.equivalent_range_mpa, 1),
    )
    return charts.chart(
        "sn-curve",
        title,
        words,
        figure,
        **charts.columns(damage.steps, "range_pct", "range_mpa", "cycles", "cumulative", "damage", "share"),
    )


def _log(value: float) -> float:
    return round(log10(max(value, 0.01)), 4)


def _cells(damage: DamageAnswer) -> Any:
    """Share of the damage by lower and upper turning point of the cycles."""
    title = t("cells.title")
    telling = [cell for cell in damage.cells if cell.damage > 0]
    if not telling:
        return charts.nothing(title, t("cells.none"))
    width = telling[0].width_pct
    lows = _even([cell.low_from_pct for cell in telling], width)
    highs = _even([cell.high_from_pct for cell in telling], width)
    found = {(cell.low_from_pct, cell.high_from_pct): cell for cell in telling}
    figure = {
        "data": [
            charts.heat(
                [low + width / 2 for low in lows],
                [high + width / 2 for high in highs],
                [
                    [round(100 * found[low, high].share, 2) if (low, high) in found else None for low in lows]
                    for high in highs
                ],
                unit="%",
                hover=t("cells.hover"),
            )
        ],
        "layout": charts.layout(x_title=t("axis.cycle_low"), y_title=t("axis.cycle_high"), height=320),
    }
    worst = max(telling, key=lambda cell: cell.damage)
    return charts.chart(
        "damage-cells",
        title,
        t(
            "cells.summary",
            low=f"{worst.low_from_pct:g}–{worst.low_from_pct + worst.width_pct:g}",
            high=f"{worst.high_from_pct:g}–{worst.high_from_pct + worst.width_pct:g}",
            share=numbers.share(worst.share),
            cycles=numbers.plain(worst.cycles),
        ),
        figure,
        **charts.columns(
            damage.cells, "low_from_pct", "high_from_pct", "width_pct", "cycles", "damage", "share"
        ),
    )


def _even(starts: list[float], width: float) -> list[float]:
    """Every cell start from the least to the largest, also those without cycles, so that all are drawn alike."""
    count = round((max(starts) - min(starts)) / width) + 1
    return [round(min(starts) + place * width, 6) for place in range(count)]


def _around(damage: DamageAnswer) -> Any:
    """Damage around the base of the column."""
    title = t("direction.title")
    if not damage.around_base:
        return charts.nothing(title, remarks.text(damage.around_base_note))
    angles = [one.direction_deg for one in damage.around_base]
    values = [one.damage for one in damage.around_base]
    if max(angles) < 180:
        angles, values = [*angles, *(angle + 180 for angle in angles)], [*values, *values]
    worst = max(damage.around_base, key=lambda one: one.damage)
    figure = {
        "data": [
            {
                "type": "scatterpolar",
                "mode": "lines",
                "theta": [*angles, angles[0] + 360],
                "r": [*values, values[0]],
                "fill": "toself",
                "fillcolor": "@series_soft",
                "line": {"color": "@series", "width": 2},
                "hovertemplate": "%{theta:.0f}°: %{r:.3g}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title="",
            y_title="",
            height=320,
            margin={"l": 44, "r": 44, "t": 34, "b": 30},
            polar=area.polar_axes(),
        ),
    }
    words = t(
        "direction.summary",
        angle=numbers.plain(worst.direction_deg),
        damage=numbers.figure(worst.damage, 2),
        note=remarks.text(damage.around_base_note),
    )
    return charts.chart(
        "damage-direction",
        title,
        words,
        figure,
        **charts.columns(damage.around_base, "direction_deg", "damage"),
    )
