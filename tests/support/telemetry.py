"""Invented cranes and messages for tests: the same number always gives the same message."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import orjson

from domain.crane import Boom, Crane, CraneType, Site, Vehicle
from domain.messages import Leaf, topic

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CHANNELS = (
    *("utilisation_pct", "limit_pct", "slew_deg", "main_boom_deg"),
    *("knuckle_boom_deg", "extension_m", "oil_temperature_degc", "radio_quality_pct"),
)
MESSAGES_PER_BOOT = 1000

SITE = Site(name="test-yard", title="Invented yard", time_zone="Europe/Vienna")
BOOM = Boom(length_m=3, mass_kg=400, lowest_deg=-60, highest_deg=80)
CRANE_TYPE = CraneType(
    name="test-type",
    title="Invented type",
    pivot_offset_m=0.3,
    pivot_height_m=2.2,
    main_boom=BOOM,
    knuckle_boom=BOOM,
    rated_moment_kn_m=200,
    vehicle=Vehicle(
        mass_kg=15_000,
        centre_of_mass_x_m=1.5,
        stabiliser_spread_full_m=2.8,
        stabiliser_spread_none_m=1.2,
        rear_support_x_m=-3,
        front_support_x_m=3,
        pad_area_m2=0.12,
    ),
    invented=True,
)


def crane(name: str, site: str = SITE.name) -> Crane:
    """An invented crane, registered long ago."""
    return Crane(
        name=name,
        type=CRANE_TYPE,
        site=site,
        registered_at=datetime(2025, 1, 1, tzinfo=UTC),
        commissioned_on=date(2025, 1, 1),
    )


def boot_of(name: str, number: int) -> int:
    """The boot of a message: a new one every MESSAGES_PER_BOOT messages."""
    return abs(hash_of(name, number // MESSAGES_PER_BOOT)) % 2**62


def hash_of(name: str, number: int) -> int:
    """A number that depends on name and number alone."""
    seed = [*name.encode(), number]
    return int(np.random.default_rng(seed).integers(2**62))


def is_event(number: int) -> bool:
    """Whether a message of that number is an event."""
    return number % 10 == 9


def readings(name: str, number: int, n: int) -> np.ndarray:
    """Readings of a samples message, (channels, n), with two decimals and a few missing ones."""
    rng = np.random.default_rng([*name.encode(), number, 1])
    values = np.round(rng.uniform(0, 60, (len(CHANNELS), n)), 2)
    values[rng.random(values.shape) < 0.01] = np.nan
    return values.astype(np.float32)


def t0_of(number: int, n: int = 100, dt_ms: int = 100) -> datetime:
    """Start of a message: one after the other."""
    return START + timedelta(milliseconds=number * n * dt_ms)


def message(name: str, number: int, n: int = 100, dt_ms: int = 100) -> tuple[str, bytes]:
    """(topic, payload) of message `number` of a crane."""
    boot, seq, t0 = boot_of(name, number), number % MESSAGES_PER_BOOT, t0_of(number, n, dt_ms)
    if is_event(number):
        body = {
            "boot": boot,
            "seq": seq,
            "at": t0,
            "kind": "fault",
            "code": f"E{number % 7}",
            "state": "raised",
        }
        return topic(name, Leaf.EVENTS), orjson.dumps(body)
    values = [
        [None if np.isnan(value) else float(str(value)) for value in row] for row in readings(name, number, n)
    ]
    channels = dict(zip(CHANNELS, values, strict=True))
    body = {"boot": boot, "seq": seq, "t0": t0, "dt_ms": dt_ms, "channels": channels}
    return topic(name, Leaf.SAMPLES), orjson.dumps(body)
