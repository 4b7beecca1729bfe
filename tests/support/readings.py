"""Readings of an invented crane that moves its empty booms, as statics have them, to be made wrong by a test."""

import numpy as np

from duty.minutes import Readings
from duty.statics import self_moment_kn_m
from simulator.machine import load_machine

TYPE = load_machine("middle-24").crane_type
FOLDED = {"main_boom_deg": 80.0, "knuckle_boom_deg": -85.0, "extension_m": 0.0}
_MINUTE_MS = 60_000


def work(minutes: int, seed: int = 0, step_ms: int = 1000, zero_pct: float = 0.0) -> Readings:
    """Empty booms in slow movement, a sample every step_ms, with a zero of the reading and some noise."""
    rng = np.random.default_rng(seed)
    n = minutes * _MINUTE_MS // step_ms
    t = np.arange(n) * step_ms / _MINUTE_MS
    pose = {
        "main_boom_deg": 40 + 25 * np.sin(t),
        "knuckle_boom_deg": -10 + 20 * np.cos(t / 2),
        "extension_m": 3 + 3 * np.sin(t / 3),
    }
    channels = {
        "utilisation_pct": by_statics(**pose) + zero_pct + rng.normal(0, 0.1, n),
        "limit_pct": np.full(n, 100.0),
        "slew_deg": 90 * np.sin(t / 4),
        **pose,
    }
    return Readings(
        np.arange(n, dtype=np.int64) * step_ms,
        np.full(n, step_ms, np.int64),
        {name: values.astype(np.float32) for name, values in channels.items()},
    )


def by_statics(
    main_boom_deg: np.ndarray, knuckle_boom_deg: np.ndarray, extension_m: np.ndarray
) -> np.ndarray:
    """Utilisation of empty booms at a limit of 100 % [%]."""
    own = self_moment_kn_m(TYPE, main_boom_deg, knuckle_boom_deg, extension_m)
    return np.asarray(100 * own / TYPE.rated_moment_kn_m)


def folded(minutes: int, seed: int = 0, step_ms: int = 1000, zero_pct: float = 0.0) -> Readings:
    """The same with the booms folded for the first third of the time."""
    readings = work(minutes, seed, step_ms)
    rest = np.arange(readings.at_ms.size) < readings.at_ms.size // 3
    pose = {name: np.where(rest, value, readings.channels[name]) for name, value in FOLDED.items()}
    noise = np.random.default_rng(seed).normal(0, 0.1, rest.size)
    return changed(readings, **pose, utilisation_pct=by_statics(**pose) + zero_pct + noise)


def changed(readings: Readings, **channels: np.ndarray | None) -> Readings:
    """The same with other channels; None takes one away."""
    kept = {
        name: values for name, values in readings.channels.items() if channels.get(name, values) is not None
    }
    more = {name: np.asarray(values, np.float32) for name, values in channels.items() if values is not None}
    return readings._replace(channels={**kept, **more})
