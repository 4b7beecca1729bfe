"""Rated capacity read from load charts, on the safe side.

The reading never interpolates: at an outreach between two points of a chart it gives the capacity of the next
larger outreach, and where the chart has rows by hook height the smaller of the rows just below and just above.
A point of 0 kg is a hole: there is no capacity between the point before it and the point after it.
Outside the chart there is no capacity, and no capacity is 0 kg, so that a comparison with a load fails safely.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import ChartPoint, LoadChart
from duty.chart_pack import ALL_ROUND as ALL_ROUND
from duty.chart_pack import NO_CHARTS, Packed, heights_m
from duty.chart_pack import SECTORS as SECTORS
from duty.chart_pack import SPREAD_RANK as SPREAD_RANK
from duty.chart_pack import Floats as Floats
from duty.chart_pack import Ints as Ints

Flags = NDArray[np.bool_]


def rows_by_height(points: Sequence[ChartPoint]) -> list[tuple[float | None, list[ChartPoint]]]:
    """Rows of a chart, (hook_height_m, points by rising outreach), lowest first; height None holds at any height."""
    rows: dict[float | None, list[ChartPoint]] = {}
    for point in points:
        rows.setdefault(point.hook_height_m, []).append(point)
    return sorted(rows.items(), key=lambda row: -np.inf if row[0] is None else row[0])


def capacity_kg(chart: LoadChart, outreach_m: ArrayLike, hook_height_m: float | None = None) -> Floats:
    """Rated capacity [kg] of one chart at outreaches [m], read on the safe side; 0 outside the chart.

    Parameters
    ----------
    outreach_m : array of any shape. NaN reads as outside.
    hook_height_m : hook above ground. None, where a chart has rows by height, takes the worst of all rows.

    Returns an array of the shape of outreach_m.
    """
    at = np.asarray(outreach_m, float)
    if hook_height_m is None:
        return np.asarray(
            np.min([_read_row(points, at, at) for _, points in rows_by_height(chart.points)], axis=0)
        )
    return capacity_over_kg(chart, at, at, hook_height_m, hook_height_m)


def capacity_over_kg(
    chart: LoadChart,
    near_m: ArrayLike,
    far_m: ArrayLike,
    lowest_m: ArrayLike,
    highest_m: ArrayLike,
) -> Floats:
    """Rated capacity [kg] of one chart over rectangles of hook positions, the worst point of each; 0 where one is not covered.

    near_m, far_m: outreach from and to [m]; lowest_m, highest_m: hook height from and to [m]; arrays that broadcast, NaN reads as
    outside. Where both ends are equal it is `capacity_kg` at that point.
    """
    near, far, lowest, highest = (np.asarray(one, float) for one in (near_m, far_m, lowest_m, highest_m))
    rows = rows_by_height(chart.points)
    bounds = np.array([height for height, _ in rows if height is not None])
    least = np.full(np.broadcast_shapes(near.shape, far.shape, lowest.shape, highest.shape), np.inf)
    for height, points in rows:
        read = _read_row(points, near, far)
        if height is not None:
            # Between two rows both count; `below` and `above` are the neighbours of this one.
            index = int(np.searchsorted(bounds, height))
            below = bounds[index - 1] if index else -np.inf
            above = bounds[index + 1] if index + 1 < bounds.size else np.inf
            used = ((height >= lowest) | (above > lowest)) & ((height <= highest) | (below < highest))
            read = np.where(used, read, np.inf)
        least = np.minimum(least, read)
    if bounds.size:
        least = np.where((lowest >= bounds[0]) & (highest <= bounds[-1]), least, 0.0)
    return least


def _read_row(points: Sequence[ChartPoint], near_m: Floats, far_m: Floats) -> Floats:
    at = np.array([point.outreach_m for point in points])
    capacity = np.array([point.capacity_kg for point in points] + [0.0])
    read = np.where(near_m >= at[0], capacity[np.searchsorted(at, far_m, side="left")], 0.0)
    # A point of 0 is a hole from the point before it to the point after it.
    ends = np.concatenate([[-np.inf], at, [np.inf]])
    for hole in np.flatnonzero(capacity[:-1] == 0):
        read = np.where((near_m < ends[hole + 2]) & (far_m > ends[hole]), 0.0, read)
    return read


@dataclass(frozen=True, kw_only=True)
class ChartTable:
    """Many charts as flat arrays, so that a fleet is read in a few passes.

    A chart belongs to a variant (a crane type with its set of charts). The charts of a variant lie by setup: spread left
    and right, with a jib before without, stage. Rows of a chart lie one after the other, lowest hook height first, and so
    do the points of a row.
    """

    chart_variant: Ints  # which variant the chart belongs to, rising
    spread_left: Ints  # SPREAD_RANK
    spread_right: Ints
    sectors: Ints  # in which the chart holds: bit i for SECTORS[i], ALL_ROUND for all
    jib_fitted: Flags
    stage: Ints  # extensions run out, -1 for any
    chart_first_row: Ints
    height_low_m: Floats  # by chart: lowest row, -inf where the chart has no heights
    height_high_m: Floats
    row_first_point: Ints
    row_height_m: Floats  # NaN for a row that holds at any height
    row_below_m: Floats  # height of the row beneath it in the chart, -inf under the lowest
    row_above_m: Floats
    point_outreach_m: Floats
    point_capacity_kg: Floats
    hole_row: Ints  # points of 0 kg: their row, and the outreaches between which it leaves no capacity
    hole_from_m: Floats
    hole_to_m: Floats


def chart_table(chart_sets: Sequence[Packed]) -> ChartTable:
    """One packed set of charts per variant, put together; a variant may have none."""
    setups = np.concatenate([NO_CHARTS.setups, *(one.setups for one in chart_sets)])
    points = np.concatenate([NO_CHARTS.points, *(one.points for one in chart_sets)])
    variant = np.repeat(np.arange(len(chart_sets)), [len(one.setups) for one in chart_sets])
    chart, height = np.repeat(np.arange(len(setups)), setups[:, 5]), heights_m(points)
    starts_row = np.ones(chart.size, np.bool_)
    starts_row[1:] = (np.diff(chart) != 0) | (height[1:] != height[:-1])
    row_chart, row_height = chart[starts_row], height[starts_row]
    below, above = np.full(row_chart.size, -np.inf), np.full(row_chart.size, np.inf)
    follows = np.diff(row_chart) == 0
    # The row that holds at any height lies first, as -inf, and bounds nothing.
    below[1:][follows] = row_height[:-1][follows]
    above[:-1][follows & np.isfinite(row_height[:-1])] = row_height[1:][
        follows & np.isfinite(row_height[:-1])
    ]
    first_row = np.flatnonzero(np.diff(row_chart, prepend=-1))
    lowest, highest = np.zeros(0), np.zeros(0)
    if first_row.size:
        lowest = np.minimum.reduceat(np.where(np.isfinite(row_height), row_height, np.inf), first_row)
        highest = np.maximum.reduceat(row_height, first_row)
    by_height = np.isfinite(highest)
    row_of_point = np.cumsum(starts_row) - 1
    hole = np.flatnonzero(points[:, 1] == 0)
    before, after = np.maximum(hole - 1, 0), np.minimum(hole + 1, len(points) - 1)
    return ChartTable(
        hole_row=row_of_point[hole],
        hole_from_m=np.where(
            (hole > 0) & (row_of_point[before] == row_of_point[hole]), points[before, 0], -np.inf
        ),
        hole_to_m=np.where(
            (after > hole) & (row_of_point[after] == row_of_point[hole]), points[after, 0], np.inf
        ),
        chart_variant=variant,
        spread_left=setups[:, 0],
        spread_right=setups[:, 1],
        sectors=setups[:, 2],
        jib_fitted=setups[:, 3] > 0,
        stage=setups[:, 4],
        chart_first_row=first_row,
        height_low_m=np.where(by_height, lowest, -np.inf),
        height_high_m=np.where(by_height, highest, np.inf),
        row_first_point=np.flatnonzero(starts_row),
        row_height_m=np.where(np.isfinite(row_height), row_height, np.nan),
        row_below_m=below,
        row_above_m=above,
        point_outreach_m=np.ascontiguousarray(points[:, 0]),
        point_capacity_kg=np.ascontiguousarray(points[:, 1]),
    )


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What every chart of a table says about a span of outreach and hook height; arrays by chart."""

    capacity_kg: Floats  # 0 where the chart does not cover the whole span
    too_near: Flags  # the span begins nearer than the chart
    too_far: Flags  # the span ends farther out than the chart
    height_outside: (
        Flags  # the chart has rows by height, and the span leaves them or is not covered by each that counts
    )


