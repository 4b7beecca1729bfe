"""A record's messages as the bytes that go over the wire (domain.messages, version 1)."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import orjson

from domain.messages import Leaf, topic
from simulator.record import DayRecord, Event, Floats32, utc_of


class Outgoing(NamedTuple):
    """One message on its way."""

    crane: str
    boot: int
    seq: int
    send_ms: int
    topic: str
    payload: bytes


def samples_payload(boot: int, seq: int, t0_ms: int, dt_ms: int, channels: dict[str, Floats32]) -> bytes:
    """A samples message; NaN becomes null."""
    body = {"boot": boot, "seq": seq, "t0": utc_of(t0_ms), "dt_ms": dt_ms, "channels": channels}
    return orjson.dumps(body, option=orjson.OPT_SERIALIZE_NUMPY)


def event_payload(boot: int, event: Event) -> bytes:
    """An event message."""
    return orjson.dumps(
        {
            "boot": boot,
            "seq": event.seq,
            "at": event.at,
            "kind": str(event.kind),
            "code": event.code,
            "state": str(event.state),
            "text": event.text,
        }
    )


def outgoing(record: DayRecord) -> Iterator[Outgoing]:
    """Every message of a record in the order in which the crane sends it."""
    for send_ms, what in record.in_sending_order():
        if isinstance(what, Event):
            seq = what.seq
            leaf, payload = Leaf.EVENTS, event_payload(record.boot_of(seq), what)
        else:
            seq = int(record.batches.seq[what])
            channels = {
                name: np.ascontiguousarray(values) for name, values in record.batch_channels(what).items()
            }
            leaf, payload = (
                Leaf.SAMPLES,
                samples_payload(
                    record.boot_of(seq),
                    seq,
                    int(record.batches.t0_ms[what]),
                    int(record.batches.dt_ms[what]),
                    channels,
                ),
            )
        yield Outgoing(record.crane, record.boot_of(seq), seq, send_ms, topic(record.crane, leaf), payload)
