"""Segments in memory: one by one, and of one crane by column."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final, cast

import numpy as np
from numpy.typing import NDArray

from domain.channels import CHANNEL_BY_NAME
from domain.units import MS_PER_DAY, MS_PER_S, US_PER_MS

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]
Key = tuple[int, int, int, int]  # crane_id, time [ms], boot, seq

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
LAST_AT: Final = datetime(9999, 12, 31, tzinfo=UTC)  # what comes later cannot be written down


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """A samples message of one crane. `values` has one row for each of `channels`, NaN for a missing reading."""

    crane_id: int
    t0_ms: int  # milliseconds since 1970, UTC
    boot: int
    seq: int
    dt_ms: int
    channels: tuple[str, ...]  # in the order of domain.channels, and then further ones by name
    values: Floats  # (channels, samples)
    received_ms: int

    @property
    def key(self) -> Key:
        """What makes it one message: crane, start, boot and sequence number."""
        return self.crane_id, self.t0_ms, self.boot, self.seq

    def readings(self, name: str) -> Floats:
        """Readings of a channel; all missing where the segment has not got it."""
        if name in self.channels:
            return cast("Floats", self.values[self.channels.index(name)])
        return np.full(self.values.shape[1], np.nan, dtype=np.float32)

    def same_as(self, other: "Segment") -> bool:
        """Whether it says the same, received when it may."""
        return (
            self.key == other.key
            and (self.dt_ms, self.channels) == (other.dt_ms, other.channels)
            and np.array_equal(self.values, other.values, equal_nan=True)
        )

    def repeats(self, other: "Segment") -> bool:
        """`same_as` for messages that came apart: further channels may have been registered or withdrawn between them."""
        return self._own().same_as(other._own()) if self.channels != other.channels else self.same_as(other)

    def _own(self) -> "Segment":
        own = sum(name in CHANNEL_BY_NAME for name in self.channels)
        return replace(self, channels=self.channels[:own], values=self.values[:own])


@dataclass(frozen=True, kw_only=True, slots=True)
class Segments:
    """Segments of one crane in order of (t0, boot, seq), by column.

    Row i covers samples starts[i] to starts[i] + n[i] of every array in `channels`, which hold NaN where a reading
    is missing or the segment lacks the channel.
    """

    t0_ms: Ints
    boot: Ints
    seq: Ints
    dt_ms: Ints
    n: Ints
    received_ms: Ints
    channels: dict[str, Floats] = field(default_factory=dict)

    @property
    def starts(self) -> Ints:
        """Index of the first sample of each segment."""
        return np.concatenate(([0], np.cumsum(self.n)[:-1])).astype(np.int64) if len(self.n) else self.n

    def at_ms(self) -> Ints:
        """Time of every sample [ms since 1970, UTC]."""
        within = np.arange(int(self.n.sum()), dtype=np.int64) - np.repeat(self.starts, self.n)
        return np.repeat(self.t0_ms, self.n) + within * np.repeat(self.dt_ms, self.n)

    def samples(self, time_from: datetime, time_to: datetime) -> tuple[Ints, dict[str, Floats]]:
        """Times [ms] and readings with time_from <= time < time_to, in stored order."""
        at_ms = self.at_ms()
        inside = (at_ms >= to_ms(time_from)) & (at_ms < to_ms(time_to))
        if inside.all():
            return at_ms, self.channels
        return at_ms[inside], {name: values[inside] for name, values in self.channels.items()}


def to_ms(moment: datetime) -> int:
    """Milliseconds since 1970 of an instant, rounded down. Raises TypeError for a naive one."""
    since = moment - EPOCH  # its own division by a millisecond takes four times as long
    return since.days * MS_PER_DAY + since.seconds * MS_PER_S + since.microseconds // US_PER_MS


def boot_of(*what: object) -> int:
    """A boot number below 2^63 that depends on these words alone, for data that came without one."""
    digest = hashlib.sha256("|".join(map(str, what)).encode()).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def from_ms(ms: int) -> datetime:
    """The instant, in UTC."""
    return EPOCH + timedelta(milliseconds=ms)


def by_column(segments: Iterable[Segment], names: Sequence[str]) -> Segments:
    """Segments of one crane by column, in order of (t0, boot, seq), each key once."""
    rows = list({segment.key: segment for segment in sorted(segments, key=lambda one: one.key)}.values())
    parts: dict[str, list[Floats]] = {name: [] for name in names}
    for row in rows:
        for name in names:
            parts[name].append(row.readings(name).astype(np.float32))
    fixed = [(row.t0_ms, row.boot, row.seq, row.dt_ms, row.values.shape[1], row.received_ms) for row in rows]
    nothing = np.zeros(0, dtype=np.float32)
    return from_parts(
        fixed, {name: np.concatenate(arrays) if arrays else nothing for name, arrays in parts.items()}
    )


def from_parts(fixed: Sequence[tuple[int, ...]], channels: dict[str, Floats]) -> Segments:
    """Put (t0_ms, boot, seq, dt_ms, n, received_ms) rows and the readings of all of them together."""
    columns = np.array(fixed, dtype=np.int64).reshape(-1, 6).T
    return Segments(
        t0_ms=columns[0],
        boot=columns[1],
        seq=columns[2],
        dt_ms=columns[3],
        n=columns[4],
        received_ms=columns[5],
        channels=channels,
    )


def joined(first: Segments, second: Segments) -> Segments:
    """Two sets of segments with the same channels as one, in order of (t0, boot, seq), each key once."""
    keys = np.concatenate([np.stack([part.t0_ms, part.boot, part.seq], axis=1) for part in (first, second)])
    _, chosen = np.unique(keys, axis=0, return_index=True)
    both = {name: np.concatenate([first.channels[name], second.channels[name]]) for name in first.channels}
    n = np.concatenate([first.n, second.n])
    starts = np.concatenate(([0], np.cumsum(n)[:-1]))[chosen]
    samples = np.concatenate(
        [np.arange(start, start + size) for start, size in zip(starts, n[chosen], strict=True)]
    )
    return Segments(
        t0_ms=keys[chosen, 0],
        boot=keys[chosen, 1],
        seq=keys[chosen, 2],
        dt_ms=np.concatenate([first.dt_ms, second.dt_ms])[chosen],
        n=n[chosen],
        received_ms=np.concatenate([first.received_ms, second.received_ms])[chosen],
        channels={name: values[samples] for name, values in both.items()},
    )
