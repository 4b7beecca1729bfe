"""The ledger is exact wherever a history is cut, and every known way to break that is shown to break it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from domain.errors import InvalidInput
from duty import ledger, reading
from duty.edges import DEFAULT_EDGES, DIRECTION_EDGES, Edges
from duty.ledger import Ledger

untimed = settings(deadline=None)  # the first example may wait for the compiler
FEW = Edges(0.0, 8.0, 8)
levels = st.integers(-1, 9).map(float)
histories = st.lists(levels, max_size=120).map(lambda values: np.array(values, np.float64))
rough = hnp.arrays(
    np.float64, st.integers(0, 400), elements=st.floats(-60, 700).map(lambda value: round(value, 3))
)


def plain_count(classed):
    """The four-point rule as one would write it down, on a whole history: closed pairs and residue."""
    stack, closed = [], {}
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
            pair = (min(b, c), max(b, c))
            closed[pair] = closed.get(pair, 0) + 1
            del stack[-3:-1]
    return closed, stack


def classes_of(values, edges):
    """By looking each value up among the edges."""
    place = np.searchsorted(edges.edges_pct, values, side="right") - 1
    return np.clip(place, 0, edges.size - 1).tolist()


def cut(values, data):
    cuts = sorted(data.draw(st.lists(st.integers(0, len(values)), max_size=12), label="cuts"))
    return np.split(values, cuts)


def merge_as_tree(parts, data):
    """Merge neighbours in a random order until one is left."""
    parts = list(parts)
    while len(parts) > 1:
        at = data.draw(st.integers(0, len(parts) - 2))
        parts[at : at + 2] = [ledger.merge(parts[at], parts[at + 1])]
    return parts[0]


def cells_of(counted: Ledger):
    return {
        (int(low), int(high)): int(count)
        for low, high, count in zip(counted.low_class, counted.high_class, counted.counts, strict=True)
    }


@untimed
@given(histories)
def test_count_is_the_four_point_rule(values):
    closed, residue = plain_count(classes_of(values, FEW))
    counted = ledger.count(values, FEW)
    assert cells_of(counted) == closed
    assert counted.residue.tolist() == residue
    assert counted.samples == values.size


@untimed
@given(st.one_of(histories, rough), st.data())
def test_any_cut_and_any_merge_tree_give_the_same_bits(values, data):
    edges = data.draw(
        st.sampled_from([FEW, DEFAULT_EDGES, Edges(-20.0, 180.0, 37), Edges(10.0, 90.0, 16, 5, 9, wide=3)])
    )
    whole = ledger.count(values, edges)
    parts = [ledger.count(part, edges) for part in cut(values, data)]
    assert ledger.merge_all(parts) == whole
    assert ledger.to_bytes(merge_as_tree(parts, data)) == ledger.to_bytes(whole)


@untimed
@given(histories)
def test_cut_between_all_samples(values):
    parts = [ledger.empty(FEW), *(ledger.count([value], FEW) for value in values)]
    assert ledger.merge_all(parts) == ledger.count(values, FEW)


@untimed
@given(histories)
def test_empty_is_neutral(values):
    counted = ledger.count(values, FEW)
    assert ledger.merge(ledger.empty(FEW), counted) == counted == ledger.merge(counted, ledger.empty(FEW))


def test_merge_is_ordered():
    first, second = ledger.count([1.0, 5.0, 2.0], FEW), ledger.count([7.0, 0.0], FEW)
    assert ledger.merge(first, second) != ledger.merge(second, first)


@untimed
@given(rough)
def test_longer_than_a_block_and_kept_inside_the_workspace(values):
    many = np.tile(values, 20)
    closed, residue = plain_count(classes_of(many, DEFAULT_EDGES))
    counted = ledger.count(many, DEFAULT_EDGES)
    assert cells_of(counted) == closed
    assert counted.residue.tolist() == residue


def test_longest_residue_fits():
    values = np.array([3, 4, 2, 5, 1, 6, 0, 7, 0, 6, 1, 5, 2, 4, 3])
    counted = ledger.count(values, FEW)
    assert counted.residue.size == 2 * FEW.size - 1


@pytest.mark.parametrize(
    ("values", "residue", "closed"),
    [
        ([], [], {}),
        ([3.0], [3], {}),
        ([3.0, 3.0, 3.0], [3], {}),
        ([3.0, 3.2, 3.9], [3], {}),
        ([1.0, 1.0, 5.0, 5.0, 5.0, 2.0, 2.0], [1, 5, 2], {}),
        ([0.0, 5.0, 0.0, 5.0, 0.0], [0, 5, 0], {(0, 5): 1}),
        ([1.0, 2.0, 3.0], [1, 3], {}),
    ],
)
def test_plateaus_ties_constants_and_single_points(values, residue, closed):
    counted = ledger.count(values, FEW)
    assert counted.residue.tolist() == residue
    assert cells_of(counted) == closed


def test_edges_belong_to_the_class_above_them():
    for edges in (DEFAULT_EDGES, FEW, DIRECTION_EDGES, Edges(-16.0, 16.0, 2, 3, 3, wide=2)):
        on_edge = edges.edges_pct[:-1]
        rising = [ledger.count([value], edges).residue[0] for value in on_edge]
        assert rising == list(range(edges.size))
        below = [ledger.count([value - 1e-12], edges).residue[0] for value in on_edge[1:]]
        assert below == list(range(edges.size - 1))


def test_values_outside_are_clamped_and_counted_as_such():
    counted = ledger.count([-0.1, 0.0, 4.0, 8.0, 7.999, 300.0, 4.0], FEW)
    assert (counted.clamped_low, counted.clamped_high) == (1, 2)
    assert counted.residue.tolist() == [0, 7, 4]


def test_the_largest_floats_are_clamped_like_any_other():
    largest = np.finfo(np.float64).max
    counted = ledger.count([-largest, largest, 4.0], FEW)
    assert (counted.clamped_low, counted.clamped_high) == (1, 1)
    assert counted.residue.tolist() == [0, 7, 4]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("index", [0, 1, 5000])
def test_what_is_not_finite_is_refused_with_its_index(value, index):
    values = np.zeros(6000)
    values[index] = values[-1] = value
    with pytest.raises(InvalidInput, match=rf"values\[{index}\] is"):
        ledger.count(values, DEFAULT_EDGES)


def test_two_dimensions_are_refused():
    with pytest.raises(InvalidInput, match="one dimension"):
        ledger.count(np.zeros((2, 2)), FEW)


def test_other_edges_are_refused():
    with pytest.raises(InvalidInput, match="same edges"):
        ledger.merge(ledger.empty(FEW), ledger.empty(DEFAULT_EDGES))
    with pytest.raises(InvalidInput, match="begin with empty"):
        ledger.merge_all([])


def test_fine_classes_up_to_150_and_wider_ones_as_far_as_any_reading_comes():
    """The wire takes -20 to 400 % of a limit of up to 150 %."""
    for edges, low, fine_from in ((DEFAULT_EDGES, -30.0, -37.5), (DIRECTION_EDGES, -600.0, -150.0)):
        at = edges.edges_pct
        np.testing.assert_array_equal(edges.centres_pct, (at[1:] + at[:-1]) / 2)
        assert at.size == edges.size + 1
        assert at[0] < low
        assert at[-1] > 600
        counted = ledger.count([low, 600.0], edges)
        assert (counted.clamped_low, counted.clamped_high) == (0, 0)
        widths = np.diff(at)
        fine = (at[:-1] >= fine_from) & (at[1:] <= 150.0)
        assert set(widths[fine]) == {edges.width_pct}
        assert set(widths[~fine]) == {edges.wide_pct}
    assert DEFAULT_EDGES.width_pct == 150 / 256
    assert DIRECTION_EDGES.width_pct == 300 / 256


def test_a_negative_reading_has_a_class_of_its_own():
    counted = ledger.count([-9.0, 90.0, -9.0], DEFAULT_EDGES)
    found = reading.cycles(counted)
    assert found.low_pct[0] == pytest.approx(-9, abs=DEFAULT_EDGES.width_pct / 2)
    assert counted.clamped_low == 0


@pytest.mark.parametrize("level", [200.0, 300.0, 450.0])
def test_heavier_overloads_do_more_damage_as_their_cubes_do(level):
    """98 lifts at a level beside 98 at 100 %."""
    cubes = [
        float(np.sum(found.count * found.range_pct**3))
        for found in (
            reading.cycles(ledger.count(np.tile([0.0, peak], 98), DEFAULT_EDGES)) for peak in (100.0, level)
        )
    ]
    assert cubes[1] / cubes[0] == pytest.approx((level / 100) ** 3, rel=0.03)


@pytest.mark.parametrize(
    "edges",
    [
        (0, 0, 8),
        (1, 0, 8),
        (0, np.inf, 8),
        (np.nan, 1, 8),
        (0, 1, 1),
        (0, 1, 2000),
        (0, 1, 1000, 12, 13),
        (0, 1, 8, -1),
        (0, 1, 8, 1, 1, 0),
    ],
)
def test_impossible_edges_are_refused(edges):
    with pytest.raises(InvalidInput):
        Edges(*edges)


def test_any_real_array_counts_alike():
    values = np.array([1, 5, 2, 7, 0, 3])
    wanted = ledger.count(values.astype(np.float64), FEW)
    assert ledger.count(values, FEW) == wanted
    assert ledger.count(values.astype(np.float32), FEW) == wanted
    assert ledger.count(np.repeat(values, 2)[::2], FEW) == wanted
    assert ledger.count(values.tolist(), FEW) == wanted
