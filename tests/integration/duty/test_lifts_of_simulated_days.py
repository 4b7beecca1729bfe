"""Lifts found on simulated days, with noise, swinging loads and empty moves, against those that were planned."""

from datetime import timedelta

import numpy as np
import pytest

from duty.lifts import find, inside, lifts, signals
from simulator.generate import generate_day
from simulator.record import DayRecord
from simulator.yard import YardCrane, load_yard

YARD = load_yard(healthy=True)


def working_day(crane: YardCrane) -> DayRecord:
    for days in range(1, 30):
        record = generate_day(crane, crane.reference_day - timedelta(days=days))
        if record is not None and record.truth.lifts:
            return record
    raise AssertionError(f"{crane.name} does not work within a month")


@pytest.mark.parametrize("crane", YARD.cranes, ids=lambda crane: crane.name)
def test_every_planned_lift_is_found_once_and_nothing_else(crane: YardCrane) -> None:
    record = working_day(crane)
    planned = record.truth.lifts
    found = lifts(find(signals(crane.crane.type, record.t_ms, record.channels)))
    assert len(found) == len(planned)
    for true, seen in zip(planned, found, strict=True):
        # Noise decides where in the second before it the rise of a light load begins.
        assert true.started_ms - 1_000 <= seen.start_ms <= true.started_ms + 5_000
        assert true.ended_ms - 5_000 <= seen.end_ms <= true.ended_ms + 4_000  # most of a cell
        assert seen.peak_structural_pct == pytest.approx(true.peak_structural_pct, abs=2.0)
        assert seen.peak_outreach_m == pytest.approx(true.peak_outreach_m, rel=0.05)
        assert seen.mass_kg == pytest.approx(true.mass_kg, rel=0.06)
        assert seen.slew_travel_deg == pytest.approx(true.slew_travel_deg, rel=0.02, abs=1.0)
    stops = np.asarray(record.truth.limiter_stops_ms)
    in_plan = sum(lift.limiter_stops for lift in planned)
    assert abs(int(inside(found, stops).sum()) - in_plan) <= 0.1 * in_plan
