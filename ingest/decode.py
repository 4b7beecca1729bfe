"""Judges one message: what it says, or why it cannot be understood. No I/O."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
from pydantic import BaseModel, ValidationError

from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import EventMessage, Leaf, SamplesMessage, StatusMessage, parse_topic
from domain.units import MS_PER_DAY, MS_PER_MIN
from ingest import cbor, quick
from ingest.cbor import Unfilled
from ingest.content import PLAIN, Content, unpacked
from ingest.limits import Limits
from ingest.quick import Samples, in_order
from store.cranes import CraneEntry
from store.events import Event
from store.refused import take_out
from store.segments import Floats, Segment, from_ms, to_ms

_MODELS: Final[dict[Leaf, type[BaseModel]]] = {
    Leaf.SAMPLES: SamplesMessage,
    Leaf.EVENTS: EventMessage,
    Leaf.STATUS: StatusMessage,
}
_REASONS: Final = {
    "json_invalid": QuarantineReason.NOT_JSON,
    "bad_lengths": QuarantineReason.BAD_LENGTHS,
    "finite_number": QuarantineReason.OUT_OF_RANGE,
}
MILLISECOND: Final = timedelta(milliseconds=1)
_KEY: Final = re.compile(rb'"(boot|seq)"\s*:\s*(\d{1,19})\b')
# The name as a text of RFC 8949 and the unsigned integer behind it.
_CBOR_KEY: Final = re.compile(
    rb"[\x63\x64](boot|seq)([\x00-\x17]|\x18.|\x19.{2}|\x1a.{4}|\x1b.{8})", re.DOTALL
)
KEY_BYTES: Final = 1_000_000  # of an unpacked message in which a key is looked for


class Parsed(NamedTuple):
    """A message that follows the wire format, and the crane of its topic."""

    crane: str
    message: Samples | EventMessage | StatusMessage


@dataclass(frozen=True, kw_only=True, slots=True)
class Presence:
    """A crane came online or went offline."""

    crane_id: int
    boot: int
    online: bool


_registered_ms: Final = lru_cache(maxsize=20_000)(to_ms)
received_ms: Final = lru_cache(maxsize=16)(to_ms)  # one time for all messages of one read


@lru_cache(maxsize=20_000)
def address_of(topic: str) -> tuple[str, Leaf] | None:
    """`parse_topic`, remembered: a crane's topics come again with every message."""
    return parse_topic(topic)


@lru_cache(maxsize=20_000)
def _model_of(topic: str) -> tuple[str, type[BaseModel] | None]:
    """The crane of a topic and the model of its messages; none of a topic that is none of ours."""
    address = address_of(topic)
    return ("", None) if address is None else (address[0], _MODELS.get(address[1]))


def parse(topic: str, payload: bytes, limits: Limits, content: Content = PLAIN) -> Parsed:
    """The message by the wire format alone. Raises UnreadableMessage."""
    unfilled = Unfilled()
    parsed = parse_but_for_blocks(topic, payload, limits, content, unfilled)
    unfilled.fill()
    return parsed


def parse_but_for_blocks(
    topic: str, payload: bytes, limits: Limits, content: Content, unfilled: Unfilled
) -> Parsed:
    """`parse`, for a caller that fills the readings of many messages at once. Raises UnreadableMessage."""
    if len(payload) > limits.message_bytes:
        raise UnreadableMessage(
            QuarantineReason.TOO_LARGE, f"{len(payload)} bytes; at most {limits.message_bytes} are accepted"
        )
    crane, model = _model_of(topic)
    if model is None:
        raise UnreadableMessage(QuarantineReason.UNKNOWN_TOPIC, "no topic of this wire format")
    message: Any = None
    payload = unpacked(payload, content, limits.message_bytes)
    if content.is_cbor:
        message = cbor.read(payload, unfilled, samples=model is SamplesMessage)
        if isinstance(message, bytes):
            message, payload = None, message
    elif model is SamplesMessage:
        message = quick.read(payload)
    if message is None:
        message = _by_the_model(model, crane, payload)
    if isinstance(message, Samples) and (n := message.values.shape[1]) > limits.samples:
        raise UnreadableMessage(
            QuarantineReason.BAD_LENGTHS,
            f"{n} samples; at most {limits.samples} are accepted",
            field="channels",
        )
    return Parsed(crane, message)


