"""How a crane works near its limit: rates with their confidence, what changed, where and with what loads it gathers."""

from typing import Any, Final

from dash import html

from dashboard.parts import charts, page
from domain.near_limit import MassClass, Measure, NearLimitAnswer
from words import numbers, remarks
from words.numbers import Units
from words.texts import t

SHOWN: Final = (
    "near_limit_lifts",
    "warnings_per_hour",
    "limiter_stops_per_hour",
    "limiter_overrides_per_hour",
)


def sections(found: NearLimitAnswer, units: Units) -> list[Any]:
    """Rates and reasons; the share of lifts near the limit by mass."""
    return [html.Div([_rates(found), _by_mass(found, units)], className="bl-two")]


def _rates(found: NearLimitAnswer) -> html.Section:
    headers = [t(f"near.col.{name}") for name in ("measure", "now", "before", "change")]
    rows = [
        (
            page.row_head(t(f"near.measure.{one.name}")),
            _with_interval(one, one.now.value, one.now.low, one.now.high),
            _with_interval(one, one.before.value, one.before.low, one.before.high),
            t(f"near.change.{one.change_word.replace(' ', '_')}"),
        )
        for one in found.crane.measures
        if one.name in SHOWN
    ]
    reasons = [html.Li(remarks.text(reason)) for reason in found.reasons]
    return page.card(
        t("near.title"),
        page.table(headers, rows),
        html.H3(t("near.reasons")),
        html.Ul(reasons, className="bl-notes") if reasons else page.nothing(t("near.reasons.none")),
        note=t(
            "near.summary",
            share=numbers.percent(found.crane.near_limit_pct),
            level=numbers.percent(found.near_limit_from_pct),
            before=numbers.percent(found.crane.near_limit_pct_before),
            hours=numbers.plain(found.crane.working_hours, 0),
        ),
    )


def _with_interval(one: Measure, value: float | None, low: float, high: float | None) -> str:
    if value is None:
        return t("near.too_little")
    share = one.name == "near_limit_lifts"

    def shown(number: float | None) -> str:
        if number is None:
            return t("near.open_end")
        return numbers.share(number) if share else numbers.plain(number, 2)

    return t("near.interval", value=shown(value), low=shown(low), high=shown(high))


def _by_mass(found: NearLimitAnswer, units: Units) -> Any:
    """Share of the lifts that came near the limit, by their estimated mass, with the interval of each."""
    title = t("near.mass.title")
    known = [one for one in found.masses if one.mass_from_kg is not None and one.share.value is not None]
    if not known:
        return charts.nothing(title, t("near.mass.none"))
    words = [_mass_words(one, units) for one in known]
    values = [100 * (one.share.value or 0) for one in known]
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": words,
                "y": [round(value, 2) for value in values],
                "error_y": {
                    "type": "data",
                    "symmetric": False,
                    "array": [
                        round(100 * (one.share.high or 0) - v, 2)
                        for one, v in zip(known, values, strict=True)
                    ],
                    "arrayminus": [
                        round(v - 100 * one.share.low, 2) for one, v in zip(known, values, strict=True)
                    ],
                    "color": "@series",
                    "thickness": 1.6,
                    "width": 5,
                },
                "marker": {"color": "@series", "size": 9},
                "hovertemplate": "%{x}: %{y:.1f} %<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.mass", unit=numbers.mass_unit(units)),
            y_title=t("axis.near_limit_lifts"),
            height=300,
            yaxis={"rangemode": "tozero"},
        ),
    }
    worst = max(known, key=lambda one: one.share.low)
    return charts.chart(
        "near-limit-mass",
        title,
        t("near.mass.summary", mass=f"{_mass_words(worst, units)}{numbers.NBSP}{numbers.mass_unit(units)}", count=numbers.plain(worst.near_limit_lifts), lifts=numbers.plain(worst.lifts)),
        figure,
        headers=("mass_from_kg", "mass_to_kg", "lifts", "near_limit_lifts", "share", "low", "high"),
        rows=[
            (o.mass_from_kg, o.mass_to_kg, o.lifts, o.near_limit_lifts, o.share.value, o.share.low, o.share.high)
            for o in known
        ],
    )  # fmt: skip


def _mass_words(one: MassClass, units: Units) -> str:
    factor = numbers.mass_factor(units)
    decimals = 0 if units is Units.US else 1
    low = numbers.plain((one.mass_from_kg or 0) / factor, decimals)
    if one.mass_to_kg is None:
        return t("near.mass.from", low=low)
    return f"{low}–{numbers.plain(one.mass_to_kg / factor, decimals)}"
