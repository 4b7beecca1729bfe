"""What a drawing of a crane shows: outline, joints, stabilisers, and the rated capacity under the boom.

Drawings are made elsewhere and compute nothing: every figure in them comes from here. Capacity is read as
`duty.capacity` reads it, in the set-up that the readings prove, so that no picture promises more than the charts.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import QUARTERS, CraneType, LoadChart, Sector, Spread
from duty.capacity import SPREAD_RANK, capacity_kg
from duty.geometry import Floats, angles_for, envelope, full_stroke_m, joints, pose
from duty.stability import PART_SPREAD, spread_m
from duty.statics import sector_of
from duty.sweep import Span

FULL_SPREAD_PCT: Final = 99.0
"""A stabiliser counts as fully extended from here: full less what a sensor may err. Own choice."""
PART_SPREAD_PCT: Final = 100.0 * PART_SPREAD
_STROKE_SLACK_M: Final = 0.05  # an extension that is out by less counts as in: own choice
_ANGLE_TRIES: Final = 25

Corners = list[tuple[float, float]]


def counted_spread(percent: float | None) -> Spread:
    """The charted spread that a stabiliser has reached [%]; one that is not read counts as retracted."""
    if percent is None or not percent >= PART_SPREAD_PCT:
        return Spread.NONE
    return Spread.FULL if percent >= FULL_SPREAD_PCT else Spread.PART


def outline(crane_type: CraneType) -> Corners:
    """Outline [m] of the hook points that the booms reach above ground, seen from the side; a fly jib is taken as fitted."""
    reached = envelope(crane_type, with_jib=crane_type.jib is not None, outreach_points=73, angle_steps=61)
    known = np.isfinite(reached.highest_m)
    x, top = reached.outreach_m[known], np.maximum(reached.highest_m[known], 0.0)
    bottom = np.maximum(reached.lowest_m[known], 0.0)
    there = list(zip(x, top, strict=True))
    back = list(zip(x[::-1], bottom[::-1], strict=True))
    return [(round(float(a), 2), round(float(b), 2)) for a, b in (*there, *back)]


def reach_m(crane_type: CraneType) -> float:
    """Farthest hook point of the outline [m]."""
    return max((x for x, _ in outline(crane_type)), default=0.0)


class SetUp(NamedTuple):
    """What the readings say about how a crane stands; None where they do not say it."""

    spread_left: Spread
    spread_right: Spread
    sectors: tuple[Sector, ...]  # in all of which the reading has to hold
    jib_fitted: bool | None
    stage: int | None  # extensions that are at least partly out


def held_charts(charts: Iterable[LoadChart], setup: SetUp) -> list[LoadChart]:
    """Charts that all have to hold: of the widest charted spread that the stabilisers have reached. Empty without one.

    A chart has to be there for every sector, or there is no capacity in that set-up.
    """
    fitting = [
        chart
        for chart in charts
        if SPREAD_RANK[chart.spread_left] <= SPREAD_RANK[setup.spread_left]
        and SPREAD_RANK[chart.spread_right] <= SPREAD_RANK[setup.spread_right]
        and setup.jib_fitted in (None, chart.jib_fitted)
        and (chart.stage is None or setup.stage is None or chart.stage == setup.stage)
    ]
    widest = max((_width(chart) for chart in fitting), default=None)
    standing = [
        chart
        for chart in fitting
        if _width(chart) == widest
        and (chart.sector is None or set(chart.sector.quarters) & set(setup.sectors))
    ]
    covered = {one for chart in standing for one in (chart.sector.quarters if chart.sector else QUARTERS)}
    return standing if covered >= set(setup.sectors) else []


def _width(chart: LoadChart) -> int:
    return SPREAD_RANK[chart.spread_left] + SPREAD_RANK[chart.spread_right]


def rated_kg(
    charts: Sequence[LoadChart],
    outreach_m: ArrayLike,
    hook_height_m: Sequence[float | None],
    jib_rated_kg: float = np.inf,
) -> Floats:
    """Rated capacity [kg] at outreaches [m] where all of some charts have to hold, at all of some hook heights [m]; 0 without."""
    at = np.asarray(outreach_m, float)
    if not charts:
        return np.zeros(at.shape)
    read = [capacity_kg(chart, at, height) for chart in charts for height in hook_height_m]
    jib = any(chart.jib_fitted for chart in charts)
    return np.asarray(np.minimum(np.min(read, axis=0), jib_rated_kg if jib else np.inf))


def curve(
    charts: Sequence[LoadChart], hook_height_m: Sequence[float | None], jib_rated_kg: float = np.inf
) -> Corners:
    """Corners (outreach [m], capacity [kg]) of the line that `rated_kg` draws, straight between them; empty without charts.

    Between two points of the charts the reading is level, so the line has steps; it is never above the reading.
    """
    at = sorted({point.outreach_m for chart in charts for point in chart.points})
    if len(at) < 2:
        return []
    middles = [(near + far) / 2 for near, far in zip(at, at[1:], strict=False)]
    level = rated_kg(charts, middles, hook_height_m, jib_rated_kg).tolist()
    first = float(rated_kg(charts, at[0], hook_height_m, jib_rated_kg))
    corners: Corners = [(at[0], first)] if first > level[0] else []
    for near, far, kg in zip(at, at[1:], level, strict=False):
        for corner in ((near, kg), (far, kg)):
            if len(corners) > 1 and corners[-1][1] == corners[-2][1] == kg:
                corners[-1] = corner
            elif not corners or corners[-1] != corner:
                corners.append(corner)
    while len(corners) > 1 and corners[-1][1] == corners[-2][1] == 0:
        corners.pop()
    return corners


def lift_curve(crane_type: CraneType, charts: Iterable[LoadChart], setup: SetUp, span: Span) -> Corners:
    """The line that a lift is read from: of one set-up exactly, in every sector of it, at every hook height of a span."""
    same = [
        chart
        for chart in charts
        if (chart.spread_left, chart.spread_right) == (setup.spread_left, setup.spread_right)
        and chart.stage == setup.stage
    ]
    held = held_charts(same, setup)
    heights: list[float | None] = [None] if span.any_height else []
    if span.hook_height_m is not None:
        low, high = span.hook_height_m
        between = {
            point.hook_height_m
            for chart in held
            for point in chart.points
            if point.hook_height_m is not None and low < point.hook_height_m < high
        }
        heights += [low, high, *sorted(between)]
    jib_rated = crane_type.jib.rated_capacity_kg if crane_type.jib else np.inf
    return curve(held, heights, jib_rated)


def outreach_m(crane_type: CraneType, readings: Mapping[str, ArrayLike]) -> Floats:
    """Outreach [m] that follows from the pose in some readings, each of one shape [deg, m]; NaN where angles are missing."""

    def of(name: str) -> Floats:
        return np.asarray(readings.get(name, np.nan), float)

    jib = of("jib_deg")
    with_jib = crane_type.jib is not None and bool(np.isfinite(jib).any())
    return pose(
        crane_type,
        of("main_boom_deg"),
        of("knuckle_boom_deg"),
        np.nan_to_num(of("extension_m")),
        jib if with_jib else None,
        np.nan_to_num(of("jib_extension_m")) if with_jib else None,
    ).outreach_m


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Poses drawn one after the other; arrays by frame, NaN where nothing is known."""

    joints_m: Floats  # (frame, joint, 2): main boom pivot, knuckle joint, tip, and with a jib its tip
    outreach_m: Floats
    hook_height_m: Floats
    left_m: Floats  # slewing axis to pad
    right_m: Floats
    rated_kg: Floats  # NaN without a pose; 0 without a chart for the set-up, or where a length of the boom is not read
    spread: list[tuple[Spread, Spread]]
    curve: NDArray[np.intp]  # index into curves, -1 without a pose
    curves: list[Corners]


