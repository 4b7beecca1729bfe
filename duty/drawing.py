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
from domain.dispatch_answers import DispatchCandidate
from duty.capacity import SECTORS, SPREAD_RANK, capacity_kg, capacity_over_kg
from duty.geometry import Floats, Pose, angles_for, envelope, full_stroke_m, joints, pose
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


class SetUp(NamedTuple):
    """What the readings say about how a crane stands; None where they do not say it."""

    spread_left: Spread
    spread_right: Spread
    sectors: tuple[Sector, ...]  # in all of which the reading has to hold
    jib_fitted: bool | None
    stage: int | None  # extensions that are at least partly out


def set_up_of(found: DispatchCandidate, span: Span) -> SetUp:
    """The set-up that was answered, in the sectors that count."""
    return SetUp(
        found.spread_left or Spread.NONE,
        found.spread_right or Spread.NONE,
        tuple(SECTORS[index] for index in span.sectors),
        found.jib_fitted,
        found.stage,
    )


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


class Seen(NamedTuple):
    """Where the hook stood in the samples that a frame stands for, arrays by frame: one sample each, or several of one moment."""

    near_m: Floats  # outreach from and to; NaN without angles
    far_m: Floats
    lowest_m: Floats  # hook height from and to
    highest_m: Floats
    stage: (
        Floats  # extensions that are at least partly out; NaN where not read, or not the same in all samples
    )
    whole: NDArray[np.bool_]  # everything that lengthens the boom was read in all samples

    def of(self, chosen: NDArray[np.intp]) -> "Seen":
        """Some of the frames."""
        return Seen(
            self.near_m[chosen],
            self.far_m[chosen],
            self.lowest_m[chosen],
            self.highest_m[chosen],
            self.stage[chosen],
            self.whole[chosen],
        )


def seen(crane_type: CraneType, readings: Mapping[str, ArrayLike]) -> Seen:
    """Where the hook stands in some readings, each sample by itself: channels by name [deg, m], all of one shape, NaN where missing.

    What is not read counts as run in and is told by `whole`: the hook may then stand farther out.
    """

    def of(name: str) -> Floats:
        return np.asarray(readings.get(name, np.nan), float)

    jib = of("jib_deg")
    with_jib = crane_type.jib is not None and bool(np.isfinite(jib).any())
    at = pose(
        crane_type,
        of("main_boom_deg"),
        of("knuckle_boom_deg"),
        np.nan_to_num(of("extension_m")),
        # Where the jib sends nothing for a moment the boom tip stands in.
        jib if with_jib else None,
        np.nan_to_num(of("jib_extension_m")) if with_jib else None,
    )
    if with_jib:
        tip = pose(crane_type, of("main_boom_deg"), of("knuckle_boom_deg"), np.nan_to_num(of("extension_m")))
        lost = np.isnan(jib)
        at = Pose(*(np.where(lost, one, other) for one, other in zip(tip, at, strict=True)))
    strokes = np.cumsum([extension.stroke_m for extension in crane_type.extensions])
    extension = of("extension_m")
    stages = np.searchsorted(strokes, extension - _STROKE_SLACK_M, side="left") + 1
    stage = np.where(extension > _STROKE_SLACK_M, stages, np.where(np.isnan(extension), np.nan, 0.0))
    shape = at.outreach_m.shape
    whole = np.ones(shape, np.bool_)
    needed = ["extension_m"] if crane_type.extensions else []
    if with_jib and crane_type.jib is not None:
        needed += ["jib_deg", *(["jib_extension_m"] if crane_type.jib.extensions else [])]
    for name in needed:
        whole &= np.isfinite(of(name))
    return Seen(
        at.outreach_m, at.outreach_m, at.hook_height_m, at.hook_height_m, np.broadcast_to(stage, shape), whole
    )


