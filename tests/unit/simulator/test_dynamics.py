"""Swing and vibration against closed forms; moments of a moving load against a case worked by hand."""

import numpy as np
import pytest

from domain.units import STANDARD_GRAVITY_M_S2
from simulator.dynamics import load_moment_kn_m, swing_period_s, swing_rad, vibration
from simulator.machine import Hook, load_machine


def crossings_s(values: np.ndarray, dt_s: float) -> np.ndarray:
    """Times of rising zero crossings [s], straight between samples."""
    at = np.flatnonzero((values[:-1] < 0) & (values[1:] >= 0))
    return (at + values[at] / (values[at] - values[at + 1])) * dt_s


@pytest.mark.parametrize("sling_m", [1.0, 2.5, 9.0])
def test_swing_period_is_huygens(sling_m: float) -> None:
    """Period of a small swing 2*pi*sqrt(L/g): Huygens, Horologium Oscillatorium (1673); any mechanics text.

    2.006409 s for L = 1 m and standard gravity (worked out by hand: 2*pi/sqrt(9.80665)).
    """
    if sling_m == 1.0:
        assert swing_period_s(1.0) == pytest.approx(2.006409, abs=1e-6)
    push = np.zeros(6000)
    push[:50] = 0.5
    crossed = crossings_s(swing_rad(push, 0.01, sling_m, damping=0.0), 0.01)
    np.testing.assert_allclose(np.diff(crossed[1:]), swing_period_s(sling_m), rtol=1e-4)


def test_a_steady_acceleration_swings_to_twice_its_balance() -> None:
    """Under a constant acceleration a the load swings between 0 and -2a/g about -a/g (by solving the equation)."""
    acceleration = 0.8
    angle = swing_rad(np.full(4000, acceleration), 0.01, 2.5, damping=0.0)
    balance = -acceleration / STANDARD_GRAVITY_M_S2
    assert angle.min() == pytest.approx(2 * balance, rel=1e-3)
    assert angle.max() == pytest.approx(0.0, abs=1e-3)
    settled = swing_rad(np.full(40_000, acceleration), 0.01, 2.5, damping=0.1)
    assert settled[-1] == pytest.approx(balance, rel=1e-6)


@pytest.mark.parametrize("rise", [0.25, 0.5, 1.0, 1.5, 2.7])
def test_vibration_after_a_ramp_is_the_text_books(rise: float) -> None:
    """Largest response of an undamped oscillator to a ramp that rises to 1 in t_r and stays:
    1 + |sin(pi t_r/T)| / (pi t_r/T), as in A. K. Chopra, Dynamics of Structures, step force with finite rise time
    (from memory)."""
    period_s, dt_s = 0.8, 0.002
    time = np.arange(0, 12, dt_s)
    response = vibration(np.clip(time / (rise * period_s), 0, 1), dt_s, 1 / period_s, damping=0.0)
    expected = 1 + abs(np.sin(np.pi * rise)) / (np.pi * rise)
    assert response.max() == pytest.approx(expected, abs=2e-4)


def test_overshoot_of_a_damped_oscillator() -> None:
    """First overshoot after a step exp(-pi z/sqrt(1-z^2)): K. Ogata, Modern Control Engineering (from memory)."""
    damping = 0.12
    response = vibration(np.concatenate([[0.0], np.ones(8000)]), 0.001, 1.0, damping)
    assert response.max() - 1 == pytest.approx(np.exp(-np.pi * damping / np.sqrt(1 - damping**2)), abs=2e-3)


@pytest.mark.parametrize("dt_s", [0.1, 0.2, 1.0])
def test_the_step_does_not_change_what_is_seen_at_a_sample(dt_s: float) -> None:
    """Input with corners at whole seconds only, so it is straight between samples for every step tried."""
    time = np.arange(0, 20, 0.05)
    ramp = np.interp(time, [0, 2, 5, 9, 12, 20], [0, 0, 3, 3, -1, -1])
    fine = vibration(ramp, 0.05, 0.9, 0.1)
    every = round(dt_s / 0.05)
    np.testing.assert_allclose(vibration(ramp[::every], dt_s, 0.9, 0.1), fine[::every], atol=1e-9)


def test_a_resting_load_weighs_its_weight() -> None:
    """1000 kg at 6.2 m from the slewing axis, pivot 0.2 m out: 9.80665 kN * 6.0 m = 58.8399 kN.m, by hand."""
    machine = load_machine("middle-24")
    n = 4000
    hook = Hook(np.full(n, 6.2), np.full(n, 3.0), np.zeros(n))
    moment = load_moment_kn_m(machine, hook, np.zeros(n), np.full(n, 1000.0), 0.05)
    assert moment[-1] == pytest.approx(58.8399, abs=1e-4)


def test_turning_throws_the_load_outwards() -> None:
    """Steady turning at w: the sling stands at atan(r w^2/g), small angle r w^2/g, and pulls m g times it outwards
    at the hook's height above the pivot. r = 6.2 m, w = 10 deg/s, 4 m above: 0.018888 * 9.80665 * 4 more, by hand
    0.7555 kN.m on 58.8399 kN.m for 1000 kg."""
    machine = load_machine("middle-24")
    n = 20_000
    hook = Hook(np.full(n, 6.2), np.full(n, 6.5), np.zeros(n))
    slew_deg = 10.0 * 0.01 * np.arange(n)
    moment = load_moment_kn_m(machine, hook, slew_deg, np.full(n, 1000.0), 0.01)
    rate = np.radians(10.0)
    outwards = 6.2 * rate**2 / STANDARD_GRAVITY_M_S2
    expected = STANDARD_GRAVITY_M_S2 * (6.0 + outwards * 4.0)
    assert moment[-5] == pytest.approx(expected, rel=1e-6)
    assert moment[-5] - 58.8399 == pytest.approx(0.7555, abs=5e-4)


def test_hoisting_up_presses_down_harder() -> None:
    """Rising with 0.3 m/s^2 adds 0.3/9.80665 = 3.059 % to the load's moment once vibration has settled."""
    machine = load_machine("middle-24")
    time = np.arange(0, 30, 0.05)
    hook = Hook(np.full(len(time), 6.2), 0.15 * time**2, np.zeros(len(time)))
    moment = load_moment_kn_m(machine, hook, np.zeros(len(time)), np.full(len(time), 1000.0), 0.05)
    assert moment[-2] / 58.8399 == pytest.approx(1.03059, abs=1e-4)
