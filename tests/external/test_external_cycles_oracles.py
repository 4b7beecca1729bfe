"""Our counts against four independent libraries, on whole signals and on signals in parts.

pylife 2.3 (Apache-2.0), fatpack 0.7 (ISC), rfcnt 0.6 (BSD-2) and rainflow 3.2 (MIT), none of them shipped with us.
They count the class indices of the same signals, so ties and plateaus abound. rainflow counts by ASTM E1049, the other
three by four points.
"""

from collections import Counter
from functools import cache

import fatpack
import numpy as np
import pylife.stress.rainflow as pylife
import pytest
import rainflow
import rfcnt

from duty import float_cycles, ledger, reading
from duty.edges import Edges

CLASSES = 64
EDGES = Edges(0.0, 128.0, CLASSES)
WIDER = Edges(16.0, 80.0, 32, wide_below=2, wide_above=6)  # 2 % wide, 8 % outside: 0 to 128 % as well
RANDOM_SIGNALS = 200
CRANE_SIGNALS = 5
SEEDS = range(RANDOM_SIGNALS + CRANE_SIGNALS)


def crane_like(rng):
    """Lift after lift in percent: pick up, sway, set down, wait; with sensor noise in tenths of a percent."""
    parts = []
    for _ in range(30):
        rest, peak = rng.uniform(8, 20), rng.uniform(30, 115)
        after = np.arange(rng.integers(50, 300))
        sway = 8.0 * np.exp(-after / 60.0) * np.sin(0.4 * after)
        parts += [np.linspace(rest, peak, 25), peak + sway, np.linspace(peak, rest, 20), np.full(200, rest)]
    true = np.concatenate(parts)
    return np.round(true + rng.normal(0.0, 0.3, true.size), 1)


@cache
def signal(seed):
    """The signal of that seed, all of it inside the edges: noise, steps with plateaus, or a walk; at last cranes."""
    rng = np.random.default_rng(seed)
    if seed >= RANDOM_SIGNALS:
        return crane_like(rng)
    length = int(rng.integers(2, 3000))
    kind = seed % 4
    if kind == 0:
        return rng.uniform(0, 128, length)
    if kind == 1:
        return np.repeat(rng.integers(0, 6, length), rng.integers(1, 5, length)) * 20.0 + 1.0
    walk = np.cumsum(rng.normal(size=length)) if kind == 2 else np.cumsum(rng.integers(-1, 2, length) * 2.0)
    return 64.0 + walk * min(1.0, 63.0 / max(np.abs(walk).max(), 1e-9))


def classes_of(values):
    return np.floor(values / EDGES.width_pct)


def parts_of(values, seed):
    rng = np.random.default_rng(1000 + seed)
    return np.split(values, np.sort(rng.integers(0, values.size + 1, rng.integers(1, 12))))


def counted_both_ways(seed):
    """Ledger of the whole signal, after making sure that the one of its parts is the same."""
    whole = ledger.count(signal(seed), EDGES)
    assert ledger.merge_all([ledger.count(part, EDGES) for part in parts_of(signal(seed), seed)]) == whole
    return whole


def pairs(counted):
    return Counter(
        {
            (int(low), int(high)): int(count)
            for low, high, count in zip(counted.low_class, counted.high_class, counted.counts, strict=True)
        }
    )


def undirected(first, second):
    lows, highs = np.minimum(first, second), np.maximum(first, second)
    return Counter(zip(lows.astype(int).tolist(), highs.astype(int).tolist(), strict=True))


def reversals(values):
    """First sample, turning points and last sample, without plateaus."""
    moved = values[np.concatenate(([True], np.diff(values) != 0))]
    rising = np.diff(moved) > 0
    turns = (
        np.concatenate(([True], rising[1:] != rising[:-1], [True]))
        if moved.size > 1
        else np.ones(moved.size, bool)
    )
    return moved[turns]


