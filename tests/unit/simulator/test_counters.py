"""Counters in samples: they go on from day to day and agree with the truth of the days between."""

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from simulator import counters
from simulator.generate import generate, generate_day
from simulator.record import DayRecord
from simulator.yard import load_yard

CRANE = load_yard(date(2026, 3, 1)).crane("yard-06")
FIRST = date(2026, 2, 16)


@pytest.fixture(scope="module")
def records() -> list[DayRecord]:
    return list(generate([CRANE], FIRST, 28, seed=3, dt_ms=1000))


def test_counters_rise_by_what_was_worked(records: list[DayRecord]) -> None:
    assert len(records) > 3
    for record in records:
        hours, lifts = (record.channels[name] for name in ("operating_hours_h", "lift_counter"))
        assert (np.diff(hours) >= 0).all()
        assert hours[-1] - hours[0] == pytest.approx(record.truth.recorded_s / 3600, abs=0.011)
        assert lifts[-1] - lifts[0] == len(record.truth.lifts)
    for before, after in pairwise(records):
        assert after.channels["lift_counter"][0] == before.channels["lift_counter"][-1]
        assert after.channels["operating_hours_h"][0] == pytest.approx(
            before.channels["operating_hours_h"][-1], abs=0.011
        )


def test_any_day_by_itself_reads_the_same(records: list[DayRecord]) -> None:
    last = records[-1]
    counters._AT_BEGIN.clear()
    alone = generate_day(CRANE, last.day, 3, dt_ms=1000)
    assert alone is not None
    np.testing.assert_array_equal(alone.channels["lift_counter"], last.channels["lift_counter"])
    there = counters.at_begin(CRANE, FIRST, 3)
    counters._AT_BEGIN.clear()
    assert counters.at_begin(CRANE, FIRST, 3) == there
    assert counters.at_begin(CRANE, FIRST + timedelta(days=1), 3).hours >= there.hours


def test_other_cranes_send_none() -> None:
    record = next(generate(load_yard().cranes[:1], FIRST, 3, dt_ms=1000))
    assert not {"operating_hours_h", "lift_counter"} & record.channels.keys()
