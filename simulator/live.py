"""Work that never ends, to be watched as it happens: for a demo, whatever the hour."""

import heapq
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from simulator.generate import generate_from
from simulator.messages import Outgoing, outgoing
from simulator.record import utc_of
from simulator.yard import YardCrane

_HOURS_AT_ONCE: Final = 0.5
_DRIVE: Final = timedelta(minutes=3)  # shorter than in earnest: a demo is there to be watched
_SPREAD_S: Final = 600.0  # cranes do not start in step


def live_messages(
    cranes: Iterable[YardCrane],
    start_at: datetime,
    seed: int = 1,
    *,
    dt_ms: int = 100,
    samples_per_message: int = 10,
    not_before: datetime | None = None,
) -> Iterator[Outgoing]:
    """Messages of all cranes by their time of sending, without end.

    Each crane begins up to ten minutes before `start_at`, so that most are at work by then, but not before
    `not_before`: a crane does not work twice at a time. Give `start_at` as `zero_ms` to `Publisher.run`: what lies
    before goes out at once. A stop without coverage is sent late here too.
    """
    stagger = np.random.default_rng([seed, 7]).uniform(0, _SPREAD_S, 10_000)
    earliest = start_at - timedelta(seconds=_SPREAD_S) if not_before is None else not_before
    streams = (
        _of_crane(
            crane,
            max(start_at - timedelta(seconds=round(float(stagger[crane.number]))), earliest),
            seed,
            dt_ms,
            samples_per_message,
        )
        for crane in cranes
    )
    return heapq.merge(*streams, key=lambda message: message.send_ms)


def _of_crane(
    crane: YardCrane, start_at: datetime, seed: int, dt_ms: int, samples_per_message: int
) -> Iterator[Outgoing]:
    while True:
        record = generate_from(
            crane, start_at, _HOURS_AT_ONCE, seed, dt_ms=dt_ms, samples_per_message=samples_per_message
        )
        yield from outgoing(record)
        # the next drive begins after everything of this one has left, so that times of sending never step back
        last_ms = max(int(record.batches.send_ms.max()), max(event.send_ms for event in record.events))
        start_at = utc_of(max(last_ms, int(record.t_ms[-1]))) + _DRIVE
