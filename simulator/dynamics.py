"""What moving and lifting adds to the static moments: inertia of the load, its swing, and vibration of the booms.

Linear and small-angle throughout. Each oscillator is solved exactly for an input that is straight between samples
(first-order hold), so the result does not depend on the step as long as the input is straight between samples.
The booms' own inertia, wind, side pull and the hydraulic cylinders are left out.
"""

from functools import lru_cache

import numpy as np
from scipy.signal import cont2discrete, lfilter

from domain.units import STANDARD_GRAVITY_M_S2
from simulator.machine import Dynamics, Floats, Hook, Machine


def swing_period_s(sling_m: float) -> float:
    """Period of a small undamped swing [s]: 2*pi*sqrt(L/g) (Huygens, Horologium Oscillatorium, 1673)."""
    return float(2 * np.pi * np.sqrt(sling_m / STANDARD_GRAVITY_M_S2))


def swing_rad(acceleration_m_s2: Floats, dt_s: float, sling_m: float, damping: float) -> Floats:
    """Angle of the sling to the vertical [rad], positive outwards, under a hook that accelerates outwards.

    theta'' + 2 z w theta' + w^2 theta = -a/L with w^2 = g/L: the linearised pendulum with a moving pivot.
    At rest to begin with.
    """
    natural = np.sqrt(STANDARD_GRAVITY_M_S2 / sling_m)
    return _oscillator(-np.asarray(acceleration_m_s2) / STANDARD_GRAVITY_M_S2, dt_s, float(natural), damping)


def winch_swing_rad(acceleration_m_s2: Floats, dt_s: float, length_m: Floats, damping: float) -> Floats:
    """Angle to the vertical [rad] of a load on a rope whose length changes; `length_m` > 0 at each sample.

    (L^2 theta')' = -L*(g theta + a), damped by 2 z w theta': angular momentum about the moving tip, small angles (any text on
    mechanics; drawn up slowly, the swing grows as L^(-3/4), Landau and Lifshitz, Mechanics, par. 49, from memory).
    Over each step the rope is held at its mean and the step solved exactly; at rest to begin with.
    """
    push = -np.asarray(acceleration_m_s2, float) / STANDARD_GRAVITY_M_S2
    if len(push) < 2:
        return np.zeros_like(push)
    mean_m = (length_m[1:] + length_m[:-1]) / 2
    natural = np.sqrt(STANDARD_GRAVITY_M_S2 / mean_m)
    decay, damped = damping * natural, natural * np.sqrt(1 - damping**2)
    fades = np.exp(-decay * dt_s)
    cosine, sine = fades * np.cos(damped * dt_s), fades * np.sin(damped * dt_s) / damped
    slope = np.diff(push) / dt_s
    lag = 2 * damping / natural * slope  # what follows a straight push lies behind it by so much
    stay, gain, pull, keep = cosine + decay * sine, sine, -(natural**2) * sine, cosine - decay * sine
    before, after = lag - push[:-1], push[1:] - lag
    shift_angle = stay * before - gain * slope + after
    shift_speed = pull * before - keep * slope + slope
    square = mean_m**2
    rows = (stay, gain / square, pull * square, keep, shift_angle, shift_speed * square)
    angle, momentum = 0.0, 0.0  # momentum: L^2 theta', which a change of length leaves alone
    found = [0.0]
    for a, b, c, d, e, f in zip(*(row.tolist() for row in rows), strict=True):
        angle, momentum = a * angle + b * momentum + e, c * angle + d * momentum + f
        found.append(angle)
    return np.array(found)


def vibration(static: Floats, dt_s: float, frequency_hz: float, damping: float) -> Floats:
    """Response of booms and load, taken as one damped oscillator, to a changing static moment; at rest to begin with.

    y'' + 2 z w y' + w^2 y = w^2 x: it overshoots what is put on quickly and follows what is put on slowly.
    """
    return _oscillator(np.asarray(static), dt_s, 2 * np.pi * frequency_hz, damping)


def _oscillator(signal: Floats, dt_s: float, natural_rad_s: float, damping: float) -> Floats:
    numerator, denominator = _coefficients(dt_s, natural_rad_s, damping)
    return np.asarray(lfilter(numerator, denominator, signal))


@lru_cache(maxsize=256)
def _coefficients(dt_s: float, natural_rad_s: float, damping: float) -> tuple[Floats, Floats]:
    square = natural_rad_s**2
    continuous = (np.array([square]), np.array([1.0, 2 * damping * natural_rad_s, square]))
    numerator, denominator, _ = cont2discrete(continuous, dt_s, method="foh")
    return np.asarray(numerator, float).ravel(), np.asarray(denominator, float)


def load_moment_kn_m(
    machine: Machine,
    hook: Hook,
    slew_deg: Floats,
    mass_kg: Floats,
    dt_s: float,
    rope_m: Floats | None = None,
) -> Floats:
    """Moment of a moving load about the main boom pivot [kN.m], with swing and vibration.

    The rope pulls with m*(g + a_y) down and, swung by theta, with m*g*theta outwards; the first has the horizontal arm
    of the hook, the second its height above the pivot. A load is steadied at pick-up: only its own movements swing it.
    `rope_m`, of a machine with a winch: the load swings on rope and sling, and pulls at the tip, so much above the hook.
    """
    dynamics: Dynamics = machine.dynamics
    crane_type = machine.crane_type
    turning_rad_s = np.radians(np.gradient(slew_deg, dt_s))
    outwards = _second_difference(hook.outreach_m, dt_s) - hook.outreach_m * turning_rad_s**2
    outwards = np.where(mass_kg > 0, outwards, 0.0)
    height_m = hook.hook_height_m - crane_type.pivot_height_m
    if rope_m is None:
        angle = swing_rad(outwards, dt_s, dynamics.sling_m, dynamics.swing_damping)
    else:
        angle = winch_swing_rad(outwards, dt_s, rope_m + dynamics.sling_m, dynamics.swing_damping)
        height_m = height_m + rope_m
    down = STANDARD_GRAVITY_M_S2 + _second_difference(hook.hook_height_m, dt_s)
    arm_m = hook.outreach_m - crane_type.pivot_offset_m
    moving = mass_kg * (down * arm_m + STANDARD_GRAVITY_M_S2 * angle * height_m) / 1000.0
    return vibration(moving, dt_s, dynamics.frequency_hz, dynamics.damping)


def _second_difference(values: Floats, dt_s: float) -> Floats:
    """Second derivative from neighbours; 0 at both ends, where every crane rests."""
    result = np.zeros_like(values)
    result[1:-1] = (values[2:] - 2 * values[1:-1] + values[:-2]) / dt_s**2
    return result
