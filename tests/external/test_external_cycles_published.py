"""Cycle counts against published values, each with its source.

Not found openly, and so not here: a worked example with numbers in Amzallag et al. 1994, in Marsh et al. 2016, and in
McInnes and Meehan 2008 (their abstracts only were read), and any measured series of a loader crane.
"""

from pathlib import Path

import numpy as np
import pytest
import rfcnt

from duty import float_cycles, ledger, reading
from duty.edges import Edges
from duty.reading import ResidueRule

# Classes of width 1 around whole numbers, so that class middles are the numbers themselves.
WHOLE_NUMBERS = Edges(-20.5, 20.5, 41)


def counts_by_range(values, rule):
    spectrum = reading.range_spectrum(reading.cycles(ledger.count(values, WHOLE_NUMBERS), rule))
    return dict(zip(spectrum.range_pct.tolist(), spectrum.count.tolist(), strict=True))


def sum_of_cubes(low, high):
    return float(np.sum((np.asarray(high) - np.asarray(low)) ** 3))


def test_astm_e1049_example():
    """ASTM E1049-85 (2017), the example of rainflow counting, as the tests of `rainflow` 3.2.0 (PyPI) restate it."""
    values = [-2.0, 1, -3, 5, -1, 3, -4, 4, -2]
    assert counts_by_range(values, ResidueRule.HALF_CYCLES) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
    counted = float_cycles.count(values)
    assert (counted.low.tolist(), counted.high.tolist()) == ([-1.0], [3.0])
    assert counted.residue.tolist() == [-2, 1, -3, 5, -4, 4, -2]


REVERSALS = [4.0, 7, 2, 10, 5, 9, 3, 4, 2, 12, 5, 11, 1, 4, 3, 10, 6, 12, 4, 8, 1, 9, 4, 6]


def test_24_reversals():
    """The 24-reversal series in the tests of `fatpack` 0.7 (PyPI), with the pairs and the residue that it names."""
    closed = [(5, 9), (3, 4), (2, 10), (5, 11), (3, 4), (6, 10), (4, 8), (1, 12)]
    counted = float_cycles.count(REVERSALS)
    assert sorted(zip(counted.low, counted.high, strict=True)) == sorted(closed)
    assert counted.residue.tolist() == [4, 7, 2, 12, 1, 9, 4, 6]


@pytest.mark.parametrize(
    ("rule", "added"), [(ResidueRule.REPEATED, 1709.0), (ResidueRule.HALF_CYCLES, 1564.0)]
)
def test_24_reversals_sum_of_cubed_ranges(rule, added):
    """Sums of range cubed: 2253 closed, and what each residue rule adds; re-run with `fatpack`."""
    counted = ledger.count(REVERSALS, WHOLE_NUMBERS)
    closed = np.sum(counted.counts * (counted.high_class - counted.low_class) ** 3)
    assert closed == 2253
    every = reading.cycles(counted, rule)
    assert np.sum(every.count * every.range_pct**3) == pytest.approx(2253 + added, rel=1e-12)


def test_long_series():
    """long_series.csv, 10 001 whole numbers, read from the installed `rfcnt` (BSD-2), whose figures these are."""
    path = Path(rfcnt.__file__).parent / "tests" / "long_series.csv"
    values = np.loadtxt(path)
    assert values.size == 10_001
    whole = float_cycles.count(values)
    parts = [float_cycles.count(part) for part in np.array_split(values, 17)]
    chunked = parts[0]
    for part in parts[1:]:
        chunked = float_cycles.merge(chunked, part)
    for counted in (whole, chunked):
        assert (counted.low.size, counted.residue.size) == (2358, 12)
        assert sum_of_cubes(counted.low, counted.high) == 24_271_778_991
        again = float_cycles.count(np.tile(counted.residue, 2))
        assert sum_of_cubes(again.low, again.high) == 142_792_185_314
        steps = np.abs(np.diff(counted.residue))
        assert np.sum(steps**3) / 2.0 == 119_699_981_277.5
