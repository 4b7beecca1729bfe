"""A crane that records finely under load only: the same signal at fewer moments, in messages of one step each."""

from datetime import date

import numpy as np
import pytest

from domain.errors import InvalidInput
from simulator.generate import generate_day
from simulator.record import DayRecord
from simulator.signals import Recorder
from simulator.truth import late_messages
from simulator.yard import load_yard

YARD = load_yard(healthy=True)
DAY = date(2025, 11, 5)


def pair(name: str) -> tuple[DayRecord, DayRecord]:
    crane = YARD.crane(name)
    even = generate_day(crane, DAY, 3, dt_ms=100)
    coarse = generate_day(crane, DAY, 3, dt_ms=100, idle_ms=1000, samples_per_message=400)
    assert even is not None
    assert coarse is not None
    return even, coarse


@pytest.fixture(scope="module", params=["yard-02", "yard-08", "yard-11"])
def records(request: pytest.FixtureRequest) -> tuple[DayRecord, DayRecord]:
    return pair(request.param)


def test_what_is_recorded_is_the_same_signal_at_fewer_moments(records: tuple[DayRecord, DayRecord]) -> None:
    even, coarse = records
    assert coarse.samples < 0.75 * even.samples
    at = np.searchsorted(even.t_ms, coarse.t_ms)
    np.testing.assert_array_equal(even.t_ms[at], coarse.t_ms)
    # what still swings when the fine stretch ends is cut off: 2 % of what the release set going
    np.testing.assert_allclose(coarse.truth.structural_pct, even.truth.structural_pct[at], atol=0.6)
    np.testing.assert_array_equal(coarse.channels["main_boom_deg"], even.channels["main_boom_deg"][at])


def test_lifts_and_times_do_not_depend_on_the_idle_step(records: tuple[DayRecord, DayRecord]) -> None:
    even, coarse = records
    assert len(coarse.truth.lifts) == len(even.truth.lifts) > 0
    for ours, theirs in zip(coarse.truth.lifts, even.truth.lifts, strict=True):
        assert (ours.started_ms, ours.ended_ms, ours.limiter_stops) == (
            theirs.started_ms,
            theirs.ended_ms,
            theirs.limiter_stops,
        )
        assert ours.peak_structural_pct == pytest.approx(theirs.peak_structural_pct, abs=0.3)
    assert coarse.truth.load_s == pytest.approx(even.truth.load_s, abs=0.01)
    assert coarse.truth.near_limit_s == pytest.approx(even.truth.near_limit_s, abs=0.5)
    assert coarse.truth.recorded_s == pytest.approx(even.truth.recorded_s, rel=2e-3)


def test_a_message_has_one_step_and_ends_before_the_next_begins(
    records: tuple[DayRecord, DayRecord],
) -> None:
    _, coarse = records
    batches = coarse.batches
    assert set(batches.dt_ms.tolist()) == {100, 1000}
    assert batches.n.max() <= 400
    assert batches.n.sum() == coarse.samples
    for first, n, t0, dt in zip(batches.first, batches.n, batches.t0_ms, batches.dt_ms, strict=True):
        np.testing.assert_array_equal(coarse.t_ms[first : first + n], t0 + np.arange(n) * dt)
    ends = batches.t0_ms + batches.n * batches.dt_ms
    assert (ends[:-1] <= batches.t0_ms[1:]).all()
    assert late_messages(coarse) <= len(batches) + len(coarse.events)


def test_an_idle_step_that_does_not_fit_is_refused() -> None:
    with pytest.raises(InvalidInput, match="multiple"):
        Recorder(dt_ms=200, idle_ms=500)
    with pytest.raises(InvalidInput, match="multiple"):
        Recorder(dt_ms=0)