def read_table(
    table: ChartTable,
    outreach_m: tuple[float, float],
    hook_height_m: tuple[float, float] | None,
    *,
    any_height: bool = False,
) -> Reading:
    """Read all charts at once over a rectangle, (low, high) outreach and hook height [m], the worst point of it.

    A point is a rectangle with equal ends; then the capacity equals `capacity_kg` of the chart. With `any_height`, or
    without a hook height, every row of a chart counts, as `capacity_kg` has it for a height of None.
    """
    if not table.chart_variant.size:
        none = np.zeros(0, np.bool_)
        return Reading(capacity_kg=np.zeros(0), too_near=none, too_far=none, height_outside=none)
    near, far = outreach_m
    any_height |= hook_height_m is None
    low, high = (np.nan, np.nan) if hook_height_m is None else hook_height_m
    starts = table.row_first_point
    lengths = np.diff(np.append(starts, table.point_outreach_m.size))
    step = np.add.reduceat((table.point_outreach_m < far).astype(np.intp), starts)
    beyond = step >= lengths
    before = near < table.point_outreach_m[starts]
    capacity = table.point_capacity_kg[starts + np.minimum(step, lengths - 1)]
    if table.hole_row.size:
        passed = (near < table.hole_to_m) & (far > table.hole_from_m)
        capacity[table.hole_row[passed]] = 0.0
    # NaN heights compare false, so a row that holds at any height is kept by the first term.
    unbound = np.isnan(table.row_height_m)
    used = (
        any_height
        | unbound
        | (
            ((table.row_height_m >= low) | (table.row_above_m > low))
            & ((table.row_height_m <= high) | (table.row_below_m < high))
        )
    )
    first = table.chart_first_row
    outside = (table.height_low_m > low) | (table.height_high_m < high)
    too_near = np.logical_or.reduceat(before & used, first) & ~outside
    too_far = np.logical_or.reduceat(beyond & used, first) & ~outside
    worst = np.minimum.reduceat(np.where(used, capacity, np.inf), first)
    if any_height:
        # Some rows cover the outreach and others do not: it is the height that is missing.
        by_height = (too_near | too_far) & np.logical_or.reduceat(~(before | beyond), first)
        outside, too_near, too_far = outside | by_height, too_near & ~by_height, too_far & ~by_height
    return Reading(
        capacity_kg=np.where(outside | too_near | too_far, 0.0, worst),
        too_near=too_near,
        too_far=too_far,
        height_outside=outside,
    )
