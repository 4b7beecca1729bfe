"""What one crane sends and what is true about one day, as columns."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.messages import EventKind, EventState

Ints = NDArray[np.int64]
Floats32 = NDArray[np.float32]
Draft = tuple[int, EventKind, str, EventState, str]  # an event before it is numbered: at_ms and the rest


class Event(NamedTuple):
    """One event on its way. `send_ms` is when it leaves the crane, later than `at_ms` without coverage."""

    at_ms: int
    kind: EventKind
    code: str
    state: EventState
    text: str
    seq: int
    send_ms: int

    @property
    def at(self) -> datetime:
        """The time of the event, UTC."""
        return utc_of(self.at_ms)


@dataclass(frozen=True, kw_only=True)
class Batches:
    """The samples messages of a day. Message k holds samples first[k] to first[k] + n[k] of the record."""

    t0_ms: Ints
    first: Ints
    n: Ints
    dt_ms: Ints
    seq: Ints
    send_ms: Ints

    def __len__(self) -> int:
        return len(self.seq)


class TrueLift(NamedTuple):
    """One lift as planned, with its peaks on the noise-free signal."""

    crane: str
    started_ms: int
    ended_ms: int
    mass_kg: float
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_moment_kn_m: float  # load and booms about the main boom pivot
    peak_outreach_m: float
    slew_travel_deg: float
    highest_hook_m: float
    rope_travel_m: float  # of the winch, up and down; 0 without one
    limiter_stops: int
    limiter_overrides: int


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What happened, from the plan and the noise-free signal."""

    lifts: tuple[TrueLift, ...]
    limiter_stops_ms: Ints
    limiter_overrides_ms: Ints
    samples: int
    recorded_s: float
    near_limit_s: float  # noise-free utilisation at or above 90 %
    engine_working_s: float  # of the time with the power take-off on
    load_s: float  # with a load on the hook
    utilisation_pct: Floats32  # noise-free, one value a sample of the record
    structural_pct: Floats32


@dataclass(frozen=True, kw_only=True)
class DayRecord:
    """One crane's day: what it sends, and the truth behind it. Channels share one length, the number of samples."""

    crane: str
    day: date
    boots: Ints  # one for each time that the sender was switched on, shape (starts,)
    boot_seq: Ints  # the first number of each, from 0 on; numbers go on through the day
    dt_ms: int  # the finest step; `batches` has that of each message
    clock_offset_ms: int  # how far the crane's clock runs ahead; in everything it sends, never in the truth
    clock_jump_ms: int = 0  # by how much it was set ahead before message `clock_jump_seq`
    clock_jump_seq: int = 0
    t_ms: Ints
    channels: dict[str, Floats32]
    batches: Batches
    events: tuple[Event, ...]
    truth: Truth

    @property
    def samples(self) -> int:
        """Number of samples of each channel."""
        return len(self.t_ms)

    @property
    def boot(self) -> int:
        """The first boot of the day."""
        return int(self.boots[0])

    def boot_of(self, seq: int) -> int:
        """The boot in which the message of a number was sent."""
        return int(self.boots[np.searchsorted(self.boot_seq, seq, side="right") - 1])

    def offset_ms(self, seq: Ints) -> Ints:
        """How far the crane's clock ran ahead at its messages of these numbers [ms]."""
        return self.clock_offset_ms + np.where(seq >= self.clock_jump_seq, self.clock_jump_ms, 0)

    def batch_channels(self, index: int) -> dict[str, Floats32]:
        """The channels of one samples message."""
        first = int(self.batches.first[index])
        last = first + int(self.batches.n[index])
        return {name: values[first:last] for name, values in self.channels.items()}

    def in_sending_order(self) -> Iterator[tuple[int, int | Event]]:
        """(send_ms, batch index or event) in the order in which the crane sends them."""
        waiting: list[tuple[int, int, int | Event]] = [
            (int(send), int(seq), index)
            for index, (send, seq) in enumerate(zip(self.batches.send_ms, self.batches.seq, strict=True))
        ]
        waiting += [(event.send_ms, event.seq, event) for event in self.events]
        return ((send, what) for send, _, what in sorted(waiting, key=lambda entry: entry[:2]))


def utc_of(moment_ms: int) -> datetime:
    """Milliseconds since 1970 as a UTC time."""
    return datetime.fromtimestamp(moment_ms / 1000, tz=UTC)
