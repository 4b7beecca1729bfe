"""The invented yard at work now, over MQTT, until told to stop: what `boomledger simulate --live` and the demo run."""

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from simulator.generate import generate_from
from simulator.messages import Outgoing
from simulator.outbox import Outbox
from simulator.publish import Publisher, in_sending_order
from simulator.record import DayRecord
from simulator.yard import Yard

SHIFT_HOURS: Final = 2.0


def shifts(yard: Yard, start: datetime, seed: int) -> Iterator[DayRecord]:
    """One shift of every crane that begins at `start`, whatever the hour."""
    for crane in yard.cranes:
        yield generate_from(crane, start, SHIFT_HOURS, seed)


def messages(yard: Yard, start: datetime, seed: int) -> Iterator[Outgoing]:
    """Shift after shift without end, in sending order."""
    number = 0
    while True:
        at = start + timedelta(hours=number * SHIFT_HOURS)
        yield from in_sending_order(_prompt(record) for record in shifts(yard, at, seed + number))
        number += 1


def run(
    yard: Yard, broker_url: str, outbox_file: Path, stop: threading.Event, *, factor: float = 1.0
) -> None:
    """Send the yard's live work until `stop` is set; what has no receipt yet is kept on disk for the next start."""
    start = datetime.now(UTC)
    outbox_file.parent.mkdir(parents=True, exist_ok=True)
    with Outbox(outbox_file) as outbox, Publisher(broker_url, outbox, patience_s=None) as publisher:
        publisher.run(messages(yard, start, int(start.timestamp())), factor=factor, stop=stop)


def _prompt(record: DayRecord) -> DayRecord:
    """The record sent without the delay of a stop out of coverage: shifts follow each other in one stream."""
    batches = record.batches
    last_ms = batches.t0_ms + batches.n * record.dt_ms
    return replace(
        record,
        batches=replace(batches, send_ms=last_ms),
        events=tuple(event._replace(send_ms=event.at_ms) for event in record.events),
    )
