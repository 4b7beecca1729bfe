"""The lift sheet: one page for one crane and one lift, with the chart excerpt. It is no lift plan, and says so."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from domain.crane import Crane, LoadChart, Sector, Spread
from domain.dispatch_answers import DispatchCandidate, DispatchQuestion, StateCode
from domain.errors import InvalidInput
from domain.job import ASSUMED_BELOW_HOOK_M, ASSUMED_CLEARANCE_M, USUAL_HOOK_HEIGHT_M, Position
from domain.remark import Quantity, Remark, Unit
from duty.capacity import SECTORS
from duty.drawing import lift_curve, set_up_of
from duty.geometry import envelope
from duty.sweep import span_of
from reports.document import Pairs, pdf
from words.remarks import sector_words, text
from words.texts import cautions, t

WIDTH_MM: Final = 74.0
HEIGHT_MM: Final = 50.0
VIEW_WIDTH_MM: Final = 100.0
VIEW_HEIGHT_MM: Final = 42.0


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What a sheet is made of."""

    title: str
    question: DispatchQuestion
    candidate: DispatchCandidate
    crane: Crane
    charts: tuple[LoadChart, ...]  # in force on the day of the job
    override_reason: str | None  # why the crane is used although something needs an override
    chart_source: str  # where they were read off, and since when they hold
    assumptions: tuple[Remark, ...]
    time_zone: str
    prepared_by: str
    prepared_at: datetime


def lift_sheet_pdf(sheet: Sheet) -> bytes:
    """The sheet as PDF/UA. Takes some 50 ms of CPU: run it in a thread.

    Raises InvalidInput for a crane that does not fit: there is nothing to sign then.
    """
    if not sheet.candidate.fit:
        raise InvalidInput(
            f"{sheet.candidate.crane} cannot take this job: {'; '.join(one.text for one in sheet.candidate.reasons)}",
            field="crane",
        )
    return pdf("lift_sheet", sheet_data(sheet), sheet.prepared_at)


def sheet_data(sheet: Sheet) -> dict[str, Any]:
    """Everything that the page shows."""
    local = sheet.prepared_at.astimezone(ZoneInfo(sheet.time_zone))
    return {
        "title": t("report.lift_sheet", title=sheet.title),
        "date": [local.year, local.month, local.day],
        "footer": (
            t(
                "report.prepared_by_with_boomledger",
                local=f"{local:%Y-%m-%d %H:%M}",
                time_zone=sheet.time_zone,
                prepared_by=sheet.prepared_by,
            )
            + (t("report.invented_crane_for_demonstration_only") if sheet.crane.type.invented else "")
        ),
        "no_plan": t("report.no_plan"),
        "lift": _lift(sheet),
        "crane": _crane(sheet),
        "result": _result(sheet),
        "pads": _pads(sheet),
        "chart": _chart(sheet),
        "envelope": _side_view(sheet),
        "assumptions": [text(one) for one in sheet.assumptions],
        "cautions": list(cautions("sheet")),
    }


