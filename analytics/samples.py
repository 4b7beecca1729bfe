"""The samples of one local day of one crane, in time order, and what the day needs beside them."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from domain.crane import CraneType
from domain.history import CHANNEL_OF
from duty.geometry import jib_run_out, pose
from store.segments import Segments, from_ms, to_ms

Ints = NDArray[np.int64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]

COUNTERS: Final = tuple(CHANNEL_OF.values())
CHANNELS: Final = (
    "utilisation_pct",
    "limit_pct",
    "slew_deg",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
    "jib_deg",
    "jib_extension_m",
    "outreach_m",
    "hook_height_m",
    "mode",
    "stabiliser_left_pct",
    "stabiliser_right_pct",
    *COUNTERS,
)
_QUARTER_MS: Final = 900_000  # offsets of time zones are whole quarters of an hour


@dataclass(frozen=True, slots=True)
class LocalDay:
    """A day of a site, from its midnight to the next: 23, 24 or 25 hours."""

    day: date
    zone: ZoneInfo

    @property
    def start_at(self) -> datetime:
        """The first instant of the day, UTC."""
        return datetime.combine(self.day, time(), self.zone).astimezone(UTC)

    @property
    def end_at(self) -> datetime:
        """The first instant of the next day, UTC."""
        return LocalDay(self.day + timedelta(days=1), self.zone).start_at

    def hours(self, at_ms: Ints) -> Ints:
        """Hour of the local clock, 0 to 23, of instants inside the day."""
        first = to_ms(self.start_at) // _QUARTER_MS
        past = -(-to_ms(self.end_at) // _QUARTER_MS)
        clock = [from_ms(quarter * _QUARTER_MS).astimezone(self.zone).hour for quarter in range(first, past)]
        return np.array(clock, np.int64)[at_ms // _QUARTER_MS - first]


@dataclass(frozen=True, kw_only=True, slots=True)
class DaySamples:
    """Samples of one day, times strictly rising. A channel that the crane does not have is absent.

    Where messages overlap in time, samples interleave and each stands for the time until the next; of two at one
    instant the first stored counts. So no instant counts twice.
    """

    at_ms: Ints
    step_ms: Ints  # time that each sample stands for
    channels: dict[str, Floats32]
    message_start_ms: Ints  # messages that overlap the day, by start
    message_end_ms: Ints
    boot: Ints
    seq: Ints
    received_ms: Ints  # when each message came
    excluded: Bools | None = None  # samples whose utilisation is excluded, None without any


def of_day(segments: Segments, local_day: LocalDay) -> DaySamples:
    """The samples of `segments` that lie in a day."""
    at_ms = segments.at_ms()
    step_ms = np.repeat(segments.dt_ms, segments.n)
    start_ms, end_ms = to_ms(local_day.start_at), to_ms(local_day.end_at)
    chosen: NDArray[np.int64] | slice = slice(None)
    if at_ms.size and (at_ms[0] < start_ms or at_ms.max() >= end_ms or (np.diff(at_ms) <= 0).any()):
        inside = np.flatnonzero((at_ms >= start_ms) & (at_ms < end_ms))
        _, first = np.unique(at_ms[inside], return_index=True)
        chosen = inside[first]
    at_ms, step_ms = at_ms[chosen], step_ms[chosen].copy()
    step_ms[:-1] = np.minimum(step_ms[:-1], np.diff(at_ms))
    return DaySamples(
        at_ms=at_ms,
        step_ms=step_ms,
        channels={
            name: values[chosen] for name, values in segments.channels.items() if not np.isnan(values).all()
        },
        message_start_ms=segments.t0_ms,
        message_end_ms=segments.t0_ms + segments.n * segments.dt_ms,
        boot=segments.boot,
        seq=segments.seq,
        received_ms=segments.received_ms,
    )


def with_pose(crane_type: CraneType, channels: dict[str, Floats32]) -> dict[str, Floats32]:
    """The channels with outreach_m and hook_height_m from the joint angles, where the crane does not send them; NaN
    where a length of the boom is not known."""
    angles = ("main_boom_deg", "knuckle_boom_deg", "extension_m")
    if {"outreach_m", "hook_height_m"} <= channels.keys() or not all(name in channels for name in angles):
        return channels
    at = [channels[name] for name in angles]
    if crane_type.jib is not None and "jib_deg" in channels:
        run_out = jib_run_out(crane_type.jib, channels, channels["jib_deg"].size)
        at += [channels["jib_deg"], run_out.astype(np.float32)]
    found = pose(crane_type, *at)
    return {
        "outreach_m": found.outreach_m.astype(np.float32),
        "hook_height_m": found.hook_height_m.astype(np.float32),
        **channels,
    }
