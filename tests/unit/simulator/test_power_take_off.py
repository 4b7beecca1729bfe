"""Power take-off and engine: off between stops with nothing moving, told by mode events and by the gap in the record."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from enum import IntEnum

import numpy as np
import pytest
from numpy.typing import NDArray

from domain.errors import InvalidInput
from simulator.generate import generate_day
from simulator.shift import Session, plan_day, powered
from simulator.signals import Recorder, signals_of
from simulator.yard import load_yard

CRANE = load_yard(healthy=True).crane("yard-02")
DAY = date(2025, 11, 5)
SESSIONS = plan_day(CRANE, DAY, 1)


class Engine(IntEnum):
    """What the engine drives: OFF, no pump (parked or on the road); IDLE, pump at rest; WORKING, under load or moving."""

    OFF = 0
    IDLE = 1
    WORKING = 2


def engine_at(sessions: Sequence[Session], at_ms: NDArray[np.int64]) -> NDArray[np.int8]:
    """`Engine` at times [ms UTC, true time]: OFF wherever no stop has the power take-off on."""
    state = np.full(len(at_ms), Engine.OFF, dtype=np.int8)
    for session in sessions:
        here = (at_ms >= session.start_ms) & (at_ms < session.start_ms + session.length_s * 1000)
        at_s = (at_ms[here] - session.start_ms) / 1000
        move = np.clip(np.searchsorted(session.knot_s, at_s, side="right") - 1, 0, len(session.knot_s) - 2)
        state[here] = np.where(session.works[move], Engine.WORKING, Engine.IDLE)
    return state


def test_no_sample_is_recorded_and_nothing_has_moved_while_it_is_off() -> None:
    record = generate_day(CRANE, DAY, 1, dt_ms=200)
    assert record is not None
    assert len(SESSIONS) > 2
    assert (engine_at(SESSIONS, record.t_ms) != Engine.OFF).all()
    pause = np.flatnonzero(np.diff(record.t_ms) > 60_000)
    assert len(pause) == len(SESSIONS) - 1
    between = (record.t_ms[pause] + record.t_ms[pause + 1]) // 2
    assert (engine_at(SESSIONS, between) == Engine.OFF).all()
    for name in ("slew_deg", "main_boom_deg", "knuckle_boom_deg", "extension_m"):
        values = record.channels[name]
        np.testing.assert_allclose(values[pause], values[pause + 1], atol=0.2)


def test_mode_events_tell_when_it_goes_on_and_off() -> None:
    record = generate_day(CRANE, DAY, 1, dt_ms=200)
    assert record is not None
    off = np.array([event.at_ms for event in record.events if event.code == "M-0"])
    assert len(off) == len(SESSIONS)
    assert (engine_at(SESSIONS, off - 10) != Engine.OFF).all()
    assert (engine_at(SESSIONS, off + 10) == Engine.OFF).all()
    on = np.array([session.start_ms for session in SESSIONS])
    assert {event.at_ms for event in record.events if event.code == "M-1"} >= set(on.tolist())
    assert (engine_at(SESSIONS, on - 10) == Engine.OFF).all()


def test_it_works_under_load_and_in_motion_and_idles_otherwise() -> None:
    signals = signals_of(CRANE.machine, SESSIONS, Recorder(dt_ms=100))
    state = engine_at(SESSIONS, signals.t_ms)
    assert (state[signals.mass_kg > 0] == Engine.WORKING).all()
    same_stop = np.diff(signals.session) == 0
    moving = np.flatnonzero((np.abs(np.diff(signals.joints, axis=0)).max(axis=1) > 1e-9) & same_stop)
    idle = state == Engine.IDLE
    assert idle[moving].mean() < 0.01  # a move that begins between two samples
    assert 0.05 < idle.mean() < 0.95
    summed_s = sum(session.working_s for session in SESSIONS)
    assert (state == Engine.WORKING).sum() * 0.1 == pytest.approx(summed_s, rel=0.01)


def test_truth_has_the_time_at_working_speed() -> None:
    record = generate_day(CRANE, DAY, 1, dt_ms=200)
    assert record is not None
    truth = record.truth
    assert truth.load_s < truth.engine_working_s < truth.recorded_s
    assert truth.engine_working_s == pytest.approx(sum(session.working_s for session in SESSIONS))


def test_motion_without_power_is_refused() -> None:
    assert powered(SESSIONS) == SESSIONS
    first, second = SESSIONS[:2]
    moved = second.joints.copy()
    moved[0, 1] -= 5.0
    with pytest.raises(InvalidInput, match="booms move while the power take-off is off"):
        powered([first, replace(second, joints=moved)])
    with pytest.raises(InvalidInput, match="before the one before it is over"):
        powered([first, replace(second, start_ms=first.start_ms + 1000)])
    hanging = second.mass_kg.copy()
    hanging[-1] = 300.0
    with pytest.raises(InvalidInput, match="a load hangs"):
        powered([first, replace(second, mass_kg=hanging)])
