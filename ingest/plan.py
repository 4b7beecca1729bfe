"""What is to be done about each message of a batch. No I/O, so that it can go on while another batch is being stored."""

import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

import numpy as np
import structlog

from domain.channels import CHANNEL_BY_NAME, outside
from domain.errors import QuarantineReason, UnreadableMessage
from domain.further_channel import FurtherRange
from ingest.cbor import Unfilled
from ingest.content import PLAIN, Content
from ingest.decode import (
    Parsed,
    Presence,
    address_of,
    end_ms,
    extremes,
    judge_but_for_ranges,
    key_in,
    parse,
    parse_but_for_blocks,
    received_ms,
)
from ingest.limits import Limits
from ingest.quick import Samples
from ingest.server_clock import ServerClock
from store import quarantine
from store.cranes import CraneEntry
from store.events import Event
from store.quarantine import Rejected
from store.refused import Refused, take_out
from store.segments import Floats, Segment

log = structlog.get_logger(__name__)


class Incoming(NamedTuple):
    """A message as it arrived."""

    topic: str
    payload: bytes
    received_at: datetime  # by our clock
    ahead_ms: int = 0  # how far another clock was known to be ahead of it then
    content: Content = PLAIN

    def kept(self, covers_ms: tuple[int, int] | None = None) -> bytes:
        """The bytes to keep of it, with what they cannot be read without. covers_ms: how long a time, and its end, where known."""
        key = key_in(self.payload, self.content)
        return quarantine.enveloped(self.payload, self.content, key, covers_ms)


class Extremes(NamedTuple):
    """Smallest and largest readings of segments of one shape, before anything was taken out of them."""

    places: Sequence[int]  # in the batch
    channels: tuple[str, ...]
    low: Floats  # (segments, channels), NaN without a reading
    high: Floats


@dataclass(slots=True)
class Plan:
    """A batch sorted by what is to be done; the keys are places in the batch."""

    batch: Sequence[Incoming]
    segments: dict[int, Segment] = field(default_factory=dict)
    events: dict[int, Event] = field(default_factory=dict)
    presences: dict[int, Presence] = field(default_factory=dict)
    rejected: dict[int, Rejected] = field(default_factory=dict)
    refused: dict[int, tuple[Refused, ...]] = field(default_factory=dict)  # readings taken out of segments
    strange: dict[int, tuple[str, ...]] = field(default_factory=dict)  # channels left out: none of ours
    further: dict[int, tuple[FurtherRange, ...]] = field(
        default_factory=dict
    )  # of those that have registered ones
    extremes: list[Extremes] = field(default_factory=list)
    covers_ms: dict[int, tuple[int, int]] = field(default_factory=dict)  # of samples that are not plain JSON
    unknown: dict[int, Parsed] = field(default_factory=dict)  # their cranes have to be looked up first
    ahead_ms: int = 0  # how far another clock is ahead of ours
    version: int = -1  # of the corrections of senders' clocks that hold

    def reject(self, place: int, reason: QuarantineReason, detail: str) -> None:
        """Set a message aside."""
        self.rejected[place] = rejected(self.batch[place], reason, detail, self.covers_ms.get(place))

    def settle_unknown(self, cranes: Mapping[str, CraneEntry], limits: Limits) -> None:
        """Judge the messages whose cranes were looked up by now."""
        for place, parsed in self.unknown.items():
            self.judge(place, parsed, cranes, limits)
        self.check_ranges(self.unknown, limits)
        self.unknown.clear()

    def check_ranges(self, places: Iterable[int], limits: Limits) -> None:
        """Take readings out of range out of the segments at some places: those of one shape are looked at in one go."""
        alike: dict[tuple[tuple[str, ...], int, tuple[FurtherRange, ...]], list[int]] = {}
        for place in places:
            segment = self.segments.get(place)
            if segment is not None:
                shape = segment.channels, segment.values.shape[1], self.further.get(place, ())
                alike.setdefault(shape, []).append(place)
        for (channels, _, further), group in alike.items():
            try:
                self._check_alike(channels, further, group, limits)
            except Exception as problem:
                for place in group:
                    for said in (self.segments, self.refused, self.strange, self.further):
                        said.pop(place, None)  # what is set aside tells nothing else
                    self._not_thought_of(place, problem)

    def _check_alike(
        self, channels: tuple[str, ...], further: tuple[FurtherRange, ...], group: list[int], limits: Limits
    ) -> None:
        low, high = extremes([self.segments[place] for place in group])
        own = len(channels) - (sum(name not in CHANNEL_BY_NAME for name in channels) if further else 0)
        least, most = limits.bounds(channels, further)
        wrong = outside(low, least.T, most.T) | outside(high, least.T, most.T)
        self.extremes.append(Extremes(group, channels[:own], low[:, :own], high[:, :own]))
        for place in (group[row] for row in np.flatnonzero(wrong.any(axis=1))):
            self.segments[place], self.refused[place] = take_out(self.segments[place], least, most)

    def read(self, limits: Limits) -> dict[int, Parsed]:
        """The messages that can be read, by their places; the others are set aside."""
        unfilled = Unfilled()
        read = self._read_all(limits, unfilled)
        try:
            unfilled.fill()
        except Exception:
            log.exception("messages could not be read together, each is read alone")
            return self._read_all(limits, None)
        return read

    def _read_all(self, limits: Limits, unfilled: Unfilled | None) -> dict[int, Parsed]:
        every = ((place, self._read(place, limits, unfilled)) for place in range(len(self.batch)))
        return {place: parsed for place, parsed in every if parsed is not None}

    def _read(self, place: int, limits: Limits, unfilled: Unfilled | None) -> Parsed | None:
        """The message at a place, None where it cannot be read and is set aside."""
        message = self.batch[place]
        try:
            if unfilled is None:
                parsed = parse(message.topic, message.payload, limits, message.content)
            else:
                parsed = parse_but_for_blocks(
                    message.topic, message.payload, limits, message.content, unfilled
                )
            if message.content != PLAIN and isinstance(parsed.message, Samples):
                length_ms = parsed.message.values.shape[1] * parsed.message.dt_ms
                self.covers_ms[place] = length_ms, parsed.message.last_ms
            return parsed
        except UnreadableMessage as problem:
            self.reject(place, problem.reason, str(problem))
        except Exception as problem:
            self._not_thought_of(place, problem)
        return None

    def _not_thought_of(self, place: int, problem: Exception) -> None:
        """Set a message aside that meets a fault of ours: no input may stop ingest."""
        log.exception("a message could not be judged", topic=self.batch[place].topic)
        self.reject(place, QuarantineReason.BAD_SHAPE, f"{type(problem).__name__} while reading it")

    def judge(self, place: int, parsed: Parsed, cranes: Mapping[str, CraneEntry], limits: Limits) -> None:
        message = self.batch[place]
        ahead_ms = max(self.ahead_ms, message.ahead_ms)
        try:
            judged = judge_but_for_ranges(parsed, message.received_at, cranes, limits, ahead_ms)
        except UnreadableMessage as problem:
            self.reject(place, problem.reason, str(problem))
            return
        except Exception as problem:
            self._not_thought_of(place, problem)
            return
        if isinstance(judged, Segment):
            self.segments[place] = judged
            if isinstance(parsed.message, Samples) and parsed.message.unknown:
                unknown = tuple(name for name in parsed.message.unknown if name not in judged.channels)
                if unknown:
                    self.strange[place] = unknown
                if len(unknown) < len(parsed.message.unknown):
                    self.further[place] = cranes[parsed.crane].further
        elif isinstance(judged, Event):
            self.events[place] = judged
        else:
            self.presences[place] = judged


