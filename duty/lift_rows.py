"""Rows of samples: the compiled inner part of `duty.lifts`, which tells the rule.

A row sums up one cell of time or several in a row. Sums are integers, the rest are ends, maxima and minima, so rows
join in any grouping to the same row. Rows that stand for themselves, in time order:

    each cell that may move the level: an event
    the cell before an event, in which a load may have come onto the hook or left it
    the last cell of a stretch, which may be such a one
    what lies between these

The level is not known at the start of a stretch. Of two bounds of what it can be, each event narrows the distance;
once they meet it is known, whatever was before. A cell that holds both bounds moves neither, here and after anything
that may be put before. So dropping it there is exact.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from duty.kernels import compiled

Ints = NDArray[np.int64]
Rows = NDArray[Any]

HIGHEST: Final = 2**62  # beyond every level
LOWEST: Final = -(2**62)
PER_UNIT: Final = 1000.0  # whole grams of a kg; 0.001 % of a %
RISE: Final = 1
_FALL: Final = -1


ROW: Final = np.dtype(
    [
        ("first_ms", "<i8"),
        ("last_ms", "<i8"),
        ("recorded_ms", "<i8"),
        (
            "low",
            "<i8",
        ),  # of the row's first cell: interval [g or 0.001 %], low above high where there is none
        ("high", "<i8"),
        ("level", "<i8"),  # and mean load and tolerance
        ("half", "<i8"),
        (
            "arm",
            "<i8",
        ),  # sum of arms [cm], of 1 without pose; over samples that have an interval, as all below
        ("arm_level", "<i8"),  # sum of arm * load [g or 0.001 %]
        ("least", "<i8"),  # of the means of seconds, and the tolerance in that second
        ("most", "<i8"),
        ("least_half", "<i8"),
        ("most_half", "<i8"),
        ("mass_weight", "<i8"),  # sum of the load's part of utilisation [0.1 %], where above 0
        ("mass_weighted", "<i8"),  # sum of that * load [g]
        ("travel_mdeg", "<i8"),
        ("peak_utilisation_pct", "<f8"),
        ("peak_structural_pct", "<f8"),  # NaN where never known, as all below
        ("peak_outreach_m", "<f8"),
        ("least_left_pct", "<f8"),
        ("least_right_pct", "<f8"),
        ("first_slew_deg", "<f8"),
        ("last_slew_deg", "<f8"),
    ]
)

LIFT: Final = np.dtype(
    [
        ("start_ms", "<i8"),
        ("end_ms", "<i8"),
        ("loaded_ms", "<i8"),
        ("peak_utilisation_pct", "<f8"),
        ("peak_structural_pct", "<f8"),
        ("peak_outreach_m", "<f8"),
        ("mass_kg", "<f8"),
        ("slew_travel_deg", "<f8"),
        ("least_left_pct", "<f8"),
        ("least_right_pct", "<f8"),
    ]
)

DROP_OUT_MS: Final = 600_000  # a longer gap is no drop-out at work; our choice, no source


@compiled
def turned_mdeg(before: float, after: float) -> int:
    """Shorter way round between two slewing angles [0.001 deg]; 0 where one is missing."""
    way = abs((after - before + 180.0) % 360.0 - 180.0)
    return 0 if way != way else int(np.rint(way * 1000.0))


@compiled
def _join(rows: Rows, at: int, other: Rows, of: int) -> None:
    """rows[at], followed by other[of], as one row in its place. The interval stays that of the first cell."""
    a, b = rows[at], other[of]
    a.last_ms = b.last_ms
    a.recorded_ms += b.recorded_ms
    a.arm += b.arm
    a.arm_level += b.arm_level
    if b.least < a.least:
        a.least, a.least_half = b.least, b.least_half
    if b.most > a.most:
        a.most, a.most_half = b.most, b.most_half
    a.mass_weight += b.mass_weight
    a.mass_weighted += b.mass_weighted
    a.travel_mdeg += b.travel_mdeg + turned_mdeg(a.last_slew_deg, b.first_slew_deg)
    a.peak_utilisation_pct = np.fmax(a.peak_utilisation_pct, b.peak_utilisation_pct)
    a.peak_structural_pct = np.fmax(a.peak_structural_pct, b.peak_structural_pct)
    a.peak_outreach_m = np.fmax(a.peak_outreach_m, b.peak_outreach_m)
    a.least_left_pct = np.fmin(a.least_left_pct, b.least_left_pct)
    a.least_right_pct = np.fmin(a.least_right_pct, b.least_right_pct)
    if np.isnan(a.first_slew_deg):
        a.first_slew_deg = b.first_slew_deg
    if not np.isnan(b.last_slew_deg):
        a.last_slew_deg = b.last_slew_deg


@compiled
def _moves(row: Any, low: int, high: int) -> bool:
    return bool(row.low <= row.high and (row.low > low or row.high < high))


@compiled
def reduced(rows: Rows, low: int, high: int, turns: Ints, levels: Ints) -> int:
    """Rows that need not stand for themselves joined to those before, in place; how many are left.

    low, high: bounds of the level before the first row.
    turns: 1 for a row whose first cell raised a known level, -1 where it lowered one, 0 else.
    levels: the level after each row where it is known then.
    """
    size, count, alone = 0, rows.size, True
    for i in range(count):
        event = _moves(rows[i], low, high)
        before, known = low, low == high
        if event:
            low = min(max(low, rows[i].low), rows[i].high)
            high = min(max(high, rows[i].low), rows[i].high)
        if event or alone or i == count - 1 or _moves(rows[i + 1], low, high):
            rows[size] = rows[i]
            turns[size] = (RISE if low > before else _FALL) if event and known else 0
            levels[size] = low
            size += 1
        else:
            _join(rows, size - 1, rows, i)
        alone = event
    return size


@compiled
def valleys(turns: Ints, ended: bool) -> tuple[int, int, int]:
    """Where the level fell for the last time before it rose again, both known: first such row, the row of the rise
    after it (or the number of rows), and the last such row; -1 where there is none.

    ended: after these rows the level rises.
    """
    first = rise = last = fall = -1
    for i in range(turns.size + 1):
        turn = RISE if i == turns.size and ended else 0 if i == turns.size else turns[i]
        if turn == _FALL:
            fall = i
        elif turn == RISE and fall >= 0:
            last = fall
            if first < 0:
                first, rise = fall, i
            fall = -1
    return first, rise, last


@compiled
def _loaded_share(cell: Any, other: Any) -> float:
    """Share of a cell in which the load hung, where it came or went in it; `other` is the event beside it, or the cell
    itself. -1 where the cell is not such a one.

    Of a step from the least to the most load it is where the mean lies between the two.
    """
    if cell.arm == 0 or cell.low > other.high or cell.high < other.low or cell.most - cell.least <= cell.half:
        return -1.0
    return float((cell.arm_level / cell.arm - cell.least) / (cell.most - cell.least))


@compiled
def is_step(
    rows: Rows, at: int, turn: int, cell_ms: int, zero: float, least: float, tolerance: float
) -> bool:
    """Whether the load came or went at an event, and not only the pose changed.

    zero, least, tolerance [%]: an error of the zero changes the load by no more than `zero` of the change of capacity,
    from the second of least load before (of most, where the load left) to the mean of the cell: the load may have come in the cell before.
    Nobody saw how the load changed in a drop-out at work: it is taken for a step, the safe side. Over a longer gap the crane
    was off, its booms parked, and its zero may have moved.
    """
    row = rows[at]
    capacity = 100.0 * row.half / tolerance
    if at == 0:
        return turn == RISE and row.level > (zero + least) / 100.0 * capacity
    before = rows[at - 1]
    if before.arm == 0 or 2 * cell_ms < row.first_ms - before.last_ms <= DROP_OUT_MS:
        return True
    change = row.level - before.least if turn == RISE else before.most - row.level
    half = before.least_half if turn == RISE else before.most_half
    moved = abs(capacity - 100.0 * half / tolerance)
    return bool(change > (zero * moved + least * capacity) / 100.0)


@compiled
def _level_of(rows: Rows, turns: Ints, valley: int) -> float:
    """Mean load while the hook was empty [g or 0.001 %]: after the cell that brought it there, up to the one before the
    next load, where that is any time. 0 before the record.
    """
    if valley < 0:
        return 0.0
    if valley + 2 < rows.size and turns[valley + 1] == 0 and turns[valley + 2] == 0 and rows[valley + 1].arm:
        valley += 1
    return float(rows[valley].arm_level / rows[valley].arm)


@compiled
def _write_lift(lift: Any, rows: Rows, one: Rows, start: int, end: int, empty: float, cell_ms: int) -> None:
    """The lift of rows[start:end]; rows[end], where there is one, brought the level to the floor.

    one: scratch of two rows.
    """
    one[0] = rows[start]
    for k in range(start + 1, end):
        _join(one, 0, rows, k)
    first_ms, last_ms, loaded_ms = one[0].first_ms, one[0].last_ms, one[0].recorded_ms
    weight, weighted = one[0].mass_weight, one[0].mass_weighted
    last = rows[end - 1]
    if end < rows.size and _loaded_share(rows[end], rows[end]) >= 0.0:
        share = _loaded_share(rows[end], rows[end])
        last_ms = rows[end].last_ms - int(np.rint((1.0 - share) * rows[end].recorded_ms))
        loaded_ms += int(np.rint(share * rows[end].recorded_ms))
        _join(one, 0, rows, end)
    elif end < rows.size and rows[end].first_ms // cell_ms == last.first_ms // cell_ms + 1:
        share = _loaded_share(last, rows[end])
        if share >= 0.0:
            last_ms -= int(np.rint((1.0 - share) * last.recorded_ms))
            loaded_ms -= last.recorded_ms - int(np.rint(share * last.recorded_ms))
            if weight > last.mass_weight:
                weight, weighted = weight - last.mass_weight, weighted - last.mass_weighted
    if start > 0 and rows[start].first_ms // cell_ms == rows[start - 1].last_ms // cell_ms + 1:
        before = rows[start - 1]
        share = _loaded_share(before, rows[start])
        if share >= 0.0:
            first_ms = before.first_ms + int(np.rint((1.0 - share) * before.recorded_ms))
            loaded_ms += int(np.rint(share * before.recorded_ms))
            one[1] = before
            _join(one, 1, one, 0)
            one[0] = one[1]
    lift.start_ms, lift.end_ms, lift.loaded_ms = first_ms, last_ms, loaded_ms
    lift.mass_kg = np.nan
    if weight > 0 and weighted / weight > empty:
        lift.mass_kg = (weighted / weight - empty) / PER_UNIT
    lift.peak_utilisation_pct, lift.peak_structural_pct = (
        one[0].peak_utilisation_pct,
        one[0].peak_structural_pct,
    )
    lift.peak_outreach_m, lift.slew_travel_deg = one[0].peak_outreach_m, one[0].travel_mdeg / 1000.0
    lift.least_left_pct, lift.least_right_pct = one[0].least_left_pct, one[0].least_right_pct


@compiled
def _ends(rows: Rows, turns: Ints, valley: int, peak: int, moved: int, empty: float) -> tuple[int, int]:
    """First row of a lift, and the one that brought the level back: whose interval reaches down to the load of the empty
    hook. The number of rows where the lift still runs.
    """
    start, end = peak, rows.size
    for k in range(peak - 1, valley, -1):
        if turns[k] == RISE and rows[k].low > empty:
            start = k
    for k in range(moved, peak, -1):
        if turns[k] == _FALL and (end == rows.size or rows[k].low <= empty):
            end = k
    return start, end


@compiled
def found(
    rows: Rows,
    turns: Ints,
    levels: Ints,
    at_first: Any,
    posed: bool,
    cell_ms: int,
    zero: float,
    least: float,
    tolerance: float,
    out: Rows,
) -> int:
    """Lifts of rows as `reduced` left them, with a level known from the first row on, at_first before it.

    A lift that still runs at the end is one as it stands. Returns how many.
    """
    one = np.empty(2, rows.dtype)
    size, count = 0, rows.size
    valley, peak, moved = (
        -1,
        -1,
        -1,
    )  # rows that brought the level to the valley before, to its top, and where it is
    top = at_first
    for i in range(count + 1):
        rising = i < count and turns[i] == RISE
        if peak >= 0 and (i == count or (rising and moved > peak)):
            empty = _level_of(rows, turns, valley)
            if moved > peak:
                empty = max(empty, _level_of(rows, turns, moved))
            start, end = _ends(rows, turns, valley, peak, moved, empty)
            stepped = not posed
            for k in range(valley + 1, moved + 1):
                stepped |= turns[k] != 0 and is_step(rows, k, turns[k], cell_ms, zero, least, tolerance)
            if stepped and (not posed or top > 0):
                _write_lift(out[size], rows, one, start, end, empty, cell_ms)
                size += 1
            valley, peak = moved, -1
        if i == count:
            break
        if rising and (peak < 0 or levels[i] > top):
            peak, top = i, levels[i]
        if turns[i] != 0:
            moved = i
            if peak < 0:
                valley = i
    return size
