"""A winch at the jib's tip: where the hook hangs, how the load swings on a changing rope, and what hoisting by rope adds."""

from datetime import date, timedelta

import numpy as np
import pytest
from pydantic import ValidationError

from domain.units import STANDARD_GRAVITY_M_S2
from simulator.dynamics import load_moment_kn_m, swing_rad, winch_swing_rad
from simulator.generate import generate_day
from simulator.lifting import Mark
from simulator.machine import (
    ROPE,
    Hook,
    Machine,
    hook_of,
    joints_for,
    load_machine,
    utilisation_of,
)
from simulator.record import DayRecord
from simulator.shift import Session, plan_day
from simulator.yard import load_yard

NAME = "yard-09"
YARD = load_yard(healthy=True)
MACHINE = load_machine("long-40-winch")
DAYS = [date(2025, 11, 3) + timedelta(days=k) for k in range(21)]


@pytest.fixture(scope="module")
def sessions() -> list[Session]:
    return [session for day in DAYS for session in plan_day(YARD.crane(NAME), day, 1)]


@pytest.fixture(scope="module")
def record() -> DayRecord:
    records = (generate_day(YARD.crane(NAME), day, 1, dt_ms=100) for day in DAYS)
    return next(record for record in records if record is not None)


def test_the_hook_hangs_a_rope_below_the_tip_and_the_static_moment_does_not_know_of_it() -> None:
    assert MACHINE.winch is not None
    pose = joints_for(MACHINE, 90.0, 12.0, 4.0, 20.0, 6.0)
    assert np.isfinite(pose).all()
    hook = hook_of(MACHINE, pose)
    assert (float(hook.outreach_m), float(hook.hook_height_m)) == pytest.approx((12.0, 4.0))
    lower = pose.copy()
    lower[ROPE] += 2.5
    below = hook_of(MACHINE, lower)
    assert float(below.hook_height_m) == pytest.approx(1.5)
    assert float(below.outreach_m) == float(hook.outreach_m)
    assert utilisation_of(MACHINE, below, 800.0, 100.0) == utilisation_of(MACHINE, hook, 800.0, 100.0)


def test_the_rope_stays_between_its_ends_and_within_the_winchs_speed(sessions: list[Session]) -> None:
    winch = MACHINE.winch
    assert winch is not None
    out = 0
    for session in sessions:
        rope = session.joints[:, ROPE]
        assert winch.shortest_m <= rope.min()
        assert rope.max() <= winch.longest_m
        mean_speed = np.abs(np.diff(rope)) / np.diff(session.knot_s)
        assert 1.5 * mean_speed.max() <= MACHINE.drive.rope_m_s * (1 + 1e-9)
        out += int((rope > winch.shortest_m).sum())
    assert out > 100


def test_most_loads_are_drawn_up_by_the_winch_with_the_booms_at_rest(sessions: list[Session]) -> None:
    by_rope = total = 0
    for session in sessions:
        at = np.flatnonzero(session.mark == Mark.LOAD_ON)
        travel = session.joints[at + 1] - session.joints[at]
        total += len(at)
        by_rope += int(((travel[:, ROPE] < -0.9) & (np.abs(travel[:, :ROPE]).max(axis=1) == 0)).sum())
    assert total > 100
    assert by_rope > 0.8 * total


def test_hook_height_in_signal_and_truth_follows_the_rope(record: DayRecord) -> None:
    height = record.channels["hook_height_m"]
    crane_type, channels = MACHINE.crane_type, record.channels
    assert crane_type.jib is not None
    a, b, c = (np.radians(channels[name]) for name in ("main_boom_deg", "knuckle_boom_deg", "jib_deg"))
    tip = crane_type.pivot_height_m + crane_type.main_boom.length_m * np.sin(a)
    tip = tip + (crane_type.knuckle_boom.length_m + channels["extension_m"]) * np.sin(b)
    tip = tip + (crane_type.jib.boom.length_m + channels["jib_extension_m"]) * np.sin(c)
    rope = tip - height
    assert rope.min() == pytest.approx(0.8, abs=0.05)  # the last digits of the angles, over 20 m
    assert rope.max() > 2.5
    for lift in record.truth.lifts:
        during = (record.t_ms >= lift.started_ms) & (record.t_ms < lift.ended_ms)
        assert lift.highest_hook_m == pytest.approx(float(height[during].max()), abs=0.01)
        assert lift.rope_travel_m == pytest.approx(np.abs(np.diff(rope[during])).sum(), rel=0.7, abs=0.5)
    assert sum(lift.rope_travel_m for lift in record.truth.lifts) > len(record.truth.lifts)


