"""The hand-held controller: its codes come and go with the readings that the crane sends."""

from datetime import date

import numpy as np
import pytest

from domain.messages import EventKind, EventState
from simulator.calendar import outages_on
from simulator.controller import (
    BATTERY_CODE,
    BATTERY_FINE_PCT,
    BATTERY_LOW_PCT,
    RADIO_CODE,
    RADIO_FINE_PCT,
    RADIO_POOR_PCT,
    battery_pct,
)
from simulator.generate import generate
from simulator.record import DayRecord
from simulator.shift import plan_day
from simulator.signals import Recorder, Signals, signals_of
from simulator.yard import load_yard

YARD = load_yard(healthy=True)
NAMES = ("yard-02", "yard-05", "yard-10", "yard-11")
FIRST = date(2025, 9, 1)


@pytest.fixture(scope="module")
def records() -> list[DayRecord]:
    return list(generate([YARD.crane(name) for name in NAMES], FIRST, 120, 1, dt_ms=2000))


def told(record: DayRecord, code: str) -> list[tuple[EventState, int]]:
    return [(event.state, event.at_ms) for event in record.events if event.code == code]


@pytest.mark.parametrize(
    ("code", "channel", "low", "fine"),
    [
        (BATTERY_CODE, "controller_battery_pct", BATTERY_LOW_PCT, BATTERY_FINE_PCT),
        (RADIO_CODE, "radio_quality_pct", RADIO_POOR_PCT, RADIO_FINE_PCT),
    ],
)
def test_each_code_is_raised_and_cleared_by_its_reading(
    records: list[DayRecord], code: str, channel: str, low: float, fine: float
) -> None:
    episodes = 0
    for record in records:
        values = record.channels[channel]
        events = told(record, code)
        # raised and cleared in turn, and raised on every day and only on days whose reading was that low
        assert [state for state, _ in events] == [EventState.RAISED, EventState.CLEARED] * (len(events) // 2)
        assert bool(events) == bool((values <= low).any())
        ends_of_stops = set(record.t_ms[np.append(np.diff(record.t_ms) > 60_000, True)].tolist())
        active = np.zeros(len(values), dtype=bool)
        for (_, begin), (_, end) in zip(events[::2], events[1::2], strict=True):
            episodes += 1
            first, last = np.searchsorted(record.t_ms, (begin, end))
            assert values[first] <= low
            assert values[first:last].max() <= fine
            assert values[last] > fine or end in ends_of_stops
            active[first : last + 1] = True
        assert not (values[~active] <= low).any()
    assert episodes >= 3


def test_nothing_else_raises_them(records: list[DayRecord]) -> None:
    days = {record.day for record in records}
    codes = [
        outage.code.code
        for name in NAMES
        for day in days
        for outage in outages_on(YARD.crane(name), day, 1)[0]
    ]
    assert len(codes) > 20
    assert not {BATTERY_CODE, RADIO_CODE} & set(codes)


def test_most_days_are_without_them(records: list[DayRecord]) -> None:
    for code in (BATTERY_CODE, RADIO_CODE):
        assert sum(bool(told(record, code)) for record in records) < 0.1 * len(records)


def test_the_same_seed_and_any_step_give_the_same_codes(records: list[DayRecord]) -> None:
    day = next(record for record in records if told(record, BATTERY_CODE))
    crane = YARD.crane(day.crane)
    again, finer = (next(generate([crane], day.day, 1, 1, dt_ms=step)) for step in (2000, 500))
    assert told(again, BATTERY_CODE) == told(day, BATTERY_CODE)
    raised, other = told(day, BATTERY_CODE)[0][1], told(finer, BATTERY_CODE)[0][1]
    assert abs(raised - other) <= 2000
    faults = [event for event in day.events if event.kind is EventKind.FAULT and event.code == BATTERY_CODE]
    assert all("battery low" in event.text for event in faults)


def signals() -> Signals:
    crane = YARD.crane("yard-02")
    return signals_of(crane.machine, plan_day(crane, date(2025, 11, 5), 1), Recorder(dt_ms=1000))


def test_a_low_battery_is_changed_after_the_stop_and_a_flat_one_at_once() -> None:
    of_day = signals()
    per_hour = 100.0 / 9
    hours = of_day.passed_s / 3600
    first_stop = of_day.session == 0
    leaves = 12.0 + per_hour * float(hours[first_stop][-1])
    charge = battery_pct(of_day, leaves, 95.0)
    assert charge[first_stop][-1] == pytest.approx(12.0, abs=0.1)
    assert charge[~first_stop][0] == pytest.approx(95.0, abs=0.1)
    flat = battery_pct(of_day, 6.0, 95.0)
    at = int(np.argmax(np.diff(flat) > 50)) + 1
    assert of_day.passed_s[at] == pytest.approx(3600 / per_hour, abs=2.0)  # one percent, at 11.1 % an hour
    assert of_day.session[at] == 0
    np.testing.assert_allclose(battery_pct(of_day, 98.0, 95.0), 98.0 - per_hour * hours)