def outreach_m(crane_type: CraneType, readings: Mapping[str, ArrayLike]) -> Floats:
    """Outreach [m] that follows from the pose in some readings; NaN where an angle or a length of the boom is missing."""
    found = seen(crane_type, readings)
    return np.where(found.whole, found.far_m, np.nan)


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Poses drawn one after the other; arrays by frame, NaN where nothing is known."""

    joints_m: Floats  # (frame, joint, 2): main boom pivot, knuckle joint, tip, and with a jib its tip
    outreach_m: Floats  # the farthest of the samples; NaN where a length of the boom is not read
    hook_height_m: Floats
    left_m: Floats  # slewing axis to pad
    right_m: Floats
    rated_kg: Floats  # NaN without a pose; 0 without a chart for the set-up, or where a length of the boom is not read
    spread: list[tuple[Spread, Spread]]
    curve: NDArray[np.intp]  # index into curves, -1 without a pose
    curves: list[Corners]


def frames(
    crane_type: CraneType,
    charts: Sequence[LoadChart],
    readings: Mapping[str, Floats],
    count: int,
    stood: Seen | None = None,
) -> Frames:
    """Everything that drawings of some moments show. readings: channels by name [deg, m, %], each of shape (count,), NaN where missing.

    stood: where the hook was, for frames that stand for several samples each; the readings themselves when None.
    """
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
    stood = seen(crane_type, of) if stood is None else stood
    setups = _set_ups(crane_type, of, stood)
    jib_rated = crane_type.jib.rated_capacity_kg if crane_type.jib else np.inf
    rated, which, curves = _rated(charts, setups, stood, jib_rated)
    pads = [
        [
            spread_m(crane_type.vehicle, 0.0 if value != value else value)
            for value in of[f"stabiliser_{side}_pct"]
        ]
        for side in ("left", "right")
    ]
    return Frames(
        joints_m=points,
        outreach_m=np.where(stood.whole, stood.far_m, np.nan),
        hook_height_m=np.where(stood.whole, points[:, -1, 1], np.nan),
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


def _set_ups(crane_type: CraneType, of: dict[str, Floats], stood: Seen) -> list[SetUp]:
    sectors = sector_of(of["slew_deg"])
    return [
        SetUp(
            counted_spread(left),
            counted_spread(right),
            QUARTERS if slew != slew else (sector,),
            None if crane_type.jib is None or jib != jib else True,
            None if stage != stage else int(stage),
        )
        for left, right, slew, sector, jib, stage in zip(
            of["stabiliser_left_pct"], of["stabiliser_right_pct"], of["slew_deg"], sectors, of["jib_deg"],
            stood.stage, strict=True,
        )
    ]  # fmt: skip


def _rated(
    charts: Sequence[LoadChart], setups: Sequence[SetUp], stood: Seen, jib_rated: float
) -> tuple[Floats, NDArray[np.intp], list[Corners]]:
    """Capacity by frame, which curve each has, and the curves: frames of one set-up between the same rows share one.

    There is no capacity where the boom is not read as a whole.
    """
    heights = np.array(
        sorted({p.hook_height_m for chart in charts for p in chart.points if p.hook_height_m is not None})
    )
    rated, which = np.full(stood.far_m.size, np.nan), np.full(stood.far_m.size, -1, np.intp)
    groups: dict[tuple[SetUp, bool, int, int, int, int], list[int]] = {}
    for index in np.flatnonzero(np.isfinite(stood.far_m)).tolist():
        low, high = stood.lowest_m[index], stood.highest_m[index]
        band = (
            int(np.searchsorted(heights, low, side="left")),
            int(np.searchsorted(heights, low, side="right")),
            int(np.searchsorted(heights, high, side="left")),
            int(np.searchsorted(heights, high, side="right")),
        )
        groups.setdefault((setups[index], bool(stood.whole[index]), *band), []).append(index)
    curves: list[Corners] = []
    for (setup, is_whole, _, after, _, until), members in groups.items():
        held = held_charts(charts, setup) if is_whole else []
        rated[members] = _worst_kg(held, stood, members, jib_rated)
        ends = [float(stood.lowest_m[members[0]]), float(stood.highest_m[members[0]])]
        drawn = curve(held, [*dict.fromkeys(ends), *heights[after:until].tolist()], jib_rated)
        if drawn not in curves:
            curves.append(drawn)
        which[members] = curves.index(drawn)
    return rated, which, curves


def _worst_kg(held: Sequence[LoadChart], stood: Seen, members: list[int], jib_rated: float) -> Floats:
    """Capacity [kg] of frames in one set-up, at the worst of where the hook stood; 0 without charts."""
    if not held:
        return np.zeros(len(members))
    there = stood.of(np.array(members, np.intp))
    over = (there.near_m, there.far_m, there.lowest_m, there.highest_m)
    jib = any(chart.jib_fitted for chart in held)
    read = np.min([capacity_over_kg(chart, *over) for chart in held], axis=0)
    return np.asarray(np.minimum(read, jib_rated if jib else np.inf))


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
