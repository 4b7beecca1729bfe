"""From a crane's description to what the drawings need: lengths, reach outline, the chart of a configuration.

The joints themselves are computed where they are drawn, by the convention of domain/crane.py.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

import numpy as np

from domain.answers import SamplesAnswer, Series
from domain.crane import QUARTERS, CraneType, LoadChart, Sector, Spread

POSE_CHANNELS: Final = (
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
    "jib_deg",
    "jib_extension_m",
    "stabiliser_left_pct",
    "stabiliser_right_pct",
)
_NEEDED: Final = ("main_boom_deg", "knuckle_boom_deg")


def geometry_of(crane_type: CraneType) -> dict[str, Any]:
    """Lengths of a crane type [m] for `SideView`."""
    jib = crane_type.jib
    return {
        "pivot_offset_m": crane_type.pivot_offset_m,
        "pivot_height_m": crane_type.pivot_height_m,
        "main_m": crane_type.main_boom.length_m,
        "knuckle_m": crane_type.knuckle_boom.length_m,
        "strokes_m": [extension.stroke_m for extension in crane_type.extensions],
        "jib_m": jib.boom.length_m if jib else None,
        "jib_strokes_m": [extension.stroke_m for extension in jib.extensions] if jib else [],
    }


def carrier_of(crane_type: CraneType) -> dict[str, float]:
    """The carrier seen from above [m] for `TopView`."""
    vehicle = crane_type.vehicle
    return {
        "spread_full_m": vehicle.stabiliser_spread_full_m,
        "spread_none_m": vehicle.stabiliser_spread_none_m,
        "rear_m": vehicle.rear_support_x_m - 1.2,
        "front_m": max(vehicle.front_support_x_m + 0.8, 1.0),
    }


def pose_of(values: Mapping[str, float | None]) -> dict[str, float] | None:
    """The pose among live values; None where the angles of the booms are not known."""
    pose = {name: value for name in POSE_CHANNELS if (value := values.get(name)) is not None}
    return pose if all(name in pose for name in _NEEDED) else None


def hook_of(crane_type: CraneType, values: Mapping[str, float | None]) -> tuple[float, float] | None:
    """(outreach_m, hook_height_m) of the pose among live values; None where the pose is not known."""
    pose = pose_of(values)
    if pose is None:
        return None
    members = [
        (crane_type.main_boom.length_m, pose["main_boom_deg"]),
        (crane_type.knuckle_boom.length_m + pose.get("extension_m", 0.0), pose["knuckle_boom_deg"]),
    ]
    if crane_type.jib is not None and "jib_deg" in pose:
        members.append((crane_type.jib.boom.length_m + pose.get("jib_extension_m", 0.0), pose["jib_deg"]))
    outreach = crane_type.pivot_offset_m + sum(
        length * np.cos(np.radians(angle)) for length, angle in members
    )
    height = crane_type.pivot_height_m + sum(length * np.sin(np.radians(angle)) for length, angle in members)
    return float(outreach), float(height)


def with_outreach(crane_type: CraneType, samples: SamplesAnswer) -> tuple[SamplesAnswer, bool]:
    """Samples with the outreach that follows from the pose, where the crane sends none; whether it was computed.

    Where samples are reduced, from the middle of each moment's extremes.
    """
    sent = samples.series.get("outreach_m")
    if sent is not None and any(value is not None for value in sent.high):
        return samples, False
    middles = {
        name: (np.array(series.low, dtype=float) + np.array(series.high, dtype=float)) / 2
        for name, series in samples.series.items()
        if name in POSE_CHANNELS
    }
    if not all(name in middles and np.isfinite(middles[name]).any() for name in _NEEDED):
        return samples, False
    members = [
        (crane_type.main_boom.length_m, middles["main_boom_deg"]),
        (crane_type.knuckle_boom.length_m + _known(middles, "extension_m"), middles["knuckle_boom_deg"]),
    ]
    if crane_type.jib is not None and np.isfinite(middles.get("jib_deg", np.nan)).any():
        length = crane_type.jib.boom.length_m + _known(middles, "jib_extension_m")
        members.append((length, middles["jib_deg"]))
    found = crane_type.pivot_offset_m + sum(length * np.cos(np.radians(angle)) for length, angle in members)
    values = tuple(None if one != one else one for one in np.round(found, 3).tolist())
    series = Series(unit="m", low=values, high=values)
    return samples.model_copy(update={"series": {**samples.series, "outreach_m": series}}), True


def _known(middles: Mapping[str, Any], name: str) -> Any:
    """Readings of a channel, 0 where there are none."""
    return np.nan_to_num(middles.get(name, 0.0))


def reach_outline(crane_type: CraneType, *, directions: int = 72) -> list[list[float]]:
    """Outline of the hook points that the booms can reach, seen from the side.

    The farthest point in each direction from the main boom pivot, over the working angles of the booms with the
    extensions in and out; a jib, where fitted, in line with the knuckle boom as far as its angles allow.
    Returns [[x m, y m], ...], closed through the pivot's foot.
    """
    main = _angles(crane_type.main_boom.lowest_deg, crane_type.main_boom.highest_deg, 31)
    knuckle = _angles(crane_type.knuckle_boom.lowest_deg, crane_type.knuckle_boom.highest_deg, 61)
    a, b = np.meshgrid(main, knuckle, indexing="ij")
    out = sum(extension.stroke_m for extension in crane_type.extensions)
    far = crane_type.knuckle_boom.length_m + out
    x = crane_type.main_boom.length_m * np.cos(a) + far * np.cos(b)
    y = crane_type.main_boom.length_m * np.sin(a) + far * np.sin(b)
    if crane_type.jib is not None:
        jib = crane_type.jib
        length = jib.boom.length_m + sum(extension.stroke_m for extension in jib.extensions)
        c = np.clip(b, np.radians(jib.boom.lowest_deg), np.radians(jib.boom.highest_deg))
        x, y = x + length * np.cos(c), y + length * np.sin(c)
    forward = x >= 0
    angle = np.degrees(np.arctan2(y[forward], x[forward]))
    radius = np.hypot(x[forward], y[forward])
    outline: list[list[float]] = []
    for low in np.linspace(-90, 90, directions, endpoint=False):
        inside = (angle >= low) & (angle < low + 180 / directions)
        if inside.any():
            best = np.argmax(np.where(inside, radius, -1))
            outline.append(
                [
                    round(float(x[forward][best] + crane_type.pivot_offset_m), 2),
                    round(float(y[forward][best] + crane_type.pivot_height_m), 2),
                ]
            )
    return _above_ground(outline)


def capacity_curve(
    charts: Sequence[LoadChart],
    left: Spread,
    right: Spread,
    *,
    hook_height_m: float | None = None,
    sector: Sector | None = None,
    sectors: Collection[Sector] = QUARTERS,
    jib_fitted: bool | None = None,
    stage: int | None = None,
) -> list[list[float]]:
    """[[outreach m, capacity kg], ...] of the charts for a stabiliser state; empty without a chart.

    The smallest over what is left open (sector among `sectors`, jib, stage), as far as every open sector reaches, so
    that the picture never promises more than a chart. Where charts have rows by hook height, the smaller of the rows just below and just above it.
    """
    open_sectors = set(sectors) if sector is None else set(sector.quarters)
    fitting = [
        chart
        for chart in charts
        if (chart.spread_left, chart.spread_right) == (left, right)
        and (chart.sector is None or open_sectors & set(chart.sector.quarters))
        and jib_fitted in (None, chart.jib_fitted)
        and (stage is None or chart.stage == stage)
    ]
    rows = [_row(chart, hook_height_m) for chart in fitting]
    ends = [
        max(
            (
                max(row)
                for chart, row in zip(fitting, rows, strict=True)
                if (chart.sector is None or one in chart.sector.quarters) and row
            ),
            default=0.0,
        )
        for one in open_sectors
    ]
    shared = sorted({reach for row in rows for reach in row if reach <= min(ends)})
    curve: list[list[float]] = []
    for reach in shared:
        found = [capacity for row in rows if (capacity := _read(row, reach)) is not None]
        if found:
            curve.append([reach, min(found)])
    return curve


def spread_of(percent: float | None) -> Spread:
    """The stabiliser state that a spread [%] is safely counted as."""
    if percent is None or percent < 50:
        return Spread.NONE
    return Spread.FULL if percent >= 99 else Spread.PART


def _row(chart: LoadChart, hook_height_m: float | None) -> dict[float, float]:
    heights = sorted({point.hook_height_m for point in chart.points if point.hook_height_m is not None})
    used = set(heights)
    if hook_height_m is not None and heights:
        below = [height for height in heights if height <= hook_height_m][-1:]
        above = [height for height in heights if height >= hook_height_m][:1]
        used = {*below, *above}
    row: dict[float, float] = {}
    for point in chart.points:
        if point.hook_height_m is None or point.hook_height_m in used:
            row[point.outreach_m] = min(point.capacity_kg, row.get(point.outreach_m, point.capacity_kg))
    return row


def _read(row: Mapping[float, float], reach: float) -> float | None:
    """Capacity at an outreach, that of the next larger outreach of the row: never between two points."""
    farther = [at for at in row if at >= reach]
    return row[min(farther)] if farther and reach >= min(row) else None


def _angles(low_deg: float, high_deg: float, count: int) -> Any:
    return np.radians(np.linspace(low_deg, high_deg, count))


def _above_ground(outline: list[list[float]]) -> list[list[float]]:
    kept = [[x, max(y, 0.0)] for x, y in outline]
    return [*kept, [0.0, kept[-1][1]], [0.0, 0.0]] if kept else []


def pose_reaching(crane_type: CraneType, outreach_m: float, hook_height_m: float) -> dict[str, float] | None:
    """A pose that brings the hook to a point, for the drawing; None where none of the tried ones comes near.

    Tries main boom angles over their range and takes the pose whose knuckle boom needs the least extension. The
    crane's own movements, its limiter and the operator decide how the point is really reached.
    """
    main = crane_type.main_boom
    x = outreach_m - crane_type.pivot_offset_m
    y = hook_height_m - crane_type.pivot_height_m
    longest = sum(extension.stroke_m for extension in crane_type.extensions)
    best: dict[str, float] | None = None
    for angle in np.linspace(main.highest_deg, main.lowest_deg, 60):
        left_x = x - main.length_m * np.cos(np.radians(angle))
        left_y = y - main.length_m * np.sin(np.radians(angle))
        extension = float(np.hypot(left_x, left_y)) - crane_type.knuckle_boom.length_m
        knuckle = float(np.degrees(np.arctan2(left_y, left_x)))
        within = crane_type.knuckle_boom.lowest_deg <= knuckle <= crane_type.knuckle_boom.highest_deg
        if not within or not -0.05 <= extension <= longest + 0.05 or knuckle > angle + 10:
            continue
        if best is None or extension < best["extension_m"]:
            best = {
                "main_boom_deg": float(angle),
                "knuckle_boom_deg": knuckle,
                "extension_m": max(0.0, extension),
            }
    return best