def judge(
    parsed: Parsed, received_at: datetime, cranes: Mapping[str, CraneEntry], limits: Limits
) -> Segment | Event | Presence:
    """What to store of a message, readings out of range as missing. Raises UnreadableMessage."""
    judged = judge_but_for_ranges(parsed, received_at, cranes, limits)
    if not isinstance(judged, Segment):
        return judged
    return take_out(judged, *limits.bounds(judged.channels, cranes[parsed.crane].further))[0]


def judge_but_for_ranges(
    parsed: Parsed,
    received_at: datetime,
    cranes: Mapping[str, CraneEntry],
    limits: Limits,
    ahead_ms: int = 0,
) -> Segment | Event | Presence:
    """`judge`, for a caller that checks the readings of many segments at once. Raises UnreadableMessage.

    ahead_ms: how far another clock is ahead of that which `received_at` is by.
    """
    entry = cranes.get(parsed.crane)
    if entry is None:
        raise UnreadableMessage(
            QuarantineReason.UNKNOWN_CRANE,
            f"crane {parsed.crane} is not registered; register it, then replay",
        )
    message = parsed.message
    if isinstance(message, Samples):
        return _segment(message, received_at, entry, limits, ahead_ms)
    if isinstance(message, EventMessage):
        return _event(message, received_at, entry, limits, ahead_ms)
    return Presence(crane_id=entry.crane_id, boot=message.boot, online=message.state == "online")


def _by_the_model(
    model: type[BaseModel], crane: str, payload: bytes
) -> Samples | EventMessage | StatusMessage:
    try:
        message: Any = model.model_validate_json(payload, strict=True)
    except ValidationError as problem:
        raise _unreadable(problem) from None
    json.loads(payload, object_pairs_hook=_once, parse_int=str, parse_float=str)  # numbers are read already
    if message.crane not in (None, crane):
        raise UnreadableMessage(
            QuarantineReason.CRANE_MISMATCH, f"topic says {crane}, message says {message.crane}"
        )
    return _samples(message) if isinstance(message, SamplesMessage) else message


def _once(pairs: list[tuple[str, object]]) -> None:
    """Refuses an object with a name twice: nobody can tell which of its values is meant (RFC 8259, section 4)."""
    seen: set[str] = set()
    for name, _ in pairs:
        if name in seen:
            raise UnreadableMessage(
                QuarantineReason.BAD_SHAPE,
                f"{name[:64]} stands twice in one object: give each name once",
                field=name[:64],
            )
        seen.add(name)


def key_in(payload: bytes, content: Content = PLAIN) -> tuple[int, int] | None:
    """(boot, seq) as far as they can be made out, so that a receipt can name a message that is otherwise unreadable."""
    try:
        payload = unpacked(payload, content, KEY_BYTES)
        if content.is_cbor:
            found = {
                name: int.from_bytes(number[len(number) > 1 :]) for name, number in _CBOR_KEY.findall(payload)
            }
        else:
            found = {name: int(number) for name, number in _KEY.findall(payload)}
    except UnreadableMessage:
        return None
    if found.keys() != {b"boot", b"seq"} or max(found.values()) >= 2**63:
        return None
    return found[b"boot"], found[b"seq"]


def _samples(message: SamplesMessage) -> Samples:
    channels, unknown = in_order(tuple(message.channels))
    with np.errstate(over="ignore"):  # beyond the type's range is beyond every channel's
        values = np.array([message.channels[name] for name in (*channels, *unknown)], dtype=np.float32)
    return Samples(
        boot=message.boot,
        seq=message.seq,
        t0_ms=to_ms(message.t0),
        dt_ms=message.dt_ms,
        channels=channels,
        values=values,
        unknown=unknown,
    )


