"""Records straight to a database, past the broker: rows for the caller's writer, which this room must not import."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from simulator.record import DayRecord, Event, Floats32


class SegmentRow(NamedTuple):
    """One samples message as it is stored: its key, its step, and a row of readings for each channel."""

    crane: str
    t0_ms: int
    boot: int
    seq: int
    dt_ms: int
    received_ms: int  # when it would have arrived: late where there was no coverage
    channels: tuple[str, ...]  # in the order of domain.channels
    values: Floats32  # (channels, samples), NaN for a missing reading


class EventRow(NamedTuple):
    """One event as it is stored."""

    crane: str
    boot: int
    event: Event


@dataclass(frozen=True, kw_only=True)
class Written:
    """What a bulk load handed to the writers."""

    records: int
    segments: int
    samples: int
    events: int


def segment_rows(record: DayRecord) -> Iterator[SegmentRow]:
    """The samples messages of a record."""
    batches = record.batches
    names = tuple(record.channels)
    values = np.stack(list(record.channels.values()))
    for index in range(len(batches)):
        first = int(batches.first[index])
        yield SegmentRow(
            record.crane,
            int(batches.t0_ms[index]),
            record.boot_of(int(batches.seq[index])),
            int(batches.seq[index]),
            int(batches.dt_ms[index]),
            int(batches.send_ms[index]),
            names,
            values[:, first : first + int(batches.n[index])],
        )


def event_rows(record: DayRecord) -> list[EventRow]:
    """The events of a record."""
    return [EventRow(record.crane, record.boot_of(event.seq), event) for event in record.events]


def load(
    records: Iterable[DayRecord],
    write_segments: Callable[[Sequence[SegmentRow]], object],
    write_events: Callable[[Sequence[EventRow]], object],
    *,
    segments_at_once: int = 2000,
    on_record: Callable[[DayRecord], object] = lambda record: None,
) -> Written:
    """Hand every record to the writers, `segments_at_once` or a few more at a time; `on_record` is for progress."""
    waiting: list[SegmentRow] = []
    waiting_events: list[EventRow] = []
    number = segments = samples = events = 0

    def flush() -> None:
        if waiting:
            write_segments(waiting)
            waiting.clear()
        if waiting_events:
            write_events(waiting_events)
            waiting_events.clear()

    for record in records:
        waiting += segment_rows(record)
        waiting_events += event_rows(record)
        number += 1
        segments += len(record.batches)
        samples += record.samples
        events += len(record.events)
        if len(waiting) >= segments_at_once:
            flush()
        on_record(record)
    flush()
    return Written(records=number, segments=segments, samples=samples, events=events)