def plan(
    batch: Sequence[Incoming],
    cranes: Mapping[str, CraneEntry],
    limits: Limits,
    clock: ServerClock | None = None,
) -> Plan:
    """What is to be done about a batch, as far as it can be said with the cranes known now.

    Messages have just come where there is a `clock`, which hears them first.
    """
    made = Plan(batch)
    read = made.read(limits)
    if clock is not None:
        _hear(
            clock,
            made,
            {
                place: one
                for place, one in read.items()
                if one.crane in cranes and not cranes[one.crane].offsets
            },
        )
    for place, parsed in read.items():
        if parsed.crane in cranes:
            made.judge(place, parsed, cranes, limits)
        else:
            made.unknown[place] = parsed
    made.check_ranges(range(len(batch)), limits)
    return made


def _hear(clock: ServerClock, made: Plan, read: Mapping[int, Parsed]) -> None:
    leads: dict[str, int] = {}
    for place, parsed in read.items():
        if (last_ms := end_ms(parsed.message)) is not None:
            lead_ms = last_ms - received_ms(made.batch[place].received_at)
            leads[parsed.crane] = max(leads.get(parsed.crane, lead_ms), lead_ms)
    if leads:
        clock.hear(leads.items(), made.batch[-1].received_at, time.monotonic())
    made.ahead_ms = clock.ahead_ms


def rejected(
    message: Incoming, reason: QuarantineReason, detail: str, covers_ms: tuple[int, int] | None = None
) -> Rejected:
    """A message to set aside."""
    return Rejected(
        received_at=message.received_at,
        topic=message.topic,
        crane_name=crane_of(message),
        reason=reason,
        detail=detail,
        raw=message.kept(covers_ms),
    )


def crane_of(message: Incoming) -> str | None:
    """The crane of the message's topic, None where it has none."""
    address = address_of(message.topic)
    return None if address is None else address[0]
