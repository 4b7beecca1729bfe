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
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic
from numpy.typing import NDArray

Array = NDArray[Any]
Scale = tuple[float, float, float, float, float, float]
Word = Any  # np.uint64: bits of 64 samples, or an index that numba need not check for being negative
Function = TypeVar("Function", bound=Callable[..., Any])

PASSES: Final = 2  # each takes about two thirds of the turning points of noise; measured
BLOCK: Final = 2048  # samples quantised at a time: scratch stays in the first-level cache
GATHER: Final = np.uint64(0x0102040810204080)  # carries bit 0 of byte k to bit 56 + k
# Typed, because a plain 0 or 1 as an argument makes numba compile a function once more.
NONE: Final[Any] = np.int64(0)
ONE: Final[Any] = np.int64(1)
UNMOVED: Final[Any] = np.int64(-1)  # a signal that has neither risen nor fallen yet
EVEN: Final = np.uint64(0x5555555555555555)  # every other bit


def compiled(function: Function) -> Function:
    """`function` by numba, released from the GIL, cached on disk where any cache folder can be written."""
    try:
        return cast("Function", numba.njit(cache=True, nogil=True, error_model="numpy")(function))
    except RuntimeError:  # no folder for the cache: each process then compiles once, in its warm-up
        return cast("Function", numba.njit(nogil=True, error_model="numpy")(function))


@compiled
def quantise(values: Array, scale: Scale, out: Array) -> tuple[int, int, int]:
    """Class of each value into `out`; returns how many were below, at or above the edges, and not finite.

    scale: of duty.edges.Edges. What lies outside the equal classes counts `share` as many classes from their end.
    """
    low, width, equal, before, share, size = scale
    below = above = broken = 0
    top = size - 1.0
    for i in range(values.size):
        x = (values[i] - low) / width
        broken += values[i] - values[i] != 0.0
        inside = min(max(x, 0.0), equal)
        x = inside + (x - inside) * share + before
        below += x < 0.0
        above += x >= size
        out[i] = np.int32(min(max(x, 0.0), top))
    return below, above, broken


@compiled
def quantise_direction(
    along: Array, across: Array, cosine: float, sine: float, scale: Scale, out: Array
) -> tuple[int, int]:
    """Class of along * cosine + across * sine into `out`, as quantise does it, without storing the sum in between.

    Returns how many were below, and at or above the edges.
    """
    low, width, equal, before, share, size = scale
    below = above = 0
    top = size - 1.0
    for i in range(along.size):
        x = (along[i] * cosine + across[i] * sine - low) / width
        inside = min(max(x, 0.0), equal)
        x = inside + (x - inside) * share + before
        below += x < 0.0
        above += x >= size
        out[i] = np.int32(min(max(x, 0.0), top))
    return below, above


def _lowest_place(typing_context: object, word: object) -> tuple[object, object]:
    def generate(context: object, builder: Any, signature: object, arguments: Any) -> Any:
        return builder.cttz(arguments[0], cgutils.true_bit)

    return types.uint64(types.uint64), generate


# Place of the lowest set bit of a word that is not 0: one machine instruction, for which numba has no name.
lowest_place = cast("Callable[[Word], Word]", intrinsic(_lowest_place))


@compiled
def gathered(flags: Array, word: int) -> Word:
    """64 flags of one byte each, 0 or 1, as the bits of one word. The product puts eight of them side by side."""
    bits = np.uint64(0)
    for k in range(8):
        bits |= ((flags[8 * word + k] * GATHER) >> np.uint64(56)) << np.uint64(8 * k)
    return bits


@compiled
def turning_points(
    signal: Array, start: int, stop: int, rising: int, flags: Array, turns: Array
) -> tuple[int, int]:
    """Turning points that signal[start:stop] makes certain, into `turns`; signal[start - 1] is the newest before.

    rising: 1 when the signal rose to that one, 0 when it fell, -1 when it has not moved yet.
    flags: scratch of two rows of BLOCK / 8 words.
    Returns how many, and the new `rising`.

    64 samples at a time: bits of rises and of falls, and plateaus in between. The direction before each sample is
    the carry into its bit when rises generate a carry, falls stop it, and plateaus hand it on.
    """
    if rising < 0:
        for i in range(start, stop):
            if signal[i] != signal[i - 1]:
                rising = int(signal[i] > signal[i - 1])
                break
        if rising < 0:
            return 0, rising
    up, down = flags[0].view(np.uint8), flags[1].view(np.uint8)
    words = (stop - start + 63) // 64
    up[64 * (words - 1) : 64 * words] = 0
    down[64 * (words - 1) : 64 * words] = 0
    for i in range(stop - start):
        up[i] = signal[start + i] > signal[start + i - 1]
        down[i] = signal[start + i] < signal[start + i - 1]
    found: Word = np.uint64(0)
    one, carry = np.uint64(1), np.uint64(rising)
    for word in range(words):
        rises, falls = gathered(flags[0], word), gathered(flags[1], word)
        handed_on = ~falls
        before = (handed_on + rises + carry) ^ handed_on ^ rises
        turned = (rises & ~before) | (falls & before)
        carry = (rises | (handed_on & before)) >> np.uint64(63)
        base = np.uint64(start + 64 * word - 1)
        while turned != 0:
            turns[found] = signal[base + lowest_place(turned)]
            found += one
            turned &= turned - one
    return int(np.int64(found)), int(np.int64(carry))


