"""The channels of a samples message: name, unit, physical range and meaning, in wire order.

Adding a channel: add it here, at the end (cold files name channels by their place), add the column to the table `segment` (DEVELOPERS.md), add the row in docs/nomenclature.md.
"""

from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray


class Channel(NamedTuple):
    """One measured quantity. A reading outside [low, high] is stored as missing."""

    name: str
    unit: str
    low: float
    high: float
    meaning: str


class Mode(IntEnum):
    """What the crane is being used as, the values of channel `mode`."""

    TRANSPORT = 0
    STABILISER = 1
    REMOTE = 2
    EMERGENCY = 3


CHANNELS: Final[tuple[Channel, ...]] = (
    Channel("utilisation_pct", "%", -20.0, 400.0, "load moment over the moment allowed now"),
    Channel("limit_pct", "%", 0.0, 150.0, "moment allowed now over the full structural rating"),
    Channel("slew_deg", "deg", -720.0, 720.0, "slewing angle, 0 over the cab, positive clockwise from above"),
    Channel("main_boom_deg", "deg", -120.0, 120.0, "main boom to the horizontal, positive up"),
    Channel("knuckle_boom_deg", "deg", -180.0, 180.0, "knuckle boom to the horizontal, positive up"),
    Channel("extension_m", "m", -0.5, 60.0, "sum of the hydraulic extensions of the knuckle boom"),
    Channel("jib_deg", "deg", -180.0, 180.0, "fly jib to the horizontal, positive up"),
    Channel("jib_extension_m", "m", -0.5, 40.0, "sum of the hydraulic extensions of the fly jib"),
    Channel(
        "outreach_m", "m", -5.0, 100.0, "slewing axis to hook, horizontal, where the crane sends it itself"
    ),
    Channel("hook_height_m", "m", -60.0, 120.0, "ground to hook, where the crane sends it itself"),
    Channel("mode", "1", 0.0, 3.0, "0 transport, 1 stabiliser, 2 remote control, 3 emergency (manual valve)"),
    Channel("stabiliser_left_pct", "%", 0.0, 100.0, "spread of the left stabiliser over its full spread"),
    Channel("stabiliser_right_pct", "%", 0.0, 100.0, "spread of the right stabiliser over its full spread"),
    Channel("oil_temperature_degc", "degC", -60.0, 200.0, "hydraulic oil temperature"),
    Channel("controller_battery_pct", "%", 0.0, 100.0, "charge of the hand-held controller"),
    Channel("radio_quality_pct", "%", 0.0, 100.0, "quality of the radio link to the hand-held controller"),
    Channel(
        "operating_hours_h", "h", 0.0, 200_000.0, "operating-hours counter that the crane keeps by itself"
    ),
    Channel("lift_counter", "1", 0.0, 1e7, "lift counter that the crane keeps by itself"),
)
CHANNEL_NAMES: Final[tuple[str, ...]] = tuple(channel.name for channel in CHANNELS)
CHANNEL_BY_NAME: Final[dict[str, Channel]] = {channel.name: channel for channel in CHANNELS}


def physical_ranges() -> dict[str, tuple[float, float]]:
    """Smallest and largest reading of every channel."""
    return {channel.name: (channel.low, channel.high) for channel in CHANNELS}


def bounds(
    channels: Sequence[str], ranges: Mapping[str, tuple[float, float]]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Smallest and largest reading of some channels, each (channels, 1), as readings are stored."""
    pairs = np.array([ranges[name] for name in channels], dtype=np.float32)
    return pairs[:, :1], pairs[:, 1:]


def outside(readings: NDArray[np.float32], low: Any, high: Any) -> NDArray[np.bool_]:
    """Which readings no sensor gives: they are refused and stored as missing. A missing one (NaN) is none of them."""
    return np.asarray((readings < low) | (readings > high))
