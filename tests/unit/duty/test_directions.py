"""Counting in directions is counting of the projected signal, and merges as ledgers do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from domain.errors import InvalidInput
from duty import directions, ledger
from duty.edges import DIRECTION_EDGES, Edges

untimed = settings(deadline=None)  # the first example may wait for the compiler
EIGHTHS = Edges(-150.0, 150.0, 64)


@st.composite
def movements(draw):
    n = draw(st.integers(0, 80))
    structural = draw(hnp.arrays(np.float64, n, elements=st.floats(0, 160)))
    slew = draw(hnp.arrays(np.float64, n, elements=st.floats(-720, 720)))
    return structural, slew


@untimed
@given(movements(), st.lists(st.integers(0, 80), max_size=6), st.sampled_from([1, 3, 24]))
def test_any_cut_gives_the_same_bits(movement, cuts, number):
    structural, slew = movement
    whole = directions.count_directions(structural, slew, number, EIGHTHS)
    bounds = sorted(min(at, structural.size) for at in cuts)
    parts = [
        directions.count_directions(*pair, number, EIGHTHS)
        for pair in zip(np.split(structural, bounds), np.split(slew, bounds), strict=True)
    ]
    assert directions.merge_all([directions.empty(number, EIGHTHS), *parts]) == whole
    assert directions.from_bytes(directions.to_bytes(whole)) == whole


def test_each_direction_is_the_count_of_its_projection():
    rng = np.random.default_rng(5)
    structural = rng.uniform(0, 120, 6000)
    slew = np.repeat(rng.uniform(-400, 400, 600), 10)
    counted = directions.count_directions(structural, slew)
    assert counted.phi_deg.tolist() == [7.5 * k for k in range(24)]
    for phi, found in zip(np.radians(counted.phi_deg), counted.ledgers, strict=True):
        along = structural * np.cos(np.radians(slew))
        across = structural * np.sin(np.radians(slew))
        assert found == ledger.count(along * np.cos(phi) + across * np.sin(phi), DIRECTION_EDGES)
        plain = structural * np.cos(np.radians(slew) - phi)
        assert found.closed == pytest.approx(ledger.count(plain, DIRECTION_EDGES).closed, rel=0.01)


def test_a_half_turn_under_load_is_a_full_reversal_along_and_nothing_across():
    slew = np.linspace(0.0, 180.0, 181)
    counted = directions.count_directions(np.full(181, 100.0), slew, 2)
    centres = DIRECTION_EDGES.centres_pct
    along, across = (centres[each.residue] for each in counted.ledgers)
    np.testing.assert_allclose(along, [100.0, -100.0], atol=DIRECTION_EDGES.width_pct)
    np.testing.assert_allclose(across, [0.0, 100.0, 0.0], atol=DIRECTION_EDGES.width_pct)


def test_the_largest_floats_are_clamped_like_any_other():
    largest = np.finfo(np.float64).max
    counted = directions.count_directions([largest, -largest, 0.0], [44.5, 44.5, 44.5], 180)
    clamped = {(each.clamped_low, each.clamped_high) for each in counted.ledgers}
    assert clamped == {(1, 1)}


@pytest.mark.parametrize("name", ["structural_pct", "slew_deg"])
def test_what_is_not_finite_is_refused_with_its_index(name):
    signals = {"structural_pct": np.ones(5000), "slew_deg": np.ones(5000)}
    signals[name][4321] = np.nan
    with pytest.raises(InvalidInput, match=rf"{name}\[4321\] is nan"):
        directions.count_directions(**signals)


def test_lengths_numbers_and_kinds_that_do_not_fit_are_refused():
    with pytest.raises(InvalidInput, match="one of each"):
        directions.count_directions([1.0, 2.0], [1.0])
    for number in (0, 181):
        with pytest.raises(InvalidInput, match="1 to 180"):
            directions.count_directions([1.0], [1.0], number)
    with pytest.raises(InvalidInput, match="different numbers"):
        directions.merge(directions.empty(2), directions.empty(3))
    with pytest.raises(InvalidInput, match="same edges"):
        directions.merge(directions.empty(2), directions.empty(2, EIGHTHS))
    with pytest.raises(InvalidInput, match="begin with empty"):
        directions.merge_all([])


def test_damaged_bytes_are_refused():
    data = directions.to_bytes(directions.count_directions([0.0, 90.0, 10.0, 80.0, 5.0], np.zeros(5), 3))
    for damaged in (
        b"",
        data[:-1],
        data + b"\0",
        data[:200],
        b"X" + data[1:],
        data[:40] + b"\xff" + data[41:],
    ):
        with pytest.raises(InvalidInput):
            directions.from_bytes(damaged)
    with pytest.raises(InvalidInput, match="format version 9"):
        directions.from_bytes(data[:3] + b"\x09" + data[4:])