@compiled
def cell_of(low: int, high: int) -> int:
    """Place in a grid of the undirected pair low < high: pairs of the lowest classes first, however many there are."""
    return high * (high - 1) // 2 + low


@compiled
def close_smallest(points: Array, held: int, cells: Array, flags: Array) -> int:
    """Close pairs of points[:held] whose range is no more than the one before and the one after, left to right.

    Closing one leaves the others closable unless they share a point, so one pass takes most of a noisy signal. The
    first and the last point stay. Returns how many points are left, in place.

    64 pairs at a time: of a run of closable pairs, every other one is taken from the run's beginning on.
    """
    if held < 4:
        return held
    closable = flags[0].view(np.uint8)
    words = (held + 63) // 64
    closable[64 * (words - 1) : 64 * words] = 0
    closable[0] = 0
    for i in range(1, held - 2):
        this = abs(points[i + 1] - points[i])
        closable[i] = (this <= abs(points[i] - points[i - 1])) & (this <= abs(points[i + 2] - points[i + 1]))
    closable[held - 2 : 64 * words] = 0
    left: Word = np.uint64(0)
    one, carry = np.uint64(1), np.uint64(0)
    for word in range(words):
        base = np.uint64(64 * word)
        runs = gathered(flags[0], word) & ~carry
        begun = runs & ~(runs << one)
        from_even = runs & ~(runs + (begun & EVEN))
        taken = (from_even & EVEN) | ((runs ^ from_even) & ~EVEN)
        kept = ~(taken | (taken << one) | carry)
        if word == words - 1:
            kept &= ~np.uint64(0) >> np.uint64(64 * words - held)
        carry = taken >> np.uint64(63)
        while taken != 0:
            i = base + lowest_place(taken)
            cells[cell_of(min(points[i], points[i + one]), max(points[i], points[i + one]))] += 1
            taken &= taken - one
        while kept != 0:
            points[left] = points[base + lowest_place(kept)]
            left += one
            kept &= kept - one
    return int(np.int64(left))


@compiled
def count_turns(turns: Array, held: int, stack: Array, size: int, cells: Array, flags: Array) -> int:
    """Count on over turns[:held], which follow the turning points of the stack; returns the stack's new size."""
    for _ in range(PASSES):
        held = close_smallest(turns, held, cells, flags)
    for i in range(held):
        d = turns[i]
        while size >= 3:
            a, b, c = stack[size - 3], stack[size - 2], stack[size - 1]
            if abs(c - b) > abs(b - a) or abs(c - b) > abs(d - c):
                break
            cells[cell_of(min(b, c), max(b, c))] += 1
            size -= 2
        stack[size] = d
        size += 1
    return size