def frames(
    crane_type: CraneType, charts: Sequence[LoadChart], readings: Mapping[str, Floats], count: int
) -> Frames:
    """Everything that drawings of some moments show. readings: channels by name [deg, m, %], each of shape (count,), NaN where missing."""
    nothing = np.full(count, np.nan)
    of = {name: np.asarray(readings.get(name, nothing), float) for name in CHANNELS}
    with_jib = crane_type.jib is not None and bool(np.isfinite(of["jib_deg"]).any())
    points = joints(
        crane_type,
        of["main_boom_deg"],
        of["knuckle_boom_deg"],
        np.nan_to_num(of["extension_m"]),
        of["jib_deg"] if with_jib else None,
        np.nan_to_num(of["jib_extension_m"]) if with_jib else None,
    )[..., 2:, :]
    if with_jib:
        # Where the jib sends nothing for a moment the boom tip stands in.
        lost = ~np.isfinite(points[:, 3, :])
        points[:, 3, :] = np.where(lost, points[:, 2, :], points[:, 3, :])
    outreach, height = points[:, -1, 0], points[:, -1, 1]
    setups = _set_ups(crane_type, of)
    jib_rated = crane_type.jib.rated_capacity_kg if crane_type.jib else np.inf
    whole = _lengths_read(crane_type, of, with_jib=with_jib)
    rated, which, curves = _rated(charts, setups, whole, outreach, height, jib_rated)
    pads = [
        [
            spread_m(crane_type.vehicle, 0.0 if value != value else value)
            for value in of[f"stabiliser_{side}_pct"]
        ]
        for side in ("left", "right")
    ]
    return Frames(
        joints_m=points,
        outreach_m=outreach,
        hook_height_m=height,
        left_m=np.array(pads[0], float),
        right_m=np.array(pads[1], float),
        rated_kg=rated,
        spread=[(setup.spread_left, setup.spread_right) for setup in setups],
        curve=which,
        curves=curves,
    )


