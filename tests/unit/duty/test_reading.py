"""Views of a ledger, against what is counted by hand or on the signal itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty import ledger, reading
from duty.edges import Edges
from duty.reading import ResidueRule

untimed = settings(deadline=None)  # the first example may wait for the compiler
TENTHS = Edges(0.0, 100.0, 10)
# In class middles: closes (35, 55), leaves 5 95 15 85.
SIGNAL = [5.0, 95.0, 35.0, 55.0, 15.0, 85.0]
histories = st.lists(st.floats(-10, 110), max_size=150)


def table(counted):
    return {
        (round(low, 6), round(high, 6)): count
        for low, high, count in zip(counted.low_pct, counted.high_pct, counted.count, strict=True)
    }


def test_half_cycles_count_each_open_range_by_half():
    counted = reading.cycles(ledger.count(SIGNAL, TENTHS), ResidueRule.HALF_CYCLES)
    assert table(counted) == {(5, 95): 0.5, (15, 85): 0.5, (15, 95): 0.5, (35, 55): 1.0}


def test_repeated_residue_counts_what_a_second_run_closes():
    counted = reading.cycles(ledger.count(SIGNAL, TENTHS), "repeated")
    assert table(counted) == {(5, 95): 1.0, (15, 85): 1.0, (35, 55): 1.0}


def test_threshold_drops_smaller_ranges_only():
    counted = ledger.count(SIGNAL, TENTHS)
    assert table(reading.cycles(counted, threshold_pct=20.0)) == table(reading.cycles(counted))
    assert (35, 55) not in table(reading.cycles(counted, threshold_pct=20.1))
    assert reading.cycles(counted, threshold_pct=101.0).count.size == 0


def test_unknown_rules_and_negative_thresholds_are_refused():
    counted = ledger.empty(TENTHS)
    with pytest.raises(InvalidInput, match="half_cycles, repeated"):
        reading.cycles(counted, "ignore")
    for threshold in (-1.0, np.nan):
        with pytest.raises(InvalidInput, match="0 or more"):
            reading.cycles(counted, threshold_pct=threshold)


@pytest.mark.parametrize("rule", list(ResidueRule))
@pytest.mark.parametrize("values", [[], [5.0], [5.0, 5.0]])
def test_a_ledger_without_ranges_has_no_cycles(rule, values):
    counted = ledger.count(values, TENTHS)
    assert reading.cycles(counted, rule).count.size == 0
    assert reading.range_spectrum(reading.cycles(counted, rule)).count.size == 0
    assert not reading.level_crossings(counted).upward.any()


def test_range_and_mean():
    counted = reading.cycles(ledger.count(SIGNAL, TENTHS))
    np.testing.assert_allclose(counted.range_pct, [20.0, 70.0, 90.0, 80.0])
    np.testing.assert_allclose(counted.mean_pct, [45.0, 50.0, 50.0, 55.0])


def test_ranges_between_classes_of_two_widths():
    edges = Edges(0.0, 100.0, 10, wide_above=3, wide=2)  # 100 to 160 by 20
    counted = reading.cycles(ledger.count([15.0, 135.0, 15.0, 35.0, 15.0], edges))
    assert table(counted) == {(15, 130): 1.0, (15, 35): 1.0}
    assert table(reading.cycles(ledger.count([15.0, 135.0], edges), threshold_pct=115.0)) == {(15, 130): 0.5}
    assert not table(reading.cycles(ledger.count([15.0, 135.0], edges), threshold_pct=115.1))


@untimed
@given(histories, st.sampled_from(list(ResidueRule)))
def test_spectrum_and_grids_keep_every_cycle(values, rule):
    counted = reading.cycles(ledger.count(values, TENTHS), rule)
    spectrum = reading.range_spectrum(counted)
    assert np.all(np.diff(spectrum.range_pct) < -1e-6)
    assert spectrum.count.sum() == counted.count.sum()
    np.testing.assert_array_equal(spectrum.cumulative, np.cumsum(spectrum.count))
    first, last = TENTHS.edges_pct[[0, -1]]
    for steps in (np.linspace(first, last, 8), np.linspace(first, last, 11)):
        on_grid = reading.grid(counted.low_pct, counted.high_pct, counted.count, steps, steps)
        assert on_grid.sum() == counted.count.sum()


def test_grids_put_cycles_where_they_belong():
    counted = reading.cycles(ledger.count(SIGNAL, TENTHS))
    steps = np.linspace(*TENTHS.edges_pct[[0, -1]], 11)
    assert reading.grid(counted.low_pct, counted.high_pct, counted.count, steps, steps)[3, 5] == 1.0


@untimed
@given(histories)
def test_level_crossings_are_those_of_the_classed_signal(values):
    classed = np.clip(np.floor(np.array(values, float) / 10.0), 0, 9)
    found = reading.level_crossings(ledger.count(values, TENTHS))
    np.testing.assert_allclose(found.edge_pct, np.arange(10.0, 100.0, 10.0))
    wanted = [int(np.sum((classed[:-1] < k) & (classed[1:] >= k))) for k in range(1, 10)]
    assert found.upward.tolist() == wanted