def _lift(sheet: Sheet) -> Pairs:
    job = sheet.question
    pairs = [
        (t("report.load"), _at_least(job.mass_kg, "kg")),
        (t("report.rigging_and_attachment"), _at_least(job.rigging_kg, "kg")),
        (t("report.on_the_hook"), _at_least(job.hook_load_kg, "kg")),
        (t("report.set_down_at"), _position(job.place)),
    ]
    picked = t("report.not_entered_not_checked") if job.pick is None else _position(job.pick)
    pairs.insert(3, (t("report.picked_up_at"), picked))
    if job.obstacle_height_m is not None:
        pairs.append(
            (
                t("report.over_an_obstacle"),
                t(
                    "report.m_high_clear_below_the",
                    obstacle_height_m=job.obstacle_height_m,
                    or_assumed=_or_assumed(job.clearance_m, ASSUMED_CLEARANCE_M),
                    or_assumed_2=_or_assumed(job.below_hook_m, ASSUMED_BELOW_HOOK_M),
                ),
            )
        )
    pairs.append(
        (
            t("report.room_for_stabilisers"),
            t("report.left_right_2", spreads=_spread(job.spread_left), spreads_2=_spread(job.spread_right)),
        )
    )
    bears = (
        t("report.not_stated") if job.ground_bearing_kpa is None else _at_most(job.ground_bearing_kpa, "kPa")
    )
    plate = t("report.none") if job.plate_area_m2 is None else _at_most(job.plate_area_m2, "m2", 2)
    pairs += [
        (t("report.ground_bears"), bears),
        (t("report.plates_under_pads"), plate),
        (t("report.wind"), _compared(job.wind_m_s, sheet.crane.wind_limit_m_s, "m/s")),
        (t("report.slope"), _compared(job.slope_deg, sheet.crane.slope_limit_deg, "deg")),
    ]
    if job.window is not None:
        zone = ZoneInfo(sheet.time_zone)
        start, end = job.window.starts_at.astimezone(zone), job.window.ends_at.astimezone(zone)
        pairs.append(
            (
                t("report.time"),
                t(
                    "report.to_7",
                    start=f"{start:%Y-%m-%d %H:%M}",
                    end=f"{end:%Y-%m-%d %H:%M}",
                    time_zone=sheet.time_zone,
                ),
            )
        )
    return pairs


def _at_least(value: float | None, unit: Unit, decimals: int = 0) -> str:
    """A load or what is needed, never rounded down."""
    return "" if value is None else str(Quantity(value=value, unit=unit, decimals=decimals, bound="least"))


def _at_most(value: float | None, unit: Unit, decimals: int = 0) -> str:
    """A capacity or what is left, never rounded up."""
    return "" if value is None else str(Quantity(value=value, unit=unit, decimals=decimals, bound="most"))


def _compared(expected: float | None, limit: float | None, unit: Unit) -> str:
    """What is expected beside the limit entered for the crane."""
    if expected is None:
        return t("report.not_stated_not_compared")
    if limit is None:
        return t("report.no_limit_entered_not_compared", at_least=_at_least(expected, unit, 1))
    return t("report.limit_entered", at_least=_at_least(expected, unit, 1), at_most=_at_most(limit, unit, 1))


def _or_assumed(entered_m: float | None, assumed_m: float) -> str:
    return t("report.m_assumed", assumed_m=assumed_m) if entered_m is None else f"{entered_m:.1f} m"


def _position(position: Position) -> str:
    where = "" if position.sector is None else f", {sector_words([position.sector])}"
    height = position.hook_height_m
    hook = t("report.hook_height_not_entered") if height is None else t("report.hook_at_m", height=height)
    return t("report.m_outreach", outreach_m=position.outreach_m, hook=hook, where=where)


def _crane(sheet: Sheet) -> Pairs:
    found = sheet.candidate
    sector = sector_words(SECTORS[index] for index in span_of(sheet.question).sectors)
    return [
        (t("report.crane"), f"{found.crane} {found.title}".strip()),
        (t("report.type_2"), sheet.crane.type.title),
        (
            t("report.stabilisers"),
            t("report.left_right", word=_word(found.spread_left), word_2=_word(found.spread_right)),
        ),
        (t("report.sector"), sector),
        (t("report.fly_jib"), t("report.fitted") if found.jib_fitted else t("report.not_fitted")),
        (t("report.extensions_out"), t("report.as_needed") if found.stage is None else str(found.stage)),
        (t("report.load_chart"), sheet.chart_source),
        (
            t("report.attention"),
            "; ".join([*_reserved(sheet), *(t(f"report.attention.{one}") for one in _matters(found))])
            or t("report.nothing_recorded"),
        ),
        *([] if sheet.override_reason is None else [(t("report.overridden"), sheet.override_reason)]),
    ]


