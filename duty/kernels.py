"""The compiled loops of counting. Everything else in the room is numpy.

Four-point rule on successive turning points a, b, c, d: the pair (b, c) is closed and taken out when it lies inside
both its neighbours, on a rising c-d when a <= c and b <= d. Values are compared, never differences: b - a and d - c
round, and a rounded tie would make the count depend on how the history was cut.

A stack holds the points that are not closed. Its last point may be the newest value and no turning point yet.
Closing on it is safe: the signal either goes on the same way, and the last range only grows, or it turns there.
Which of two tied pairs is closed first makes no difference, because cells are undirected.

Compiled code is cached beside this file, or in the user's cache folder where this one is read-only.
"""

import math
from collections.abc import Callable
from typing import Any, Final, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Function = TypeVar("Function", bound=Callable[..., Any])

BLOCK: Final = 2048  # samples quantised at a time: scratch stays in the first-level cache


def compiled(function: Function) -> Function:
    """`function` by numba, released from the GIL, cached on disk where any cache folder can be written."""
    try:
        return cast("Function", numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:  # no folder for the cache: each process then compiles once, in its warm-up
        return cast("Function", numba.njit(nogil=True)(function))


@compiled
def close_classes(stack: Array, size: int, cells: Array, classes: int) -> int:
    """Close all pairs at the end of the stack into the flat grid `cells`; returns the new size of the stack."""
    while size >= 4:
        a, b, c, d = stack[size - 4], stack[size - 3], stack[size - 2], stack[size - 1]
        if b < c:
            if a < c or d > b:
                break
            cells[b * classes + c] += 1
        else:
            if a > c or d < b:
                break
            cells[c * classes + b] += 1
        stack[size - 3] = d
        size -= 2
    return size


@compiled
def push_classes(points: Array, stack: Array, size: int, cells: Array, classes: int) -> int:
    """Count on over the class indices `points`, turning points or not; returns the new size of the stack."""
    for value in points:
        if size > 0 and stack[size - 1] == value:
            continue
        if size > 1 and (stack[size - 1] > stack[size - 2]) == (value > stack[size - 1]):
            size -= 1
        stack[size] = value
        size = close_classes(stack, size + 1, cells, classes)
    return size


@compiled
def quantise(values: Array, low: float, width: float, classes: int, out: Array) -> tuple[int, int, int]:
    """Class of each value into `out`; returns how many were below, at or above the edges, and not finite."""
    below = above = broken = 0
    top = classes - 1.0
    for i in range(values.size):
        x = (values[i] - low) / width
        broken += x - x != 0.0
        below += x < 0.0
        above += x >= classes
        out[i] = np.int32(min(max(x, 0.0), top))
    return below, above, broken


@compiled
def turning_points(points: Array, size: int, out: Array) -> int:
    """Inner turning points of points[:size], no two neighbours equal, into `out`; returns how many. No branches."""
    found = 0
    for i in range(1, size - 1):
        out[found] = points[i]
        found += (points[i] > points[i - 1]) != (points[i + 1] > points[i])
    return found


@compiled
def count_block(
    block: Array, last: int, stack: Array, size: int, cells: Array, classes: int, scratch: Array
) -> int:
    """Count on over the classes `block` after the class `last`; the stack holds turning points only.

    scratch: two rows of at least block.size + 2. Returns the new size of the stack; the next `last` is block[-1].
    """
    changes, turns = scratch[0], scratch[1]
    changes[0] = stack[size - 1]
    changes[1] = last
    held = 1 + (last != changes[0])
    for i in range(block.size):
        changes[held] = block[i]
        held += block[i] != last
        last = block[i]
    for i in range(turning_points(changes, held, turns)):
        stack[size] = turns[i]
        size = close_classes(stack, size + 1, cells, classes)
    return size


@compiled
def count_last(last: int, stack: Array, size: int, cells: Array, classes: int) -> int:
    """Put the newest class on the stack, turning point or not; returns the new size of the stack."""
    if size > 0 and stack[size - 1] != last:
        stack[size] = last
        size = close_classes(stack, size + 1, cells, classes)
    return size


@compiled
def count_values(
    values: Array, low: float, width: float, classes: int, stack: Array, cells: Array
) -> tuple[int, int, int, int]:
    """Count the finite `values` from nothing; returns the size of the stack, the samples below, at or above the
    edges, and the start of the first block that holds a value that is not finite, or -1.
    """
    classed = np.empty(BLOCK, np.int32)
    scratch = np.empty((2, BLOCK + 2), np.int32)
    size, below, above, last = 0, 0, 0, 0
    for start in range(0, values.size, BLOCK):
        part = values[start : start + BLOCK]
        block = classed[: part.size]
        part_below, part_above, broken = quantise(part, low, width, classes, block)
        if broken:
            return size, below, above, start
        below += part_below
        above += part_above
        if size == 0:
            stack[0] = last = block[0]
            size = 1
        size = count_block(block, last, stack, size, cells, classes, scratch)
        last = block[-1]
    return count_last(last, stack, size, cells, classes), below, above, -1


@compiled
def project(structural_pct: Array, slew_deg: Array, along: Array, across: Array) -> None:
    """structural_pct times cosine and sine of slew_deg; a crane that does not slew costs no cosine."""
    slew, cosine, sine = 0.0, 1.0, 0.0
    for i in range(structural_pct.size):
        if slew_deg[i] != slew:
            slew = slew_deg[i]
            cosine, sine = math.cos(math.radians(slew)), math.sin(math.radians(slew))
        along[i] = structural_pct[i] * cosine
        across[i] = structural_pct[i] * sine


@compiled
def count_projections(
    structural_pct: Array,
    slew_deg: Array,
    cosines: Array,
    sines: Array,
    low: float,
    width: float,
    classes: int,
    stacks: Array,
    grids: Array,
    totals: Array,
) -> int:
    """Count every direction, block by block, while the block is in the cache.

    totals: one row a direction of stack size, samples below, at or above the edges, last class; filled here.
    Returns the start of the first block that holds a value that is not finite, or -1.
    """
    classed = np.empty(BLOCK, np.int32)
    scratch = np.empty((2, BLOCK + 2), np.int32)
    along, across, signal = np.empty(BLOCK), np.empty(BLOCK), np.empty(BLOCK)
    for start in range(0, structural_pct.size, BLOCK):
        part = structural_pct[start : start + BLOCK]
        held = part.size
        project(part, slew_deg[start : start + BLOCK], along, across)
        for k in range(cosines.size):
            for i in range(held):
                signal[i] = along[i] * cosines[k] + across[i] * sines[k]
            block = classed[:held]
            below, above, broken = quantise(signal[:held], low, width, classes, block)
            if broken:
                return start
            size, last = totals[k, 0], totals[k, 3]
            if size == 0:
                stacks[k, 0] = last = block[0]
                size = 1
            totals[k, 0] = count_block(block, last, stacks[k], size, grids[k], classes, scratch)
            totals[k, 1] += below
            totals[k, 2] += above
            totals[k, 3] = block[-1]
    for k in range(cosines.size):
        totals[k, 0] = count_last(totals[k, 3], stacks[k], totals[k, 0], grids[k], classes)
    return -1


def warm_up() -> None:
    """Load every kernel from the cache, or compile it: seconds once, milliseconds later."""
    stack, grid = np.empty(8, np.int32), np.zeros(9, np.int64)
    values, points = np.zeros(1), np.zeros(1, np.int64)
    count_values(values, 0.0, 1.0, 3, stack, grid)
    push_classes(points, stack, 0, grid, 3)
    totals = np.zeros((1, 4), np.int64)
    count_projections(values, values, values, values, 0.0, 1.0, 3, stack[None], grid[None], totals)
