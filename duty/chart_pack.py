"""Load charts as small arrays, made once for each version, from which a whole fleet's table is put together.

A version of charts never changes, so its arrays can be kept: after a change of the fleet only what is new is packed.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.crane import QUARTERS, LoadChart, Sector, Spread

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SPREAD_RANK: Final = {Spread.NONE: 0, Spread.PART: 1, Spread.FULL: 2}
SECTORS: Final = QUARTERS
ALL_ROUND: Final = (1 << len(SECTORS)) - 1
"""Sectors of a chart that holds all round: bit i stands for SECTORS[i]."""
ALL_STAGES: Final = -1
_SPREAD_WORDS: Final[dict[str, int]] = {str(spread): rank for spread, rank in SPREAD_RANK.items()}
_SECTOR_BITS: Final[dict[str | None, int]] = {None: ALL_ROUND} | {
    sector: sum(1 << SECTORS.index(one) for one in sector.quarters) for sector in Sector
}


class Packed(NamedTuple):
    """A set of charts that hold together, as arrays: charts by setup, points by hook height, both with a stable sort.

    Setups lie by spread left, spread right, with a jib before without (so that without wins among equals), stage.
    """

    setups: (
        Ints  # (chart, 6): spread left and right (SPREAD_RANK), sectors as bits, jib, stage, number of points
    )
    points: Floats  # (point, 3): outreach [m], capacity [kg], hook height [m] or NaN, chart after chart


class PlainCharts(NamedTuple):
    """A set of charts as parallel lists: one entry a chart, and from `outreach_m` on one a point, chart after chart."""

    spread_left: Sequence[str]
    spread_right: Sequence[str]
    sector: Sequence[str | None]
    jib_fitted: Sequence[bool]
    stage: Sequence[int | None]
    points: Sequence[int]
    outreach_m: Sequence[float]
    capacity_kg: Sequence[float]
    hook_height_m: Sequence[float | None]


NO_CHARTS: Final = Packed(np.zeros((0, 6), np.intp), np.zeros((0, 3)))


def pack(charts: Sequence[LoadChart]) -> Packed:
    """Charts as arrays; they are sound, or they would not exist."""
    if not charts:
        return NO_CHARTS
    points = [point for chart in charts for point in chart.points]
    return _arrays(
        [
            PlainCharts(
                [chart.spread_left for chart in charts],
                [chart.spread_right for chart in charts],
                [chart.sector for chart in charts],
                [chart.jib_fitted for chart in charts],
                [chart.stage for chart in charts],
                [len(chart.points) for chart in charts],
                [point.outreach_m for point in points],
                [point.capacity_kg for point in points],
                [point.hook_height_m for point in points],
            )
        ]
    )


def pack_stored(stored: Sequence[PlainCharts]) -> list[Packed | None]:
    """Sets of charts as they were kept, one result for each; None for a set that breaks the rules of a load chart.

    They were checked when they were entered. What was put there past the checks is refused here as a whole: in a
    row the outreach has to rise and the capacity not to rise, and every number to be finite and not negative.
    """
    complete = [one for one in stored if _complete(one)]
    try:
        whole = _arrays(complete)
    except (KeyError, ValueError, TypeError):
        if len(stored) == 1:
            return [None]
        return [one for each in stored for one in pack_stored([each])]
    chart_ends = np.cumsum([len(one.points) for one in complete]).tolist()
    point_ends = np.cumsum([len(one.outreach_m) for one in complete]).tolist()
    sound = _sound(whole, chart_ends)
    packed = iter(
        Packed(whole.setups[charts_from:charts_to], whole.points[points_from:points_to]) if fine else None
        for fine, charts_from, charts_to, points_from, points_to in zip(
            sound, [0, *chart_ends], chart_ends, [0, *point_ends], point_ends, strict=False
        )
    )
    return [next(packed) if _complete(one) else None for one in stored]


def _complete(one: PlainCharts) -> bool:
    points = [size for size in one.points if isinstance(size, int) and size >= 2]
    charts = {len(part) for part in one[:6]}
    return charts == {len(points)} and {len(part) for part in one[6:]} == {sum(points)}


def _arrays(sets: Sequence[PlainCharts]) -> Packed:
    """Several complete sets one after the other. Words are looked up as they stand: they equal their enumeration."""
    setups = np.empty((sum(len(one.points) for one in sets), 6), np.intp)
    setups[:, 0] = [_SPREAD_WORDS[word] for one in sets for word in one.spread_left]
    setups[:, 1] = [_SPREAD_WORDS[word] for one in sets for word in one.spread_right]
    setups[:, 2] = [_SECTOR_BITS[word] for one in sets for word in one.sector]
    setups[:, 3] = [bool(jib) for one in sets for jib in one.jib_fitted]
    setups[:, 4] = [ALL_STAGES if stage is None else stage for one in sets for stage in one.stage]
    setups[:, 5] = [size for one in sets for size in one.points]
    points = np.empty((sum(len(one.outreach_m) for one in sets), 3))
    points[:, 0] = [outreach for one in sets for outreach in one.outreach_m]
    points[:, 1] = [capacity for one in sets for capacity in one.capacity_kg]
    points[:, 2] = [np.nan if height is None else height for one in sets for height in one.hook_height_m]
    left, right, _, jib, stage, sizes = setups.T
    of_set = np.repeat(np.arange(len(sets)), [len(one.points) for one in sets])
    order = np.lexsort((stage, jib == 0, right, left, of_set))
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return Packed(setups[order], points[np.lexsort((heights_m(points), np.repeat(place, sizes)))])


def heights_m(points: Floats) -> Floats:
    """Hook heights of points, -inf where a point holds at any height."""
    return np.where(np.isnan(points[:, 2]), -np.inf, points[:, 2])


def _sound(whole: Packed, chart_ends: Sequence[int]) -> list[bool]:
    """By set, the last chart of each being given: whether its rows rise in outreach and do not rise in capacity."""
    sizes = whole.setups[:, 5]
    chart = np.repeat(np.arange(sizes.size), sizes)
    height = heights_m(whole.points)
    outreach, capacity = whole.points[:, 0], whole.points[:, 1]
    same_row = (np.diff(chart) == 0) & (height[1:] == height[:-1])
    wrong = ~(np.isfinite(outreach) & np.isfinite(capacity) & (outreach >= 0) & (capacity >= 0))
    wrong[1:] |= same_row & ~(np.diff(outreach) > 0)
    carrying = np.flatnonzero(capacity != 0)  # a point of 0 is a hole, which capacity may rise behind
    row = np.cumsum(np.append(True, ~same_row)) - 1 if chart.size else chart
    rises = (np.diff(row[carrying]) == 0) & ~(np.diff(capacity[carrying]) <= 0)
    wrong[carrying[1:]] |= rises
    unsound = np.searchsorted(chart_ends, chart[wrong], side="right")
    fine = np.ones(len(chart_ends), np.bool_)
    fine[unsound] = False
    return fine.tolist()