def _reserved(sheet: Sheet) -> list[str]:
    """That the crane is kept for somebody in the time of the lift, where it is."""
    until = sheet.candidate.held_until
    return (
        []
        if until is None
        else [
            t(
                "report.reserved_until",
                at=f"{until.astimezone(ZoneInfo(sheet.time_zone)):%Y-%m-%d %H:%M}",
            )
        ]
    )


def _matters(found: DispatchCandidate) -> dict[StateCode, None]:
    """What is the matter with the crane, each once."""
    return dict.fromkeys(state.code for state in found.states)


def _word(spread: Spread | None) -> str:
    return "" if spread is None else _spread(spread)


def _spread(spread: Spread | None) -> str:
    return t("report.spread_not_given") if spread is None else t(f"spread.{spread}")


def _result(sheet: Sheet) -> Pairs:
    found, job = sheet.candidate, sheet.question
    return [
        (t("report.rated_capacity_there"), _at_most(found.capacity_kg, "kg")),
        (t("report.capacity_used"), _at_least(found.capacity_used_pct, "%", 1)),
        (t("report.planning_limit"), f"{job.planning_limit_pct:g} %"),
        (
            t("report.headroom_to_it"),
            f"{_at_most(found.headroom_pct, '%', 1)}, {_at_most(found.headroom_kg, 'kg')}",
        ),
        (t("report.limited_by"), found.limited_by or ""),
        (
            t("report.expected_display"),
            t("report.about_utilisation_estimate", at_least=_at_least(found.expected_utilisation_pct, "%")),
        ),
    ]


def _pads(sheet: Sheet) -> Pairs:
    found, job = sheet.candidate, sheet.question
    return [
        (t("report.left_at_most"), _at_least(found.pad_left_kn, "kN")),
        (t("report.right_at_most"), _at_least(found.pad_right_kn, "kN")),
        (
            t("report.ground_pressure"),
            t("report.under_pad_or_plate", at_least=_at_least(found.pad_pressure_kpa, "kPa")),
        ),
        (
            t("report.tipping_line"),
            t("report.from_the_resultant", at_most=_at_most(found.stability_margin_m, "m", 2)),
        ),
        (t("report.hoisting_factor"), t("report.on_the_load_assumed", hoisting_factor=job.hoisting_factor)),
    ]


def _chart(sheet: Sheet) -> dict[str, Any]:
    """The chart lines that count, as drawn lengths; the point of the lift and of the capacity marked."""
    found, job = sheet.candidate, sheet.question
    span = span_of(job)
    crane_type = sheet.crane.type
    setup = set_up_of(found, span)
    worst = lift_curve(crane_type, sheet.charts, setup, span)
    far = span.outreach_m[1]
    most_m = max(x for x, _ in worst)
    capacity = float(found.capacity_kg or 0.0)
    # The excerpt: capacities far above the lift would press the rest of the line flat.
    most_kg = max(1.6 * capacity, 1.2 * job.hook_load_kg)
    x, y = WIDTH_MM / most_m, HEIGHT_MM / most_kg

    def drawn(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(round(r * x, 2), round(min(kg, most_kg) * y, 2)) for r, kg in points]

    # Each sector on its own; those with the same line share one with both names.
    labels: dict[tuple[tuple[float, float], ...], list[Sector]] = {}
    for sector in setup.sectors:
        alone = setup._replace(sectors=(sector,))
        line = tuple(lift_curve(crane_type, sheet.charts, alone, span))
        labels.setdefault(line, []).append(sector)
    lines = [{"points": drawn(line), "label": sector_words(names, ", ")} for line, names in labels.items()]
    return {
        "width": WIDTH_MM,
        "height": HEIGHT_MM,
        "x_ticks": [{"at": round(at * x, 2), "label": f"{at:g}"} for at in _ticks(most_m)],
        "y_ticks": [{"at": round(at * y, 2), "label": f"{at:g}"} for at in _ticks(most_kg)],
        "lines": lines,
        "limit": drawn(
            [(0.0, capacity * job.planning_limit_pct / 100), (far, capacity * job.planning_limit_pct / 100)]
        ),
        "marks": [
            {"x": far * x, "y": capacity * y, "label": _at_most(capacity, "kg"), "hollow": True},
            {
                "x": far * x,
                "y": job.hook_load_kg * y,
                "label": _at_least(job.hook_load_kg, "kg"),
                "hollow": False,
            },
        ],
        "alt": (
            t(
                "report.rated_capacity_over_outreach_at",
                far=far,
                at_most=_at_most(capacity, "kg"),
                at_least=_at_least(job.hook_load_kg, "kg"),
            )
        ),
        "caption": (
            t("report.hollow_rated_capacity_at_m", far=far, planning_limit_pct=job.planning_limit_pct)
        ),
    }