CHANNELS: Final = (
    "main_boom_deg", "knuckle_boom_deg", "extension_m", "jib_deg", "jib_extension_m", "slew_deg",
    "stabiliser_left_pct", "stabiliser_right_pct",
)  # fmt: skip
"""What a drawing needs of a crane's readings."""


def _set_ups(crane_type: CraneType, of: dict[str, Floats]) -> list[SetUp]:
    strokes = np.cumsum([extension.stroke_m for extension in crane_type.extensions])
    stages = np.searchsorted(strokes, of["extension_m"] - _STROKE_SLACK_M, side="left") + 1
    out = of["extension_m"] > _STROKE_SLACK_M
    sectors = sector_of(of["slew_deg"])
    return [
        SetUp(
            counted_spread(left),
            counted_spread(right),
            QUARTERS if slew != slew else (sector,),
            None if crane_type.jib is None or jib != jib else True,
            None if extension != extension else int(stage) if is_out else 0,
        )
        for left, right, slew, sector, jib, extension, stage, is_out in zip(
            of["stabiliser_left_pct"], of["stabiliser_right_pct"], of["slew_deg"], sectors, of["jib_deg"],
            of["extension_m"], stages, out, strict=True,
        )
    ]  # fmt: skip


def _lengths_read(crane_type: CraneType, of: Mapping[str, Floats], *, with_jib: bool) -> NDArray[np.bool_]:
    """By frame: whether everything that lengthens the boom is read. What is drawn as run in may stand far out."""
    whole = np.ones(of["extension_m"].shape, np.bool_)
    if crane_type.extensions:
        whole &= np.isfinite(of["extension_m"])
    if with_jib and crane_type.jib is not None:
        whole &= np.isfinite(of["jib_deg"])
        if crane_type.jib.extensions:
            whole &= np.isfinite(of["jib_extension_m"])
    return whole


def _rated(
    charts: Sequence[LoadChart],
    setups: Sequence[SetUp],
    whole: NDArray[np.bool_],
    outreach: Floats,
    height: Floats,
    jib_rated: float,
) -> tuple[Floats, NDArray[np.intp], list[Corners]]:
    """Capacity by frame, which curve each has, and the curves: frames of one set-up between the same rows share one.

    There is no capacity where the boom is not read as a `whole`.
    """
    heights = np.array(
        sorted({p.hook_height_m for chart in charts for p in chart.points if p.hook_height_m is not None})
    )
    rated, which = np.full(outreach.size, np.nan), np.full(outreach.size, -1, np.intp)
    groups: dict[tuple[SetUp, bool, float, float], list[int]] = {}
    for index in np.flatnonzero(np.isfinite(outreach)).tolist():
        band = (
            float(np.searchsorted(heights, height[index], side="left")),
            float(np.searchsorted(heights, height[index], side="right")),
        )
        groups.setdefault((setups[index], bool(whole[index]), *band), []).append(index)
    curves: list[Corners] = []
    for (setup, is_whole, *_), members in groups.items():
        held = held_charts(charts, setup) if is_whole else []
        level = [float(height[members[0]])]
        rated[members] = rated_kg(held, outreach[members], level, jib_rated)
        drawn = curve(held, level, jib_rated)
        if drawn not in curves:
            curves.append(drawn)
        which[members] = curves.index(drawn)
    return rated, which, curves


def pose_reaching(
    crane_type: CraneType, outreach_m: float, hook_height_m: float
) -> NDArray[np.float64] | None:
    """Joints [m] of one pose that brings the hook to a point, with the least extension; None where none was found.

    Without a fly jib. The crane's own movements, its limiter and the operator decide how the point is really reached.
    """
    for extension in np.linspace(0.0, full_stroke_m(crane_type.extensions), _ANGLE_TRIES):
        main, knuckle = angles_for(crane_type, outreach_m, hook_height_m, extension)
        if np.isfinite(main):
            return joints(crane_type, main, knuckle, extension)[2:]
    return None
