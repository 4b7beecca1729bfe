"""A ledger in memory takes two bytes a number where they fit, and merging never runs over them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from duty import ledger, runs
from duty.edges import DEFAULT_EDGES, Edges

untimed = settings(deadline=None)  # the first example may wait for the compiler
FINE = Edges(0.0, 150.0, 1024)  # its cells need more than two bytes
counts = st.one_of(st.integers(1, 300), st.sampled_from([2**16 - 1, 2**16, 2**32, 2**40]))


@st.composite
def contents(draw):
    cells = draw(
        st.lists(
            st.one_of(st.integers(0, 70), st.integers(0, 1024 * 1023 // 2 - 1)), max_size=30, unique=True
        )
    )
    return (
        np.array(sorted(cells), np.int32),
        np.array([draw(counts) for _ in cells], np.int64),
        np.array(draw(st.lists(st.integers(0, 1023), max_size=9)), np.int64),
    )


@untimed
@given(contents())
def test_a_run_gives_back_what_went_in(content):
    for before, after in zip(content, runs.unpacked(runs.packed(*content)), strict=True):
        assert before.dtype == after.dtype
        assert before.tolist() == after.tolist()


@untimed
@given(st.lists(contents(), max_size=6))
def test_runs_side_by_side_add_up_exactly(all_contents):
    held_runs = b"".join(runs.packed(*each) for each in all_contents)
    grid, points = np.zeros(1024 * 1023 // 2, np.int64), np.empty(len(held_runs))
    found = runs.add_words(np.frombuffer(held_runs, runs.WORD), grid, points)
    expected = {}
    for cells, held, _ in all_contents:
        for cell, count in zip(cells.tolist(), held.tolist(), strict=True):
            expected[cell] = expected.get(cell, 0) + count
    assert {cell: int(grid[cell]) for cell in np.flatnonzero(grid).tolist()} == expected
    assert points[:found].tolist() == [point for _, _, residue in all_contents for point in residue.tolist()]


@pytest.mark.parametrize("edges", [DEFAULT_EDGES, FINE])
def test_a_merge_counts_on_beyond_two_bytes(edges):
    swings = np.tile([10.0, 590.0 if edges is DEFAULT_EDGES else 90.0], 20_000)
    parts = [ledger.count(swings, edges) for _ in range(5)]
    whole = ledger.count(np.tile(swings, 5), edges)
    assert ledger.merge_all(parts) == whole
    assert ledger.to_bytes(ledger.merge(ledger.merge_all(parts[:4]), parts[4])) == ledger.to_bytes(whole)
    assert whole.counts.max() > runs.MOST > parts[0].counts.max()


def test_a_day_takes_two_bytes_a_number():
    counted = ledger.count(np.tile([10.0, 90.0, 30.0, 60.0], 500), DEFAULT_EDGES)
    held = 2 * counted.cells.size + counted.residue.size
    assert len(counted.run) == 2 * (runs.HEAD_WORDS + held)