def _side_view(sheet: Sheet) -> dict[str, Any]:
    """The highest hook over outreach as drawn lengths, equal scales, and the hook points of the lift."""
    job, crane_type = sheet.question, sheet.crane.type
    with_jib = bool(sheet.candidate.jib_fitted) and crane_type.jib is not None
    reached = envelope(crane_type, with_jib=with_jib, outreach_points=61, angle_steps=91)
    span = span_of(job)
    known = np.isfinite(reached.highest_m)
    low, high = span.hook_height_m or (0.0, 0.0)
    lowest_m = min(0.0, low)
    highest_m = float(max(np.max(reached.highest_m[known]), high))
    if span.any_height:
        low, high = lowest_m, highest_m
    reach_m = float(reached.outreach_m[known][-1])
    scale = min(VIEW_WIDTH_MM / reach_m, VIEW_HEIGHT_MM / (highest_m - lowest_m))

    def drawn(outreach_m: float, height_m: float) -> tuple[float, float]:
        return round(outreach_m * scale, 2), round((height_m - lowest_m) * scale, 2)

    places = [(t("report.set_down"), job.place)] + (
        [] if job.pick is None else [(t("report.picked_up"), job.pick)]
    )
    near, far = span.outreach_m
    swept = [(near, low), (far, low), (far, high), (near, high), (near, low)]
    marks = []
    for label, place in places:
        height_m = place.hook_height_m
        unknown = t("report.height_not_entered") if height_m is None else ""
        x, y = drawn(place.outreach_m, USUAL_HOOK_HEIGHT_M if height_m is None else height_m)
        marks.append({"x": x, "y": y, "label": label + unknown})
    return {
        "width": round(reach_m * scale, 2),
        "height": round((highest_m - lowest_m) * scale, 2),
        "ground": drawn(0.0, 0.0)[1],
        "outline": [
            drawn(float(x), float(y))
            for x, y in zip(reached.outreach_m[known], reached.highest_m[known], strict=True)
        ],
        "swept": [drawn(*corner) for corner in swept],
        "marks": marks,
        "x_ticks": [{"at": round(at * scale, 2), "label": f"{at:g}"} for at in _ticks(reach_m)],
        "y_ticks": [{"at": drawn(0.0, at)[1], "label": f"{at:g}"} for at in _ticks(highest_m)],
        "alt": (t("report.side_view_set_down_at", position=_position(job.place))),
        "caption": (
            t("report.line_highest_hook_that_the")
            + (
                t("report.dashed_a_hook_height_is")
                if span.any_height
                else t("report.dashed_every_hook_position_that")
            )
            + t("report.metres_from_the_slewing_axis")
        ),
    }


def _ticks(most: float) -> Sequence[float]:
    """Round steps, four to nine of them."""
    step = 10.0 ** np.floor(np.log10(most))
    for finer in (1.0, 2.0, 4.0, 5.0):
        if most / (step / finer) >= 4:
            return [float(at) for at in np.arange(0.0, most, step / finer)]
    return [0.0, most]
