"""A record's messages as the bytes that go over the wire (domain.messages, version 1)."""

from collections.abc import Iterator
from datetime import datetime
from typing import Final, NamedTuple

import cbor2
import numpy as np
import orjson
import zstandard
from numpy.typing import NDArray

from domain.messages import Leaf, topic
from domain.units import MS_PER_S, ms_to_s
from simulator.record import DayRecord, Event, Floats32, utc_of

_MOST_DECIMALS: Final = 4
# RFC 8746: little endian; the greatest number of a type stands for a missing reading.
_BLOCK_TAGS: Final = {64: "u1", 69: "<u2", 70: "<u4"}
_FLOATS_TAG: Final = 85
_EPOCH_TAG: Final = 1
_ZSTD_LEVEL: Final = 9


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


def samples_cbor(boot: int, seq: int, t0_ms: int, dt_ms: int, channels: dict[str, Floats32]) -> bytes:
    """The same message as CBOR: the decimals of each channel as integers of 8, 16 or 32 bits above its least reading."""
    blocks: dict[int, tuple[list[str], list[int], list[int], list[bytes]]] = {}
    floats = {}
    for name, readings in channels.items():
        found = _scaled(readings)
        if found is None:
            floats[name] = cbor2.CBORTag(_FLOATS_TAG, readings.astype("<f4").tobytes())
            continue
        decimals, offset, integers = found
        tag, kind = next(
            (tag, kind)
            for tag, kind in _BLOCK_TAGS.items()
            if np.nanmax(integers, initial=0) < np.iinfo(kind).max
        )
        names, places, offsets, parts = blocks.setdefault(tag, ([], [], [], []))
        names.append(name)
        places.append(decimals)
        offsets.append(offset)
        parts.append(np.where(np.isnan(integers), np.iinfo(kind).max, integers).astype(kind).tobytes())
    t0_s = t0_ms // MS_PER_S if t0_ms % MS_PER_S == 0 else ms_to_s(t0_ms)
    body: dict[str, object] = {
        "boot": boot,
        "seq": seq,
        "t0": cbor2.CBORTag(_EPOCH_TAG, t0_s),
        "dt_ms": dt_ms,
    }
    if floats:
        body["channels"] = floats
    if blocks:
        body["blocks"] = [
            [names, bytes(places), offsets, cbor2.CBORTag(tag, b"".join(parts))]
            for tag, (names, places, offsets, parts) in blocks.items()
        ]
    return cbor2.dumps(body)


def thinned(payload: bytes) -> bytes:
    """A message in JSON as CBOR under zstd, as it goes over a thin link."""
    body = orjson.loads(payload)
    if "channels" in body:
        t0_ms = round(datetime.fromisoformat(body["t0"]).timestamp() * MS_PER_S)
        channels = {name: np.array(values, np.float32) for name, values in body["channels"].items()}
        message = samples_cbor(body["boot"], body["seq"], t0_ms, body["dt_ms"], channels)
    else:
        message = cbor2.dumps(body)
    return zstandard.compress(message, _ZSTD_LEVEL)


def _scaled(readings: Floats32) -> tuple[int, int, NDArray[np.float64]] | None:
    """(decimals, offset, readings in the last digit above the offset), None where more decimals were needed."""
    for decimals in range(_MOST_DECIMALS + 1):
        digits = np.rint(readings.astype(np.float64) * 10**decimals)
        if np.array_equal((digits / 10**decimals).astype(np.float32), readings, equal_nan=True):
            if np.isnan(digits).all():
                return decimals, 0, digits
            offset = int(np.nanmin(digits))
            return (
                (decimals, offset, digits - offset)
                if abs(offset) < 2**31 and np.nanmax(digits) < 2**31
                else None
            )
    return None


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