@compiled
def count_values(values: Array, scale: Scale, stack: Array, cells: Array) -> tuple[int, int, int, int]:
    """Count the finite `values` from nothing; returns the size of the stack, the samples below, at or above the
    edges, and the start of the first block that holds a value that is not finite, or -1.
    """
    classed, turns = np.empty(BLOCK + 1, np.int32), np.empty(BLOCK, np.int32)
    flags = np.empty((2, BLOCK // 8), np.uint64)
    size, below, above, last, rising = NONE, 0, 0, 0, UNMOVED
    for start in range(0, values.size, BLOCK):
        part = values[start : start + BLOCK]
        part_below, part_above, broken = quantise(part, scale, classed[1:])
        if broken:
            return size, below, above, start
        below += part_below
        above += part_above
        if size == 0:
            stack[0] = last = classed[1]
            size = 1
        classed[0] = last
        held, rising = turning_points(classed, ONE, part.size + 1, rising, flags, turns)
        size = count_turns(turns, held, stack, size, cells, flags)
        last = classed[part.size]
    if size > 0 and stack[size - 1] != last:
        turns[0] = last
        size = count_turns(turns, ONE, stack, size, cells, flags)
    return size, below, above, -1


@compiled
def count_floats(values: Array, points: Array, low: Array, high: Array) -> tuple[int, int, int]:
    """Count `values` as they are. Closed pairs go to `low` and `high`, in the order in which they close.

    points: scratch of at least values.size + 2: all turning points, and then the stack over its own beginning.
    Returns the size of the residue, which is points[:size], the number of closed pairs, and the start of the first
    block that holds a value that is not finite, or -1.
    """
    if values.size == 0:
        return 0, 0, -1
    flags = np.empty((2, BLOCK // 8), np.uint64)
    points[0] = values[0]
    found, rising = 1, UNMOVED
    for start in range(0, values.size, BLOCK):
        stop = min(start + BLOCK, values.size)
        broken = 0
        for i in range(start, stop):
            broken += values[i] - values[i] != 0.0
        if broken:
            return 0, 0, start
        more, rising = turning_points(values, max(start, 1), stop, rising, flags, points[found:])
        found += more
    if points[found - 1] != values[-1]:
        points[found] = values[-1]
        found += 1
    size = closed = 0
    for i in range(found):
        points[size] = points[i]
        size += 1
        while size >= 4:
            a, b, c, d = points[size - 4], points[size - 3], points[size - 2], points[size - 1]
            if b < c:
                if a < c or d > b:
                    break
                low[closed], high[closed] = b, c
            else:
                if a > c or d < b:
                    break
                low[closed], high[closed] = c, b
            closed += 1
            points[size - 3] = d
            size -= 2
    return size, closed, -1


@compiled
def project(structural_pct: Array, slew_deg: Array, along: Array, across: Array) -> int:
    """structural_pct times cosine and sine of slew_deg; a crane that does not slew costs no cosine.

    Returns how many values are not finite.
    """
    slew, cosine, sine, broken = 0.0, 1.0, 0.0, 0
    for i in range(structural_pct.size):
        if slew_deg[i] != slew:
            slew = slew_deg[i]
            cosine, sine = math.cos(math.radians(slew)), math.sin(math.radians(slew))
        along[i] = structural_pct[i] * cosine
        across[i] = structural_pct[i] * sine
        broken += structural_pct[i] - structural_pct[i] != 0.0 or slew - slew != 0.0
    return broken


@compiled
def count_projections(
    structural_pct: Array,
    slew_deg: Array,
    cosines: Array,
    sines: Array,
    scale: Scale,
    stacks: Array,
    grids: Array,
    totals: Array,
) -> int:
    """Count every direction, block by block, while the block is in the cache.

    totals: one row a direction of stack size, samples below, at or above the edges, last class, rising; filled here.
    Returns the start of the first block that holds a value that is not finite, or -1.
    """
    classed, turns = np.empty(BLOCK + 1, np.int32), np.empty(BLOCK, np.int32)
    flags = np.empty((2, BLOCK // 8), np.uint64)
    along, across = np.empty(BLOCK), np.empty(BLOCK)
    for start in range(0, structural_pct.size, BLOCK):
        part = structural_pct[start : start + BLOCK]
        held = part.size
        if project(part, slew_deg[start : start + BLOCK], along, across):
            return start
        for k in range(cosines.size):
            below, above = quantise_direction(
                along[:held], across[:held], cosines[k], sines[k], scale, classed[1:]
            )
            size = totals[k, 0]
            if size == 0:
                stacks[k, 0] = totals[k, 3] = classed[1]
                size, totals[k, 4] = 1, -1
            classed[0] = totals[k, 3]
            found, totals[k, 4] = turning_points(classed, ONE, held + 1, totals[k, 4], flags, turns)
            totals[k, 0] = count_turns(turns, found, stacks[k], size, grids[k], flags)
            totals[k, 1] += below
            totals[k, 2] += above
            totals[k, 3] = classed[held]
    for k in range(cosines.size):
        size, last = totals[k, 0], totals[k, 3]
        if size > 0 and stacks[k, size - 1] != last:
            turns[0] = last
            totals[k, 0] = count_turns(turns, ONE, stacks[k], size, grids[k], flags)
    return -1


@compiled
def filled(grid: Array) -> tuple[Array, Array]:
    """Places and counts of the flat `grid` that are not zero."""
    held = 0
    for i in range(grid.size):
        held += grid[i] != 0
    cells, counts = np.empty(held, np.int32), np.empty(held, np.int64)
    found = 0
    for i in range(grid.size):
        if grid[i] != 0:
            cells[found], counts[found] = i, grid[i]
            found += 1
    return cells, counts


def warm_up() -> None:
    """Load every kernel from the cache, or compile it: seconds once, milliseconds later."""
    stack, grid = np.empty(8, np.int32), np.zeros(3, np.int64)
    scale = (0.0, 1.0, 3.0, 0.0, 1.0, 3.0)
    values, totals = np.zeros(1), np.zeros((1, 5), np.int64)
    count_values(values, scale, stack, grid)
    count_floats(values, np.empty(3), np.empty(1), np.empty(1))
    filled(grid)
    count_projections(values, values, values, values, scale, stack[None], grid[None], totals)
