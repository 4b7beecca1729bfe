"""Samples as cells: the compiled pass over every sample of `duty.lifts`, which tells the rule.

The load of a second is the mean of its samples, so noise and the bouncing of the booms hardly count. A cell reaches from
the least of its seconds to the most, with the tolerance on either side: so a swing inside it is no change.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from duty.kernels import compiled
from duty.lift_rows import (
    HIGHEST,
    LIFT,
    LOWEST,
    PER_UNIT,
    ROW,
    Ints,
    Rows,
    found,
    reduced,
    turned_mdeg,
    valleys,
)

Floats = NDArray[np.float64]

_LARGEST_KG: Final = 200_000.0  # more is a broken pose; it also keeps the integer sums far from overflow
_TRANSPORT: Final = int(Mode.TRANSPORT)
_SECOND_MS: Final = 1000


@compiled
def _begin(row: Any, at_ms: int) -> None:
    row.first_ms = at_ms
    row.recorded_ms = row.arm = row.arm_level = row.mass_weight = row.mass_weighted = row.travel_mdeg = 0
    row.level = row.half = row.least_half = row.most_half = 0
    row.low = row.least = HIGHEST
    row.high = row.most = LOWEST
    row.peak_utilisation_pct = row.peak_structural_pct = row.peak_outreach_m = np.nan
    row.least_left_pct = row.least_right_pct = row.first_slew_deg = row.last_slew_deg = np.nan


@compiled
def _weigh(row: Any, sums: Ints, load: float, whole: float, half: float, lever: int, weight: int) -> None:
    """Takes in the load of one sample, the whole tolerance at its pose, and the one on either side of it [kg or %]."""
    level = int(np.rint(load * PER_UNIT))
    sums[0] += 1
    sums[1] += level
    sums[2] += int(np.rint(whole * PER_UNIT))
    sums[3] += int(np.rint(half * PER_UNIT))
    row.arm += lever
    row.arm_level += lever * level
    row.mass_weight += weight
    row.mass_weighted += weight * level


@compiled
def _end_second(row: Any, sums: Ints, of_cell: Ints) -> None:
    """Takes in the means of a second, and empties its sums into those of the cell."""
    if sums[0]:
        level, whole = int(np.rint(sums[1] / sums[0])), int(np.rint(sums[2] / sums[0]))
        half = int(np.rint(sums[3] / sums[0]))
        row.low, row.high = min(row.low, level - half), max(row.high, level + half)
        if level < row.least:
            row.least, row.least_half = level, whole
        if level > row.most:
            row.most, row.most_half = level, whole
    of_cell += sums
    sums[:] = 0


@compiled
def _end_cell(row: Any, sums: Ints) -> None:
    if sums[0]:
        row.level, row.half = int(np.rint(sums[1] / sums[0])), int(np.rint(sums[2] / sums[0]))
    sums[:] = 0


@compiled
def _slew(row: Any, slew: float) -> None:
    if np.isnan(slew):
        return
    if np.isnan(row.first_slew_deg):
        row.first_slew_deg = slew
    row.travel_mdeg += turned_mdeg(row.last_slew_deg, slew)
    row.last_slew_deg = slew


@compiled
def has_pose(utilisation: Floats, mode: Any, base: Floats, arm: Floats) -> bool:
    """Whether the pose is known for at least half of the readings outside transport."""
    readings = posed = 0
    for i in range(utilisation.size):
        if np.isfinite(utilisation[i]) and not (mode.size and mode[i] == _TRANSPORT):
            readings += 1
            posed += np.isfinite(base[i]) and np.isfinite(arm[i])
    return posed > 0 and 2 * posed >= readings


@compiled
def cells(
    time: Ints,
    step: Ints,
    utilisation: Floats,
    structural: Floats,
    base: Floats,
    kg_per_pct: Floats,
    arm: Floats,
    outreach: Any,
    slew: Any,
    mode: Any,
    left: Any,
    right: Any,
    posed: Any,
    tolerance: Any,
    light_share: Any,
    least_arm_m: Any,
    cell_ms: Any,
    rows: Rows,
) -> tuple[int, int]:
    """One row for each cell in which there are samples; an array of no length stands for a reading that there is not.

    Returns how many, and the time of readings whose pose is not known. (-1, place) where the times do not rise.
    """
    size, cell, second, no_pose_ms = 0, 0, 0, 0
    of_second, of_cell = (
        np.zeros(4, np.int64),
        np.zeros(4, np.int64),
    )  # samples, sum of loads, of whole tolerances, of those on either side
    for i in range(time.size):
        if i and time[i] <= time[i - 1]:
            return -1, i
        u = utilisation[i]
        if not np.isfinite(u) or (mode.size and mode[i] == _TRANSPORT):
            continue
        known = base.size > 0 and np.isfinite(base[i]) and np.isfinite(arm[i])
        if not known:
            no_pose_ms += step[i]
        elif posed and arm[i] < least_arm_m:
            continue
        if size == 0 or time[i] // _SECOND_MS != second:
            if size:
                _end_second(rows[size - 1], of_second, of_cell)
            second = time[i] // _SECOND_MS
            if size == 0 or time[i] // cell_ms != cell:
                if size:
                    _end_cell(rows[size - 1], of_cell)
                cell = time[i] // cell_ms
                _begin(rows[size], time[i])
                size += 1
        row = rows[size - 1]
        row.last_ms = time[i]
        row.recorded_ms += step[i]
        if not posed:
            _weigh(row, of_second, u, tolerance, tolerance, 1, 0)
        elif known and abs((u - base[i]) * kg_per_pct[i]) < _LARGEST_KG:
            lever, weight = int(np.rint(arm[i] * 100.0)), int(np.rint(max(u - base[i], 0.0) * 10.0))
            load = (u - base[i]) * kg_per_pct[i]
            whole = tolerance * kg_per_pct[i]
            part = light_share + (1.0 - light_share) * min(max(u, 0.0), 100.0) / 100.0
            _weigh(row, of_second, load, whole, part * whole, lever, weight)
        row.peak_utilisation_pct = np.fmax(row.peak_utilisation_pct, u)
        row.peak_structural_pct = np.fmax(row.peak_structural_pct, structural[i])
        if outreach.size:
            row.peak_outreach_m = np.fmax(row.peak_outreach_m, outreach[i])
        if left.size:
            row.least_left_pct = np.fmin(row.least_left_pct, left[i])
        if right.size:
            row.least_right_pct = np.fmin(row.least_right_pct, right[i])
        if slew.size:
            _slew(row, slew[i])
    if size:
        _end_second(rows[size - 1], of_second, of_cell)
        _end_cell(rows[size - 1], of_cell)
    return size, no_pose_ms


def warm_up() -> None:
    """Load every kernel from the cache, or compile it."""
    time, no, load = np.arange(4) * 3000, np.empty(0, np.float32), np.array([0.0, 9.0, 0.0, 9.0])
    ones, rows = np.ones(4), np.empty(4, ROW)
    has_pose(load, no, ones, ones)
    cells(time, time, load, load, ones, ones, ones, no, no, no, no, no, True, 1.0, 1.0, 1.0, 3000, rows)
    turns, levels, out = np.empty(4, np.int64), np.empty(4, np.int64), np.empty(4, LIFT)
    held = reduced(rows, 0, 0, turns, levels)
    valleys(turns[:held], False)
    found(rows[:held], turns[:held], levels[:held], 0, True, 3000, 1.0, 1.0, 1.0, out)