def test_a_rope_of_one_length_swings_as_the_pendulum_does() -> None:
    rng = np.random.default_rng(4)
    push = np.repeat(rng.normal(0, 0.4, 40), 25)
    push[0] = 0.0  # both begin at rest
    expected = swing_rad(push, 0.1, 7.0, 0.08)
    np.testing.assert_allclose(winch_swing_rad(push, 0.1, np.full(len(push), 7.0), 0.08), expected, atol=1e-9)


@pytest.mark.parametrize(("begin_m", "end_m"), [(12.0, 4.0), (4.0, 12.0)])
def test_a_swing_drawn_up_slowly_grows_as_the_adiabatic_invariant_says(begin_m: float, end_m: float) -> None:
    """Energy over frequency is kept, so the angle goes as L^(-3/4): Landau and Lifshitz, Mechanics, par. 49 (from memory).
    From 12 m to 4 m: 3^0.75 = 2.2795."""
    dt_s, rest, slow = 0.02, 3000, 60_000
    length = np.concatenate([np.full(rest, begin_m), np.linspace(begin_m, end_m, slow), np.full(rest, end_m)])
    push = np.zeros(len(length))
    push[:100] = 0.3
    angle = winch_swing_rad(push, dt_s, length, 0.0)
    grown = np.abs(angle[-rest:]).max() / np.abs(angle[200:rest]).max()
    assert grown == pytest.approx((begin_m / end_m) ** 0.75, rel=0.01)


def test_hoisting_by_winch_presses_harder_while_it_gathers_speed() -> None:
    """A rope drawn in with 0.1 m/s^2 adds 0.1/9.80665 = 1.0197 % to the moment, by hand; the booms stand still."""
    time_s = np.arange(0, 17, 0.05)
    rope = 16.0 - 0.05 * time_s**2
    hook = Hook(np.full(len(time_s), 10.0), 12.0 - rope, np.zeros(len(time_s)))
    mass, slew = np.full(len(time_s), 1000.0), np.zeros(len(time_s))
    moment = load_moment_kn_m(MACHINE, hook, slew, mass, 0.05, rope)
    weight = STANDARD_GRAVITY_M_S2 * (10.0 - MACHINE.crane_type.pivot_offset_m)
    assert moment[-2] / weight == pytest.approx(1.010197, abs=5e-5)


def test_a_swinging_load_pulls_at_the_tip_and_not_at_the_hook() -> None:
    """Turning steadily at 5 deg/s, 10 m out: angle 10 w^2/g = 0.0077657; its pull has the arm of the tip, 12 m up, less the
    pivot's 2.7 m: 0.0077657 * 9.80665 * 9.3 = 0.7082 kN.m for 1000 kg, by hand, whatever the rope."""
    n, dt_s = 20_000, 0.02
    slew, mass = 5.0 * dt_s * np.arange(n), np.full(n, 1000.0)
    weight = STANDARD_GRAVITY_M_S2 * (10.0 - MACHINE.crane_type.pivot_offset_m)
    for out_m in (2.0, 8.0):
        rope = np.full(n, out_m)
        hook = Hook(np.full(n, 10.0), 12.0 - rope, np.zeros(n))
        moment = load_moment_kn_m(MACHINE, hook, slew, mass, dt_s, rope)
        assert moment[-5] - weight == pytest.approx(0.7082, abs=2e-3)


def test_a_winch_is_refused_where_it_cannot_be() -> None:
    raw = load_machine("long-40").model_dump()
    with pytest.raises(ValidationError, match="give crane_type a jib"):
        Machine.model_validate(raw | {"winch": {"shortest_m": 1, "longest_m": 9}})
    with pytest.raises(ValidationError, match="shortest_m must lie below"):
        Machine.model_validate(MACHINE.model_dump() | {"winch": {"shortest_m": 9, "longest_m": 9}})


def test_a_machine_without_a_winch_has_its_hook_at_the_tip() -> None:
    for session in plan_day(YARD.crane("yard-10"), date(2025, 11, 5), 1):
        assert np.abs(session.joints[:, ROPE]).max() == 0.0
