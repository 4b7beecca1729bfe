"""What is known of the edge nodes of a Sparkplug group, and their messages turned into ours. No I/O.

Data mean nothing without the birth before them: it names the metrics, their aliases and their types. So a node whose
birth was missed, or that left a number out, is asked for its births again.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import orjson

from domain.channels import CHANNEL_BY_NAME
from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import CRANE_NAME_PATTERN, MAX_STEP_MS, EventKind, Leaf, topic
from ingest.sparkplug.payload import BD_SEQ, DataType, decode, value_of
from store.columns import LAST_AT, boot_of, from_ms, to_ms

ROOT: Final = "spBv1.0"
LAST_MS: Final = to_ms(LAST_AT)
SEQUENCE: Final = 256
STEP_METRIC: Final = "dt_ms"
STRANGERS: Final = 20  # metrics of a crane that match no channel and are handed on all the same; a sender may name any number
NAME_CHARACTERS: Final = 64  # of the name of one
ASK_AGAIN_S: Final = (5.0, 600.0)  # the first wait before a node is asked once more, and the longest
LASTING: Final = frozenset({EventKind.FAULT, EventKind.WARNING, EventKind.LIMITER_STOP})

_TOPIC: Final = re.compile(rf"^{ROOT}/([^/]+)/([ND](?:BIRTH|DATA|DEATH))/([^/]+)(?:/([^/]+))?$")
_NO_READING: Final = re.compile(rf"^(?:{STEP_METRIC}|{BD_SEQ}|(?:Node|Device) Control/.*)$")
_EVENT: Final = re.compile(rf"^event/({'|'.join(EventKind)})(?:/(.{{0,64}}))?$")
Value = float | bool | list[float | None] | None


@dataclass(frozen=True, slots=True)
class Translated:
    """What one message of Sparkplug came to."""

    messages: list[tuple[str, bytes]] = field(
        default_factory=list
    )  # topic and payload of our own wire format
    ask: str | None = None  # edge node to ask for its births


@dataclass(slots=True)
class _Crane:
    """A crane since its birth: an edge node, or a device of one."""

    name: str
    boot: int
    dt_ms: int
    held: dict[str, Value]  # last value of each reading, of ours or not; what is not reported has not changed
    events: dict[str, bool]
    sent: int = 0


@dataclass(slots=True)
class _Node:
    aliases: dict[int, str] = field(default_factory=dict)
    types: dict[str, int] = field(default_factory=dict)
    cranes: dict[str, _Crane] = field(default_factory=dict)  # by device, "" for the node itself
    refused: set[str] = field(default_factory=set)  # those whose birth was not understood
    bd_seq: int | None = None
    born: bool = False
    last_seq: int | None = None
    last_payload: bytes = b""
    missed: int = 0  # messages since the birth of the node
    ask_at: float = float("-inf")
    ask_wait_s: float = ASK_AGAIN_S[0]


class Nodes:
    """Edge nodes by name."""

    def __init__(self) -> None:
        self._nodes: dict[str, _Node] = {}
        self._events: dict[
            str, dict[str, bool]
        ] = {}  # by crane; outlives a birth, so that nothing is told twice

    def forget(self) -> None:
        """Nothing is known any more: messages may have been missed. The next of each node has it asked."""
        self._nodes.clear()

    def take(self, address: str, data: bytes, received_at: datetime, now_s: float) -> Translated:
        """One message as ours; `now_s` is a clock that only goes forward. Raises UnreadableMessage."""
        found = _TOPIC.match(address)
        if found is None:
            raise UnreadableMessage(QuarantineReason.UNKNOWN_TOPIC, "no topic of an edge node or a device")
        _, kind, name, device = found.groups()
        if kind.startswith("D") != (device is not None):
            raise UnreadableMessage(
                QuarantineReason.UNKNOWN_TOPIC, f"{kind} {'needs' if kind[0] == 'D' else 'has no'} a device"
            )
        node = self._nodes.setdefault(name, _Node())
        payload = decode(data)
        if kind == "NDEATH":
            return Translated(_death(node, payload, received_at))
        if kind == "NBIRTH":
            node = self._nodes[name] = _Node(ask_wait_s=node.ask_wait_s, ask_at=node.ask_at)
            node.born, node.bd_seq = True, _bd_seq(payload)
        elif not node.born:
            raise self._no_birth(node, name, now_s, "its node")
        elif payload.seq == node.last_seq and data == node.last_payload:
            return Translated()
        lost = kind != "NBIRTH" and self._watch(node, payload.seq)
        node.last_seq, node.last_payload = payload.seq, data
        key = device or ""
        try:
            messages = self._understood(node, kind, name, key, payload, received_at, now_s)
        except _NoBirth:
            raise self._no_birth(node, name, now_s, device or "it") from None
        return Translated(messages, name if lost and _may_ask(node, now_s) else None)

    def _understood(
        self, node: _Node, kind: str, name: str, key: str, payload: Any, received_at: datetime, now_s: float
    ) -> list[tuple[str, bytes]]:
        if kind in ("NBIRTH", "DBIRTH"):
            return self._birth(node, name, key, payload, received_at)
        crane = node.cranes.get(key)
        if kind == "DDEATH":
            return (
                []
                if node.cranes.pop(key, None) is None or crane is None
                else [_status(crane, "offline", received_at)]
            )
        if crane is None:
            if key or key in node.refused:
                raise _NoBirth
            return []  # data of a node that is no crane itself
        return _data(node, crane, payload, received_at)

    def _watch(self, node: _Node, seq: int) -> bool:
        """Whether numbers are missing. Values that were not reported since may be old: they are not held any longer."""
        expected = 0 if node.last_seq is None else (node.last_seq + 1) % SEQUENCE
        missed = (seq - expected) % SEQUENCE
        if missed == 0:
            return False
        node.missed += missed
        for crane in node.cranes.values():
            crane.held = dict.fromkeys(crane.held)
        return True

    def _birth(
        self, node: _Node, name: str, key: str, payload: Any, received_at: datetime
    ) -> list[tuple[str, bytes]]:
        metrics = [metric for metric in payload.metrics if metric.name]
        node.aliases.update({metric.alias: metric.name for metric in metrics if metric.HasField("alias")})
        node.types.update({metric.name: metric.datatype for metric in metrics})
        reported = {metric.name: metric for metric in metrics if _EVENT.match(metric.name)}
        held = _held(node, metrics)
        node.cranes.pop(key, None)
        if not reported and held.keys().isdisjoint(CHANNEL_BY_NAME):
            return []
        node.refused.add(key)
        who = key or name
        if not re.fullmatch(CRANE_NAME_PATTERN, who):
            raise UnreadableMessage(QuarantineReason.BAD_SHAPE, f"{who!r} is no name of a crane")
        known = self._events.setdefault(who, {})
        crane = _Crane(
            name=who,
            boot=boot_of(ROOT, name, key, payload.timestamp, node.bd_seq),
            dt_ms=_step(metrics),
            held=held,
            events=known,
        )
        node.cranes[key] = crane
        node.refused.discard(key)
        told = []
        for full, metric in reported.items():
            state = bool(_value(node, metric, full))
            lasting = _kind(full) in LASTING
            if lasting and state != known.get(full, False):
                told.append(_event(node, crane, full, state, _at(metric, payload, received_at)))
            known[full] = state
        return [_status(crane, "online", received_at), *told]

    def _no_birth(self, node: _Node, name: str, now_s: float, who: str) -> "Unanswered":
        text = f"the birth of {who} was not seen: what its metrics are is not known"
        return Unanswered(text, ask=name if _may_ask(node, now_s) else None)


class Unanswered(UnreadableMessage):
    """Data without the birth that explains them; `ask` is the node to ask for it, None when it was asked just now."""

    def __init__(self, text: str, *, ask: str | None) -> None:
        super().__init__(QuarantineReason.NO_BIRTH, text)
        self.ask = ask


class _NoBirth(Exception):
    """An alias or a device that no birth has named."""


def crane_of(address: str) -> str | None:
    """Device, or else edge node, of a topic."""
    found = _TOPIC.match(address)
    return None if found is None else found[4] or found[3]


def _may_ask(node: _Node, now_s: float) -> bool:
    if now_s < node.ask_at:
        return False
    if now_s > node.ask_at + ASK_AGAIN_S[1]:
        node.ask_wait_s = ASK_AGAIN_S[0]
    node.ask_at = now_s + node.ask_wait_s
    node.ask_wait_s = min(ASK_AGAIN_S[1], node.ask_wait_s * 2)
    return True


def _death(node: _Node, payload: Any, received_at: datetime) -> list[tuple[str, bytes]]:
    """The last will of a node; one of an earlier session is late and changes nothing.

    One of a later session, whose birth never came, ends the session that is known as well.
    """
    bd_seq = _bd_seq(payload)
    if not node.born or (bd_seq is None) != (node.bd_seq is None):
        return []
    if bd_seq is not None and node.bd_seq is not None and (bd_seq - node.bd_seq) % SEQUENCE >= SEQUENCE // 2:
        return []
    gone = [_status(crane, "offline", received_at) for crane in node.cranes.values()]
    node.cranes.clear()
    node.born = False
    return gone


def _data(node: _Node, crane: _Crane, payload: Any, received_at: datetime) -> list[tuple[str, bytes]]:
    """Samples and events of one data message."""
    live: dict[int, dict[str, Value]] = {}
    past: dict[int, dict[str, Value]] = {}
    blocks: dict[int, dict[str, Value]] = {}
    told: list[tuple[int, str, bool]] = []
    for metric in payload.metrics:
        name = _name(node, metric)
        at_ms = _at(metric, payload, received_at)
        if _EVENT.match(name):
            told.append((at_ms, name, bool(_value(node, metric, name))))
        elif _takes(crane.held, name, metric.datatype or node.types.get(name, 0)):
            value = _value(node, metric, name)
            rows = blocks if isinstance(value, list) else past if metric.is_historical else live
            rows.setdefault(at_ms, {})[name] = value
    found = sorted(blocks.items())
    found += _runs(crane, past)
    for at_ms in sorted(live):
        crane.held |= live[at_ms]
        # A metric that matches no channel makes no sample by itself: its time may be its own.
        live[at_ms] = dict(crane.held) if _known(live[at_ms]) else {}
    found += _runs(crane, {at_ms: row for at_ms, row in live.items() if row})
    messages = [_samples(node, crane, at_ms, columns) for at_ms, columns in found if _known(columns)]
    for at_ms, full, state in sorted(told):
        lasting = _kind(full) in LASTING
        if state != crane.events.get(full, False) if lasting else state:
            messages.append(_event(node, crane, full, state, at_ms))
        crane.events[full] = state
    return messages


def _held(node: _Node, metrics: list[Any]) -> dict[str, Value]:
    """The readings that a birth names, with the values that it gives."""
    held: dict[str, Value] = {}
    for metric in metrics:
        if _takes(held, metric.name, metric.datatype):
            value = _value(node, metric, metric.name)
            held[metric.name] = None if isinstance(value, list) else value
    return held


def _takes(held: dict[str, Value], name: str, datatype: int) -> bool:
    """Whether a metric is a reading of the crane that holds these: of a channel, or a number under another name, as far as there is room."""
    number = datatype in set(DataType) and not (_NO_READING.match(name) or _EVENT.match(name))
    room = len(held.keys() - CHANNEL_BY_NAME.keys()) < STRANGERS
    if name in CHANNEL_BY_NAME or (number and room):
        held.setdefault(name, None)
    return name in held


def _known(row: dict[str, Value]) -> bool:
    return not row.keys().isdisjoint(CHANNEL_BY_NAME)


def _runs(crane: _Crane, rows: dict[int, dict[str, Value]]) -> Iterator[tuple[int, dict[str, Value]]]:
    """Rows by their time as blocks that are evenly spaced at the step of the crane; a row off the step begins another."""
    times = sorted(rows)
    first = 0
    for place in range(1, len(times) + 1):
        if place == len(times) or times[place] != times[place - 1] + crane.dt_ms:
            block = [rows[at_ms] for at_ms in times[first:place]]
            names = [name for name in crane.held if any(name in row for row in block)]
            yield times[first], {name: [row.get(name) for row in block] for name in names}  # type: ignore[misc]
            first = place


def _samples(node: _Node, crane: _Crane, t0_ms: int, columns: dict[str, Any]) -> tuple[str, bytes]:
    """A samples message. What matches no channel is named in each, without readings where it has none that go with the others."""
    n = len(next(values for name, values in columns.items() if name in CHANNEL_BY_NAME))
    strangers = {
        name[:NAME_CHARACTERS]: [None if value is None else float(value) for value in values]
        if len(values := columns.get(name, ())) == n
        else [None] * n
        for name in crane.held
        if name not in CHANNEL_BY_NAME
    }
    body = {
        **_number(node, crane),
        "t0": from_ms(t0_ms),
        "dt_ms": crane.dt_ms,
        "channels": {name: values for name, values in columns.items() if name in CHANNEL_BY_NAME} | strangers,
    }
    return topic(crane.name, Leaf.SAMPLES), orjson.dumps(body)


def _event(node: _Node, crane: _Crane, full: str, state: bool, at_ms: int) -> tuple[str, bytes]:
    found = _EVENT.match(full)
    assert found is not None
    body = {
        **_number(node, crane),
        "at": from_ms(at_ms),
        "kind": found[1],
        "code": found[2] or "",
        "state": "raised" if state else "cleared",
    }
    return topic(crane.name, Leaf.EVENTS), orjson.dumps(body)


def _number(node: _Node, crane: _Crane) -> dict[str, int]:
    """Boot and number of the next message. Messages that a node left out are missing in each of its cranes."""
    number = {"boot": crane.boot, "seq": crane.sent + node.missed}
    crane.sent += 1
    return number


def _status(crane: _Crane, state: str, received_at: datetime) -> tuple[str, bytes]:
    body = {"boot": crane.boot, "state": state, "at": received_at}
    return topic(crane.name, Leaf.STATUS), orjson.dumps(body)


def _name(node: _Node, metric: Any) -> str:
    if metric.name:
        return str(metric.name)
    name = node.aliases.get(metric.alias)
    if name is None:
        raise _NoBirth
    return name


def _value(node: _Node, metric: Any, name: str) -> Value:
    value = value_of(metric, name, metric.datatype or node.types.get(name, 0))
    return value if value is None or isinstance(value, bool | int | float) else list(value)


def _at(metric: Any, payload: Any, received_at: datetime) -> int:
    """Time of a metric; its own, else that of the message, else when it came."""
    stamp = int(metric.timestamp or payload.timestamp or to_ms(received_at))
    if stamp > LAST_MS:
        raise UnreadableMessage(
            QuarantineReason.IN_FUTURE, f"{stamp} ms since 1970 is no time: set the clock"
        )
    return stamp


def _step(metrics: list[Any]) -> int:
    for metric in metrics:
        if metric.name == STEP_METRIC:
            step = value_of(metric, STEP_METRIC, metric.datatype)
            if isinstance(step, int) and 1 <= step <= MAX_STEP_MS:
                return step
    raise UnreadableMessage(
        QuarantineReason.BAD_SHAPE,
        f"the birth of a crane needs a metric {STEP_METRIC}: the whole milliseconds between its samples, 1 to {MAX_STEP_MS}",
        field=STEP_METRIC,
    )


def _bd_seq(payload: Any) -> int | None:
    for metric in payload.metrics:
        if metric.name == BD_SEQ:
            return int(metric.long_value if metric.HasField("long_value") else metric.int_value)
    return None


def _kind(full: str) -> EventKind:
    return EventKind(full.split("/")[1])
