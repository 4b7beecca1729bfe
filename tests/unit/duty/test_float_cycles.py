"""Float counting: the plain rule on values, mergeable; and why differences must not be compared."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from domain.errors import InvalidInput
from duty import float_cycles

untimed = settings(deadline=None)  # the first example may wait for the compiler
signals = st.one_of(
    hnp.arrays(np.float64, st.integers(0, 300), elements=st.floats(-1e6, 1e6)),
    st.lists(st.sampled_from([0.0, 0.1, 0.2, 0.30000000000000004, 0.3, 1.0]), max_size=200).map(np.array),
)


def plain_count(values, closes):
    """Closed pairs, sorted, and residue; `closes` judges four turning points."""
    stack, closed = [], []
    for value in values:
        if stack and stack[-1] == value:
            continue
        if len(stack) > 1 and (stack[-1] > stack[-2]) == (value > stack[-1]):
            stack.pop()
        stack.append(value)
        while len(stack) >= 4 and closes(*stack[-4:]):
            closed.append((min(stack[-3:-1]), max(stack[-3:-1])))
            del stack[-3:-1]
    return sorted(closed), stack


def by_values(a, b, c, d):
    return min(a, d) <= min(b, c) and max(b, c) <= max(a, d)


def by_differences(a, b, c, d):
    return abs(c - b) <= abs(b - a) and abs(c - b) <= abs(d - c)


def pairs(counted):
    return sorted(zip(counted.low.tolist(), counted.high.tolist(), strict=True))


@untimed
@given(signals)
def test_count_is_the_four_point_rule_on_values(values):
    counted = float_cycles.count(values)
    assert (pairs(counted), counted.residue.tolist()) == plain_count(values.tolist(), by_values)


@untimed
@given(signals, st.lists(st.integers(0, 300), max_size=8))
def test_any_cut_gives_the_same_cycles_and_residue(values, cuts):
    whole, merged = float_cycles.count(values), float_cycles.count([])
    for part in np.split(values, sorted(min(at, values.size) for at in cuts)):
        merged = float_cycles.merge(merged, float_cycles.count(part))
    assert pairs(merged) == pairs(whole)
    assert merged.residue.tolist() == whole.residue.tolist()


def test_rounded_differences_would_depend_on_the_cut():
    """The range of the second pair is the smaller one, but both differences round to 1: a tie that is none."""
    values = [0.0, 1.0, 1e-17, 1.0, -5.0]
    assert plain_count(values, by_values)[0] == [(1e-17, 1.0)]
    a, b, c, d = 1e-17, 1.0, 0.0, 1.0
    assert by_differences(a, b, c, d)
    assert not by_values(a, b, c, d)
    assert float_cycles.count([a, b, c, d]).low.size == 0


def test_longer_than_a_block():
    values = np.random.default_rng(8).normal(size=10_001)
    counted = float_cycles.count(values)
    assert (pairs(counted), counted.residue.tolist()) == plain_count(values.tolist(), by_values)


@pytest.mark.parametrize("values", [[], [3.0], [3.0, 3.0], np.zeros(5000)])
def test_nothing_moves_nothing_closes(values):
    counted = float_cycles.count(values)
    assert counted.low.size == 0
    assert counted.residue.tolist() == [*values[:1]]


@pytest.mark.parametrize("index", [0, 3, 4999])
def test_what_is_not_finite_is_refused_with_its_index(index):
    values = np.zeros(5000)
    values[index] = np.nan
    with pytest.raises(InvalidInput, match=rf"values\[{index}\] is nan"):
        float_cycles.count(values)


def test_the_input_is_left_alone():
    values = np.array([1.0, 3.0, 2.0, 4.0])
    values.flags.writeable = False
    float_cycles.count(values)
