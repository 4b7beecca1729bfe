"""What the crane's sensors make of the true signals: noise, drift, steps of the last digit, and the comfort channels."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulator.controller import Controller
from simulator.machine import Floats
from simulator.record import Floats32
from simulator.signals import Signals
from simulator.yard import YardCrane

_DIGITS: Final = {
    "limit_pct": 1,
    "slew_deg": 1,
    "main_boom_deg": 1,
    "knuckle_boom_deg": 1,
    "extension_m": 2,
    "jib_deg": 1,
    "jib_extension_m": 2,
    "outreach_m": 2,
    "hook_height_m": 2,
    "mode": 0,
    "stabiliser_left_pct": 0,
    "stabiliser_right_pct": 0,
    "oil_temperature_degc": 1,
}
_OIL_WARMS_S: Final = 2400.0


def offset_pct(crane: YardCrane, day_ordinal: int) -> float:
    """Offset of the utilisation sensor on a day [%]: the steady one, and a drift that grows evenly since it began."""
    since = crane.reference_day.toordinal() - crane.faults.drift_days
    days = max(day_ordinal - since, 0) if crane.faults.drift_days else 0
    return crane.faults.offset_pct + crane.faults.drift_pct_per_30_days * days / 30.0


def clock_offset_ms(crane: YardCrane, day_ordinal: int) -> int:
    """How far the crane's clock runs ahead on a day [ms]: a steady part, and what it gained since it began to run off.

    One that runs off is never more than an hour behind or four minutes ahead: then somebody sets it.
    """
    faults = crane.faults
    if not faults.clock_days:
        return round(1000 * faults.clock_offset_s)
    since = crane.reference_day.toordinal() - faults.clock_days
    gained_s = faults.clock_drift_s_per_day * max(day_ordinal - since, 0)
    return round(1000 * min(max(faults.clock_offset_s + gained_s, -3600.0), 240.0))


def sensed(
    rng: np.random.Generator,
    crane: YardCrane,
    signals: Signals,
    controller: Controller,
    day_ordinal: int,
) -> dict[str, Floats32]:
    """The channels that this crane sends, as its sensors read them; a lost reading is NaN."""
    sensors = crane.machine.sensors
    noise = rng.standard_normal(len(signals.t_ms)) * sensors.noise_pct
    read = signals.utilisation_pct + noise + offset_pct(crane, day_ordinal)
    steps = np.rint(read / sensors.quantum_pct) * sensors.quantum_pct
    steps = _spiked(rng, crane, signals, steps)
    if crane.faults.stuck_at_pct is not None:
        steps[:] = crane.faults.stuck_at_pct
    steps[_lost(rng, crane, signals)] = np.nan
    jib_deg, jib_extension_m = crane.machine.jib_arguments(signals.joints)
    all_channels: dict[str, Floats | None] = {
        "utilisation_pct": np.clip(np.round(steps, 1), -20.0, 400.0),
        "limit_pct": signals.limit_pct,
        "slew_deg": signals.joints[:, 0],
        "main_boom_deg": _stuck(rng, crane, signals, signals.joints[:, 1]),
        "knuckle_boom_deg": signals.joints[:, 2],
        "extension_m": signals.joints[:, 3],
        "jib_deg": jib_deg,
        "jib_extension_m": jib_extension_m,
        "outreach_m": signals.hook.outreach_m,
        "hook_height_m": signals.hook.hook_height_m,
        "mode": signals.mode,
        "stabiliser_left_pct": signals.left_pct,
        "stabiliser_right_pct": signals.right_pct,
        "oil_temperature_degc": _oil_degc(rng, signals, day_ordinal),
        "controller_battery_pct": controller.battery_pct,
        "radio_quality_pct": controller.radio_pct,
    }
    channels = {}
    for name in crane.machine.channels:
        values = all_channels[name]
        if values is not None and name not in crane.faults.unsent:
            digits = _DIGITS.get(name)
            read = values if digits is None else np.round(values, digits)
            channels[name] = (read * crane.faults.factors.get(name, 1.0)).astype(np.float32)
            if name in crane.faults.fixed:
                channels[name][:] = crane.faults.fixed[name]
    return channels


def _spiked(rng: np.random.Generator, crane: YardCrane, signals: Signals, values: Floats) -> Floats:
    """The values with single readings far above them, as a loose plug gives them."""
    if not crane.faults.spikes_per_hour:
        return values
    own = rng.spawn(1)[0]  # what else is drawn stays the same with and without spikes
    hours = float(signals.passed_s[-1]) / 3600
    at = own.integers(len(values), size=int(own.poisson(crane.faults.spikes_per_hour * hours)))
    values[at] = own.uniform(0.6, 1.0, at.size) * crane.faults.spike_pct
    return values


def _lost(rng: np.random.Generator, crane: YardCrane, signals: Signals) -> NDArray[np.bool_]:
    """Samples at which the utilisation reading is lost: a few seconds or minutes at a time."""
    lost = np.zeros(len(signals.t_ms), dtype=bool)
    passed_s = signals.passed_s
    hours = float(passed_s[-1]) / 3600
    for _ in range(int(rng.poisson(crane.faults.dropouts_per_hour * hours))):
        first = int(rng.integers(len(lost)))
        last = np.searchsorted(passed_s, passed_s[first] + rng.uniform(0.5, crane.faults.dropout_longest_s))
        lost[first : max(int(last), first + 1)] = True
    return lost


def _stuck(rng: np.random.Generator, crane: YardCrane, signals: Signals, values: Floats) -> Floats:
    """The values as a sensor gives them that sticks for some minutes at some of the stops."""
    read = values.copy()
    passed_s = signals.passed_s
    for session in range(int(signals.session[-1]) + 1):
        if rng.random() < crane.faults.stuck_share:
            low, high = np.searchsorted(signals.session, (session, session + 1))
            first = int(rng.integers(low, high))
            last = min(int(np.searchsorted(passed_s, passed_s[first] + rng.uniform(60, 300))), int(high))
            read[first:last] = read[first]
    return read


def _oil_degc(rng: np.random.Generator, signals: Signals, day_ordinal: int) -> Floats:
    """Oil temperature [degC]: a slow curve over the time at work, from what the season has it at."""
    season = -np.cos(2 * np.pi * (day_ordinal % 365.25 - 20) / 365.25)
    outside = 9.0 + 11.0 * season + rng.normal(0, 3)
    return np.asarray(outside + 38.0 * (1 - np.exp(-signals.passed_s / _OIL_WARMS_S)))
