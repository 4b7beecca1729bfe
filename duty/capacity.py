"""Rated capacity read from load charts, on the safe side.

The reading never interpolates: at an outreach between two points of a chart it gives the capacity of the next
larger outreach, and where the chart has rows by hook height the smaller of the rows just below and just above.
Outside the chart there is no capacity, and no capacity is 0 kg, so that a comparison with a load fails safely.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import ChartPoint, LoadChart, Sector, Spread

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

SPREAD_RANK: Final = {Spread.NONE: 0, Spread.PART: 1, Spread.FULL: 2}
SECTORS: Final = (Sector.OVER_CAB, Sector.SIDE, Sector.REAR)
ALL_ROUND: Final = -1
"""Sector index of a chart that holds all round."""


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
    wanted = np.asarray(outreach_m, float)
    rows = rows_by_height(chart.points)
    heights = [height for height, _ in rows if height is not None]
    if hook_height_m is None or not heights:
        used = rows
    elif not heights[0] <= hook_height_m <= heights[-1]:
        return np.zeros(wanted.shape)
    else:
        below = max(height for height in heights if height <= hook_height_m)
        above = min(height for height in heights if height >= hook_height_m)
        used = [row for row in rows if row[0] is None or row[0] in (below, above)]
    return np.asarray(np.min([_read_row(points, wanted) for _, points in used], axis=0))


def _read_row(points: Sequence[ChartPoint], outreach_m: Floats) -> Floats:
    at = np.array([point.outreach_m for point in points])
    capacity = np.array([point.capacity_kg for point in points] + [0.0])
    index = np.searchsorted(at, outreach_m, side="left")
    return np.where(outreach_m >= at[0], capacity[index], 0.0)


@dataclass(frozen=True, kw_only=True)
class ChartTable:
    """Many charts as flat arrays, so that a fleet is read in a few passes.

    A chart belongs to a variant (a crane type with its set of charts); its rows lie one after the other, lowest
    hook height first, and so do the points of a row.
    """

    charts: tuple[LoadChart, ...]
    chart_variant: Ints  # which variant the chart belongs to, rising
    spread_left: Ints  # SPREAD_RANK
    spread_right: Ints
    sector: Ints  # index into SECTORS, or ALL_ROUND
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


def chart_table(chart_sets: Iterable[Sequence[LoadChart]]) -> ChartTable:
    """Flatten one sequence of charts per variant; a variant may have none."""
    charts: list[LoadChart] = []
    variants: list[int] = []
    first_rows: list[int] = []
    bounds: list[tuple[float, float]] = []
    first_points: list[int] = []
    row_heights: list[tuple[float, float, float]] = []
    outreaches: list[float] = []
    capacities: list[float] = []
    for variant, chart_set in enumerate(chart_sets):
        for chart in chart_set:
            charts.append(chart)
            variants.append(variant)
            first_rows.append(len(first_points))
            rows = rows_by_height(chart.points)
            heights = [height for height, _ in rows if height is not None]
            bounds.append((heights[0], heights[-1]) if heights else (-np.inf, np.inf))
            ladder = [-np.inf, *heights, np.inf]
            for height, points in rows:
                step = 0 if height is None else ladder.index(height)
                row_heights.append(
                    (np.nan, -np.inf, np.inf)
                    if height is None
                    else (height, ladder[step - 1], ladder[step + 1])
                )
                first_points.append(len(outreaches))
                outreaches.extend(point.outreach_m for point in points)
                capacities.extend(point.capacity_kg for point in points)
    return ChartTable(
        charts=tuple(charts),
        chart_variant=np.array(variants, np.intp),
        spread_left=np.array([SPREAD_RANK[chart.spread_left] for chart in charts], np.intp),
        spread_right=np.array([SPREAD_RANK[chart.spread_right] for chart in charts], np.intp),
        sector=np.array(
            [ALL_ROUND if chart.sector is None else SECTORS.index(chart.sector) for chart in charts], np.intp
        ),
        jib_fitted=np.array([chart.jib_fitted for chart in charts], np.bool_),
        stage=np.array([-1 if chart.stage is None else chart.stage for chart in charts], np.intp),
        chart_first_row=np.array(first_rows, np.intp),
        height_low_m=np.array([low for low, _ in bounds], float),
        height_high_m=np.array([high for _, high in bounds], float),
        row_first_point=np.array(first_points, np.intp),
        row_height_m=np.array([height for height, _, _ in row_heights], float),
        row_below_m=np.array([below for _, below, _ in row_heights], float),
        row_above_m=np.array([above for _, _, above in row_heights], float),
        point_outreach_m=np.array(outreaches, float),
        point_capacity_kg=np.array(capacities, float),
    )


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What every chart of a table says about a span of outreach and hook height; arrays by chart."""

    capacity_kg: Floats  # 0 where the chart does not cover the whole span
    too_near: Flags  # the span begins nearer than the chart
    too_far: Flags  # the span ends farther out than the chart
    height_outside: Flags  # the chart has rows by height and the span leaves them


def read_table(
    table: ChartTable, outreach_m: tuple[float, float], hook_height_m: tuple[float, float]
) -> Reading:
    """Read all charts at once over a rectangle, (low, high) outreach and hook height [m], the worst point of it.

    A point is a rectangle with equal ends; then the capacity equals `capacity_kg` of the chart.
    """
    if not table.charts:
        none = np.zeros(0, np.bool_)
        return Reading(capacity_kg=np.zeros(0), too_near=none, too_far=none, height_outside=none)
    near, far = outreach_m
    low, high = hook_height_m
    starts = table.row_first_point
    lengths = np.diff(np.append(starts, table.point_outreach_m.size))
    step = np.add.reduceat((table.point_outreach_m < far).astype(np.intp), starts)
    beyond = step >= lengths
    before = near < table.point_outreach_m[starts]
    capacity = table.point_capacity_kg[starts + np.minimum(step, lengths - 1)]
    # NaN heights compare false, so a row that holds at any height is kept by the first term.
    unbound = np.isnan(table.row_height_m)
    used = unbound | (
        ((table.row_height_m >= low) | (table.row_above_m > low))
        & ((table.row_height_m <= high) | (table.row_below_m < high))
    )
    first = table.chart_first_row
    outside = (table.height_low_m > low) | (table.height_high_m < high)
    too_near = np.logical_or.reduceat(before & used, first) & ~outside
    too_far = np.logical_or.reduceat(beyond & used, first) & ~outside
    worst = np.minimum.reduceat(np.where(used, capacity, np.inf), first)
    return Reading(
        capacity_kg=np.where(outside | too_near | too_far, 0.0, worst),
        too_near=too_near,
        too_far=too_far,
        height_outside=outside,
    )