def _segment(
    samples: Samples, received_at: datetime, entry: CraneEntry, limits: Limits, ahead_ms: int
) -> Segment:
    came_ms = received_ms(received_at)
    offset_ms = entry.offset_ms(samples.boot, samples.seq) if entry.offsets else 0
    _check_times(samples.t0_ms + offset_ms, samples.last_ms + offset_ms, came_ms + ahead_ms, entry, limits)
    channels, own = samples.channels, len(samples.channels)
    values = samples.values[:own] if samples.unknown else samples.values
    # What is a channel: those of everybody, and what is registered for the crane. Here, for every encoding.
    further = [one.name for one in entry.further if one.name in samples.unknown] if samples.unknown else []
    if further:
        channels += tuple(further)
        values = samples.values[[*range(own), *(own + samples.unknown.index(name) for name in further)]]
    return Segment(
        crane_id=entry.crane_id,
        t0_ms=samples.t0_ms + offset_ms,
        boot=samples.boot,
        seq=samples.seq,
        dt_ms=samples.dt_ms,
        channels=channels,
        values=values,
        received_ms=came_ms,
    )


def _event(
    message: EventMessage, received_at: datetime, entry: CraneEntry, limits: Limits, ahead_ms: int
) -> Event:
    at_ms = to_ms(message.at) + entry.offset_ms(message.boot, message.seq)
    _check_times(at_ms, at_ms, received_ms(received_at) + ahead_ms, entry, limits)
    if "\0" in message.code + message.text:
        raise UnreadableMessage(QuarantineReason.BAD_SHAPE, "a NUL character in code or text", field="text")
    return Event(
        crane_id=entry.crane_id,
        at=from_ms(at_ms),
        boot=message.boot,
        seq=message.seq,
        kind=message.kind,
        code=message.code,
        state=message.state,
        text=message.text,
        received_at=received_at,
    )


def end_ms(message: Samples | EventMessage | StatusMessage) -> int | None:
    """The time up to which a message tells something [ms]; None of presence, which a broker may repeat long after."""
    if isinstance(message, Samples):
        return message.last_ms
    return to_ms(message.at) if isinstance(message, EventMessage) else None


def extremes(segments: Sequence[Segment]) -> tuple[Floats, Floats]:
    """Smallest and largest reading of each channel of some segments, all of one shape; each (segments, channels)."""
    values = np.stack([segment.values for segment in segments])
    # Missing readings are passed over; of a channel without any, both are NaN.
    return np.fmin.reduce(values, axis=2), np.fmax.reduce(values, axis=2)


def _check_times(first_ms: int, last_ms: int, now_ms: int, entry: CraneEntry, limits: Limits) -> None:
    if last_ms > now_ms + limits.clock_skew / MILLISECOND:
        raise UnreadableMessage(
            QuarantineReason.IN_FUTURE,
            f"reaches {_long(last_ms - now_ms)} ahead of our clock; set the clock of the sender",
            field="t0",
        )
    if first_ms < _registered_ms(entry.registered_at):
        raise UnreadableMessage(
            QuarantineReason.BEFORE_REGISTRATION,
            f"begins before the crane was registered ({entry.registered_at.isoformat()})",
            field="t0",
        )


def _long(ms: int) -> str:
    """A length of time to read."""
    return f"{ms / MS_PER_DAY:.1f} days" if ms >= 2 * MS_PER_DAY else f"{ms / MS_PER_MIN:.1f} minutes"


def _unreadable(problem: ValidationError) -> UnreadableMessage:
    first = problem.errors(include_url=False, include_input=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    reason = _REASONS.get(first["type"], QuarantineReason.BAD_SHAPE)
    return UnreadableMessage(
        reason, f"{place}: {first['msg']}" if place else first["msg"], field=place or None
    )