@pytest.mark.parametrize("seed", SEEDS)
def test_pylife(seed):
    for parts in ([signal(seed)], parts_of(signal(seed), seed)):
        recorder = pylife.FullRecorder()
        detector = pylife.FourPointDetector(recorder=recorder)
        for part in parts:
            if part.size:
                detector.process(classes_of(part))
        whole = counted_both_ways(seed)
        assert pairs(whole) == undirected(recorder.values_from, recorder.values_to)
        assert whole.residue.tolist() == detector.residuals.tolist()


@pytest.mark.parametrize("seed", SEEDS)
def test_pylife_and_fatpack_with_wider_classes_outside(seed):
    values = signal(seed)
    classed = np.searchsorted(WIDER.edges_pct, values, side="right") - 1.0
    recorder = pylife.FullRecorder()
    detector = pylife.FourPointDetector(recorder=recorder)
    detector.process(classed)
    whole = ledger.count(values, WIDER)
    assert ledger.merge_all([ledger.count(part, WIDER) for part in parts_of(values, seed)]) == whole
    assert pairs(whole) == undirected(recorder.values_from, recorder.values_to)
    assert whole.residue.tolist() == detector.residuals.tolist()
    assert whole.clamped_low + whole.clamped_high == 0
    points = reversals(classed)
    if points.size >= 4:
        rows, residue = fatpack.find_rainflow_cycles(points)
        cycles = np.asarray(rows).reshape(-1, 2)
        assert pairs(whole) == undirected(cycles[:, 0], cycles[:, 1])
        assert whole.residue.tolist() == np.asarray(residue).tolist()


@pytest.mark.parametrize("seed", SEEDS)
def test_pylife_in_floats(seed):
    recorder = pylife.FullRecorder()
    pylife.FourPointDetector(recorder=recorder).process(signal(seed))
    counted = float_cycles.count(signal(seed))
    wanted = zip(
        np.minimum(recorder.values_from, recorder.values_to),
        np.maximum(recorder.values_from, recorder.values_to),
        strict=True,
    )
    assert sorted(zip(counted.low, counted.high, strict=True)) == sorted(wanted)


@pytest.mark.parametrize("seed", SEEDS)
def test_fatpack(seed):
    points = reversals(classes_of(signal(seed)))
    if points.size < 4:
        pytest.skip("fatpack needs four reversals")
    cycles, residue = fatpack.find_rainflow_cycles(points)
    whole = counted_both_ways(seed)
    cycles = np.asarray(cycles).reshape(-1, 2)
    assert pairs(whole) == undirected(cycles[:, 0], cycles[:, 1])
    assert whole.residue.tolist() == np.asarray(residue).tolist()


@pytest.mark.parametrize("seed", SEEDS)
def test_rfcnt(seed):
    found = rfcnt.rfc(
        classes_of(signal(seed)) + 0.5,
        class_width=1.0,
        class_count=CLASSES,
        class_offset=0.0,
        hysteresis=0.0,
        residual_method=rfcnt.ResidualMethod.NONE,
        spread_damage=rfcnt.SDMethod.NONE,
    )
    whole = counted_both_ways(seed)
    first, second = np.nonzero(found["rfm"])
    times = found["rfm"][first, second].astype(int)
    assert pairs(whole) == undirected(np.repeat(first, times), np.repeat(second, times))


@pytest.mark.parametrize("seed", SEEDS)
def test_rainflow(seed):
    wanted = Counter()
    for size, count in rainflow.count_cycles(classes_of(signal(seed))):
        wanted[round(size)] += count
    found = reading.cycles(counted_both_ways(seed), reading.ResidueRule.HALF_CYCLES)
    ranges = np.round(found.range_pct / EDGES.width_pct).astype(int)
    counted = Counter()
    for size, count in zip(ranges.tolist(), found.count.tolist(), strict=True):
        counted[size] += count
    assert counted == wanted


def test_the_signals_are_worth_counting():
    closed = [ledger.count(signal(seed), EDGES).closed for seed in SEEDS]
    assert sum(count > 0 for count in closed) > 0.9 * len(closed)
    assert min(closed[RANDOM_SIGNALS:]) > 100
