"""Each known way to lose exactness, done on purpose: if one of them stopped breaking, its guard would be idle."""

import numpy as np

from duty import ledger, reading
from duty.edges import Edges

FEW = Edges(0.0, 8.0, 8)


def directed_cells(classed):
    """Closed pairs in the direction of time, and the residue."""
    stack, closed = [], []
    for value in classed:
        if stack and stack[-1] == value:
            continue
        if len(stack) > 1 and (stack[-1] > stack[-2]) == (value > stack[-1]):
            stack.pop()
        stack.append(value)
        while len(stack) >= 4:
            a, b, c, d = stack[-4:]
            if not (min(a, d) <= min(b, c) and max(b, c) <= max(a, d)):
                break
            closed.append((b, c))
            del stack[-3:-1]
    return closed, stack


def directed_late(classed):
    """The same rule, tied pairs closed from the right: what a cut before the tie may bring about."""
    points, closed = list(classed), []
    while True:
        places = [
            k
            for k in range(len(points) - 3)
            if min(points[k], points[k + 3]) <= min(points[k + 1 : k + 3])
            and max(points[k + 1 : k + 3]) <= max(points[k], points[k + 3])
        ]
        if not places:
            return closed, points
        closed.append(tuple(points[places[-1] + 1 : places[-1] + 3]))
        del points[places[-1] + 1 : places[-1] + 3]


def test_directed_cells_depend_on_the_order_of_closing():
    tied = [0, 5, 2, 5, 0]
    (early, left), (late, left_too) = directed_cells(tied), directed_late(tied)
    assert left == left_too
    assert early != late
    assert [sorted(pair) for pair in early] == [sorted(pair) for pair in late]
    cut = [ledger.count(part, FEW) for part in ([0.0], [5.0, 2.0, 5.0], [0.0])]
    assert ledger.merge_all(cut) == ledger.count(np.array(tied, float), FEW)


def without_small_ranges(values, threshold):
    """A range filter of turning points as a recorder might run it: a move counts once it exceeds the threshold."""
    kept = [values[0]]
    for value in values[1:]:
        if abs(value - kept[-1]) > threshold:
            kept.append(value)
    return np.array(kept)


def test_a_filter_in_each_part_depends_on_the_cut():
    values = np.array([0.0, 6.0, 5.0, 4.0, 6.0, 0.0])
    days = np.split(values, [2])
    whole = ledger.count(without_small_ranges(values, 1.0), FEW)
    parts = [ledger.count(without_small_ranges(day, 1.0), FEW) for day in days]
    assert (whole.closed, ledger.merge_all(parts).closed) == (1, 0)
    merged = ledger.merge_all([ledger.count(day, FEW) for day in days])
    at_reading = [reading.cycles(each, threshold_pct=1.5) for each in (merged, ledger.count(values, FEW))]
    np.testing.assert_array_equal(at_reading[0].count, at_reading[1].count)


def test_half_cycles_closed_in_each_part_miss_the_largest_range():
    """A lift that ends the day at the top: its two halves are no full range in either day."""
    days = [np.array([0.0, 3.0, 1.0, 7.0]), np.array([7.0, 5.0, 6.0, 0.0])]
    whole = reading.cycles(ledger.count(np.concatenate(days), FEW))
    daily = [reading.cycles(ledger.count(day, FEW)) for day in days]
    cubes = [float(np.sum(each.count * each.range_pct**3)) for each in (whole, *daily)]
    assert sum(daily_sum for daily_sum in cubes[1:]) <= cubes[0]

    ratchet = [np.array([0.0, 4.0]), np.array([3.0, 7.0]), np.array([6.0, 0.0])]
    whole = reading.cycles(ledger.count(np.concatenate(ratchet), FEW))
    daily = [reading.cycles(ledger.count(day, FEW)) for day in ratchet]
    assert max(each.range_pct.max() for each in (daily[0], daily[1])) == 4.0
    assert whole.range_pct.max() == 7.0
    assert sum(float(np.sum(each.count * each.range_pct**3)) for each in daily) < float(
        np.sum(whole.count * whole.range_pct**3)
    )


def test_dropping_the_residue_of_each_part_loses_most():
    day = np.array([0.0, 7.0, 3.0, 4.0, 0.0])
    days = [day] * 30
    whole = reading.cycles(ledger.merge_all([ledger.count(each, FEW) for each in days]))
    dropped = [ledger.count(each, FEW) for each in days]
    kept = sum(int(np.sum(each.counts * (each.high_class - each.low_class) ** 3)) for each in dropped)
    assert kept < 0.01 * float(np.sum(whole.count * whole.range_pct**3))


def test_edges_fitted_to_each_part_cannot_be_merged():
    low, high = np.array([0.0, 2.0, 1.0]), np.array([2.0, 8.0, 4.0])
    fitted = [ledger.count(part, Edges(part.min(), part.max(), 8)) for part in (low, high)]
    assert fitted[0].edges != fitted[1].edges
    assert fitted[0].residue.tolist() == [0, 7, 4]
    assert fitted[1].residue.tolist() == [0, 7, 2]
