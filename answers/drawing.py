"""What drawings show: a crane in its position, over a span, at a job. All of it is computed here, and drawn elsewhere."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import anyio
import numpy as np
from numpy.typing import NDArray
from psycopg import AsyncConnection

from answers.dispatch import OfCrane
from answers.samples import NEVER_MS, parts_of, reduced, types_of
from domain.crane import CraneType, LoadChart
from domain.dispatch_answers import DispatchCandidate
from domain.drawing_answers import (
    Corners,
    DrawingAnswer,
    Drawn,
    Figure,
    LiftDrawing,
    LiftDrawingAsked,
    PosesAnswer,
)
from domain.job import USUAL_HOOK_HEIGHT_M
from domain.moments import TimeRange
from duty import drawing
from duty.capacity import Floats
from duty.drawing import CHANNELS
from duty.reduce import gap_ms
from duty.statics import sector_of
from duty.sweep import span_of
from store import reading, segments
from store.descriptions import charts_on
from store.reading import CraneKnown
from store.segments import Segments, to_ms
from store.statement import Sites

Days = list[tuple[int, tuple[CraneType, tuple[LoadChart, ...]]]]
"""What a crane was like with its charts, and since when that holds [ms]: the first from the beginning, one after the other."""

_READ = ("utilisation_pct", *CHANNELS)
_TOLD = ("utilisation_pct", "extension_m", "jib_extension_m", "slew_deg")


async def drawing_of(conn: AsyncConnection[Any], crane: CraneKnown, sites: Sites, day: date) -> DrawingAnswer:
    """A crane for drawing: outline, last known position with the rated capacity there, lines of its charts on a day."""
    charts = await charts_on(conn, crane, day)
    rows = await reading.LIVE_ROWS.all_async(conn, sites=sites, cranes=[crane.name])
    values, at = (rows[0].last_values or {}, rows[0].at) if rows else ({}, None)
    return await anyio.to_thread.run_sync(_drawing, crane.name, crane.crane().type, charts, day, values, at)


async def poses_of(
    conn: AsyncConnection[Any], crane: CraneKnown, span: TimeRange, points: int
) -> PosesAnswer:
    """Positions over a span with the rated capacity in each, `points` at most."""
    found = await segments.read_async(conn, crane.crane_id, span.start, span.end, _READ)
    zone = ZoneInfo(crane.time_zone)
    day, last = span.start.astimezone(zone).date(), span.end.astimezone(zone).date()
    types = await types_of(conn, crane)
    days: Days = []
    while day <= last:
        since_ms = to_ms(datetime.combine(day, time(), zone))
        crane_type = [one for since, one in types if since <= since_ms][-1]
        held = crane_type, await charts_on(conn, crane, day)
        if not days or days[-1][1] != held:
            days.append((since_ms, held))
        day += timedelta(days=1)
    return await anyio.to_thread.run_sync(_poses, crane.name, days, span, found, points)


async def drawing_at_job(
    conn: AsyncConnection[Any], crane: CraneKnown, asked: LiftDrawingAsked, found: OfCrane
) -> LiftDrawing:
    """A crane at a job: a possible position, and the line that its capacity is read from."""
    charts = await charts_on(conn, crane, found.charts_on)
    crane_type = found.situation.listed.type_of(found.index)
    return await anyio.to_thread.run_sync(_lift, asked, crane_type, found.candidate, charts)


def figure_of(crane: str, crane_type: CraneType) -> Figure:
    """Lengths and outline of a crane of a type."""
    jib, vehicle = crane_type.jib, crane_type.vehicle
    outline = drawing.outline(crane_type)
    return Figure(
        crane=crane,
        outline=tuple(outline),
        reach_m=max((x for x, _ in outline), default=0.0),
        pivot_height_m=crane_type.pivot_height_m,
        knuckle_m=crane_type.knuckle_boom.length_m,
        strokes_m=tuple(extension.stroke_m for extension in crane_type.extensions),
        jib_m=jib.boom.length_m if jib else None,
        jib_strokes_m=tuple(extension.stroke_m for extension in jib.extensions) if jib else (),
        spread_none_m=vehicle.stabiliser_spread_none_m,
        rear_m=vehicle.rear_support_x_m - 1.2,  # bumpers beyond the supports: for the picture alone
        front_m=max(vehicle.front_support_x_m + 0.8, 1.0),
    )


def _drawing(
    crane: str,
    crane_type: CraneType,
    charts: tuple[LoadChart, ...],
    day: date,
    values: dict[str, float | None],
    at: datetime | None,
) -> DrawingAnswer:
    return DrawingAnswer(
        figure=figure_of(crane, crane_type),
        on=day,
        at=at,
        now=drawn_now(crane_type, charts, values),
        lines=tuple(tuple(drawing.curve([chart], [None], _jib_rated(crane_type))) for chart in charts),
    )


def drawn_now(
    crane_type: CraneType, charts: Sequence[LoadChart], values: dict[str, float | None]
) -> Drawn | None:
    """The position in some readings; None where the angles of the booms are not known."""
    readings = {name: np.array([np.nan if values.get(name) is None else values[name]]) for name in CHANNELS}
    found = drawing.frames(crane_type, charts, readings, 1)
    if not np.isfinite(found.rated_kg[0]):
        return None
    left, right = (values.get(f"stabiliser_{side}_pct") for side in ("left", "right"))
    return Drawn(
        joints_m=_points(found.joints_m[0]),
        extension_m=values.get("extension_m") or 0.0,
        jib_extension_m=values.get("jib_extension_m") or 0.0,
        slew_deg=values.get("slew_deg"),
        left_m=None if left is None else float(found.left_m[0]),
        right_m=None if right is None else float(found.right_m[0]),
        spread_left=found.spread[0][0],
        spread_right=found.spread[0][1],
        outreach_m=_told(found.outreach_m, 6)[0],
        hook_height_m=_told(found.hook_height_m, 6)[0],
        rated_kg=float(found.rated_kg[0]),
        curve=tuple(found.curves[int(found.curve[0])]),
    )


def _poses(crane: str, days: Days, span: TimeRange, found: Segments, points: int) -> PosesAnswer:
    at_ms, values = found.samples(span.start, span.end)
    few = reduced(found, span, at_ms, {**values, **_stood(days, at_ms, values)}, points)
    columns = {
        name: _shared(name, *(part[name].astype(float) for part in (few.low, few.high))) for name in _READ
    }
    kept = np.isfinite(columns["main_boom_deg"]) & np.isfinite(columns["knuckle_boom_deg"])
    readings = {name: values[kept] for name, values in columns.items()}
    low, high = ({name: part[name][kept].astype(float) for name in _STOOD} for part in (few.low, few.high))
    stood = drawing.Seen(
        near_m=low["far"],
        far_m=high["far"],
        lowest_m=low["height"],
        highest_m=high["height"],
        stage=np.where(low["stage"] == high["stage"], low["stage"], np.nan),
        whole=low["whole"] > 0,
    )
    kept_ms = few.at_ms[kept]
    drawn = _framed(days, kept_ms, kept_ms + max((few.bucket_ms or 0) - 1, 0), readings, stood)
    joints = drawn.joints_m.reshape(len(drawn.joints_m), 2 * drawn.joints_m.shape[1])
    return PosesAnswer(
        figure=figure_of(crane, days[-1][1][0]),
        at_ms=tuple(kept_ms.tolist()),
        recorded_samples=at_ms.size,
        reduced=few.bucket_ms is not None,
        bucket_ms=few.bucket_ms,
        gap_ms=gap_ms(few.bucket_ms),
        joints_m=tuple(tuple(np.round(column, 3).tolist()) for column in joints.T),
        readings={name: _told(readings[name], 2) for name in _TOLD},
        outreach_m=_told(drawn.outreach_m, 3),
        left_m=tuple(np.round(drawn.left_m, 2).tolist()),
        right_m=tuple(np.round(drawn.right_m, 2).tolist()),
        rated_kg=tuple(drawn.rated_kg.tolist()),
        curve=tuple(drawn.curve.tolist()),
        curves=tuple(tuple(one) for one in drawn.curves),
    )


_STOOD = ("far", "height", "stage", "whole")


def _stood(
    days: Days, at_ms: NDArray[np.int64], values: Mapping[str, NDArray[np.floating]]
) -> dict[str, Floats]:
    """Where the hook stood in each sample, with the lengths of its own day, before samples are put together; NaN without angles."""
    found = {name: np.full(at_ms.size, np.nan) for name in _STOOD}
    for (crane_type, _), inside in parts_of(days, at_ms):
        at = drawing.seen(crane_type, {name: values[name][inside] for name in CHANNELS})
        known = np.isfinite(at.far_m)
        found["far"][inside], found["height"][inside] = at.far_m, at.highest_m
        found["stage"][inside] = np.where(known, at.stage, np.nan)
        found["whole"][inside] = np.where(known, at.whole, np.nan)
    return found


def _shared(name: str, low: Floats, high: Floats) -> Floats:
    """What stands for several samples that share a moment of the answer: the middle of their extremes, but where that is not safe.

    The largest utilisation, the smaller reach of a stabiliser, and no slewing angle where several sectors were passed.
    """
    if name == "utilisation_pct":
        return high
    if name.startswith("stabiliser_"):
        return low
    middle = (low + high) / 2
    if name != "slew_deg":
        return middle
    passed = (sector_of(low) != sector_of(high)) | (high - low > 90.0)
    return np.where(passed, np.nan, middle)


def _framed(
    days: Days,
    first_ms: NDArray[np.int64],
    last_ms: NDArray[np.int64],
    readings: dict[str, Floats],
    stood: drawing.Seen,
) -> drawing.Frames:
    """Frames with the lengths and the charts of each one's own day; of a moment in two of them, the one that allows less."""
    count = first_ms.size
    nothing = np.full(count, np.nan)
    whole = drawing.Frames(
        joints_m=np.full((count, 3 + any(one.jib is not None for _, (one, _) in days), 2), np.nan),
        outreach_m=nothing.copy(), hook_height_m=nothing.copy(), left_m=nothing.copy(), right_m=nothing.copy(),
        rated_kg=nothing.copy(), spread=[], curve=np.full(count, -1, np.intp), curves=[],
    )  # fmt: skip
    since_ms = [NEVER_MS, *(since for since, _ in days[1:]), -NEVER_MS]
    for index, (_, (crane_type, charts)) in enumerate(days):
        inside = np.flatnonzero((last_ms >= since_ms[index]) & (first_ms < since_ms[index + 1]))
        if not inside.size:
            continue
        part = {name: values[inside] for name, values in readings.items()}
        own = drawing.frames(crane_type, charts, part, inside.size, stood.of(inside))
        worse = ~(own.rated_kg >= whole.rated_kg[inside])
        at = inside[worse]
        missing = whole.joints_m.shape[1] - own.joints_m.shape[1]
        joints = np.pad(own.joints_m, ((0, 0), (0, missing), (0, 0)), mode="edge")
        whole.joints_m[at] = joints[worse]
        for name in ("outreach_m", "hook_height_m", "left_m", "right_m", "rated_kg"):
            getattr(whole, name)[at] = getattr(own, name)[worse]
        whole.curve[at] = own.curve[worse] + len(whole.curves)
        whole.curves.extend(own.curves)
    return whole


def _told(values: Floats, decimals: int) -> tuple[float | None, ...]:
    return tuple(None if value != value else value for value in np.round(values, decimals).tolist())


def _lift(
    asked: LiftDrawingAsked, crane_type: CraneType, found: DispatchCandidate, charts: tuple[LoadChart, ...]
) -> LiftDrawing:
    job, span = asked.job, span_of(asked.job)
    line = tuple(drawing.lift_curve(crane_type, charts, drawing.set_up_of(found, span), span))
    height_m = USUAL_HOOK_HEIGHT_M if job.hook_height_m is None else job.hook_height_m
    joints = drawing.pose_reaching(crane_type, job.outreach_m, height_m)
    share = job.planning_limit_pct / 100.0
    return LiftDrawing(
        figure=figure_of(asked.crane, crane_type),
        candidate=found,
        joints_m=() if joints is None else _points(joints),
        curve=line,
        planned=tuple((x, kg * share) for x, kg in line),
        far_m=span.outreach_m[1],
    )


def _jib_rated(crane_type: CraneType) -> float:
    return crane_type.jib.rated_capacity_kg if crane_type.jib else np.inf


def _points(joints: Floats) -> Corners:
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in joints)
