"""Thousands of connected cranes from a few processes, to find out what a broker and a ledger can take.

Each crane has a connection of its own and sends real signals of the yard, stamped with the present time. There is no
outbox here: what gets no receipt is counted, not sent again. The cranes must be registered first
(`crane_names`), or everything ends in quarantine, which is a measurement too.
"""

import resource
import secrets
import selectors
import ssl
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from itertools import cycle
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from domain.errors import InvalidInput, Unavailable
from domain.messages import Leaf, topic
from simulator.broker import broker_address
from simulator.generate import generate
from simulator.messages import samples_payload
from simulator.record import Floats32
from simulator.yard import load_yard

_SOURCE_DAY: Final = date(2025, 11, 5)
_SOURCES: Final = 4  # cranes of the yard whose day is sent
_CONNECTS_AT_ONCE: Final = 50
_CONNECT_S: Final = 60.0
_LAST_RECEIPTS_S: Final = 30.0
_KEEP_ALIVE_S: Final = 60
_SPARE_FILES: Final = 64
_MISC_EVERY_S: Final = 1.0


@dataclass(frozen=True, kw_only=True)
class Load:
    """How much of it."""

    cranes: int
    seconds: float
    message_every_s: float = 1.0  # of each crane
    dt_ms: int = 100
    samples: int = 10  # in a message

    def __post_init__(self) -> None:
        if self.cranes < 1 or not self.seconds > 0 or not self.message_every_s > 0 or self.samples < 1:
            raise InvalidInput("a load needs at least one crane, one sample, and times above 0", field="load")


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What became of it. Delays are from handing a message to the client until its receipt."""

    cranes: int
    messages: int
    receipts: int
    quarantined: int
    seconds: float
    delay_median_s: float  # NaN without receipts
    delay_p99_s: float
    latest_s: float  # how far the sender itself fell behind its own timetable at worst


class _Share(NamedTuple):
    broker_url: str
    load: Load
    names: tuple[str, ...]
    ca_file: Path | None


class _Result(NamedTuple):
    messages: int
    quarantined: int
    delays_s: list[float]
    seconds: float
    latest_s: float


def crane_names(cranes: int) -> list[str]:
    """The names under which the cranes of a load send: load-00001 and so on."""
    return [f"load-{number:05d}" for number in range(1, cranes + 1)]


def run_load(broker_url: str, load: Load, processes: int = 1, *, ca_file: Path | None = None) -> Measured:
    """Connect, send for the time asked for, wait for the last receipts, measure.

    broker_url: mqtt:// or mqtts://; ca_file: the authority of its certificate, None for the system's.
    """
    names = crane_names(load.cranes)
    shares = [_Share(broker_url, load, tuple(names[first::processes]), ca_file) for first in range(processes)]
    shares = [share for share in shares if share.names]
    if len(shares) == 1:
        results = [_run_share(shares[0])]
    else:
        with ProcessPoolExecutor(len(shares), mp_context=get_context("spawn")) as pool:
            results = list(pool.map(_run_share, shares))
    delays = np.concatenate([np.asarray(result.delays_s) for result in results])
    median, late = np.quantile(delays, (0.5, 0.99)) if len(delays) else (np.nan, np.nan)
    return Measured(
        cranes=load.cranes,
        messages=sum(result.messages for result in results),
        receipts=len(delays),
        quarantined=sum(result.quarantined for result in results),
        seconds=max(result.seconds for result in results),
        delay_median_s=float(median),
        delay_p99_s=float(late),
        latest_s=max(result.latest_s for result in results),
    )


def _run_share(share: _Share) -> _Result:
    fleet = _Fleet(share)
    pieces = _pieces(share.load)
    try:
        fleet.connect()
        return fleet.send(pieces)
    finally:
        fleet.close()


class _Sender:
    """One crane's client, driven by the fleet's loop instead of a thread of its own."""

    def __init__(self, fleet: "_Fleet", name: str) -> None:
        self.name = name
        self.boot = secrets.randbits(63)
        self.seq = 0
        self.ready = False
        self.sent_s: dict[int, float] = {}
        self._fleet = fleet
        address = fleet.address
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        if address.user is not None:
            self.client.username_pw_set(address.user, address.password)
        if fleet.tls is not None:
            self.client.tls_set_context(fleet.tls)
        self.client.on_connect = self._connected
        self.client.on_subscribe = self._subscribed
        self.client.on_message = self._received
        self.client.connect(address.host, address.port, _KEEP_ALIVE_S)

    def send(self, channels: dict[str, Floats32], dt_ms: int) -> None:
        samples = len(next(iter(channels.values())))
        t0_ms = round(time.time() * 1000) - samples * dt_ms
        payload = samples_payload(self.boot, self.seq, t0_ms, dt_ms, channels)
        self.sent_s[self.seq] = time.monotonic()
        self.client.publish(topic(self.name, Leaf.SAMPLES), payload, qos=1)
        self.seq += 1

    def read(self) -> None:
        """Read what has arrived, what TLS has unpacked already included: no selector tells of that."""
        while True:
            if self.client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise Unavailable(f"the broker closed the connection of {self.name}")
            socket = self.client.socket()
            if not isinstance(socket, ssl.SSLSocket) or not socket.pending():
                return

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._fleet.refused = f"{self.name}: {reason}"
        client.subscribe(topic(self.name, Leaf.COMMITTED), qos=1)

    def _subscribed(self, *_: Any) -> None:
        self.ready = True

    def _received(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        receipt = orjson.loads(message.payload)
        if receipt["boot"] != self.boot:
            return  # of an earlier run under the same name
        now_s = time.monotonic()
        for kind in ("stored", "quarantined"):
            for seq in receipt.get(kind, ()):
                sent_s = self.sent_s.pop(seq, None)
                if sent_s is not None:
                    self._fleet.delays_s.append(now_s - sent_s)
                    self._fleet.quarantined += kind == "quarantined"


class _Fleet:
    """The senders of one process, on one selector."""

    def __init__(self, share: _Share) -> None:
        self.address = broker_address(share.broker_url, share.ca_file)
        # one for all cranes: reading the authorities takes longer than a handshake
        self.tls = ssl.create_default_context(cafile=share.ca_file) if self.address.tls else None
        self.delays_s: list[float] = []
        self.quarantined = 0
        self.refused: str | None = None
        self._load = share.load
        self._names = share.names
        self._senders: list[_Sender] = []
        self._selector = selectors.DefaultSelector()
        self._misc_s = 0.0
        _allow_files(len(share.names) + _SPARE_FILES)

    def connect(self) -> None:
        """Connect every crane, some at a time, and wait until each can hear its receipts."""
        deadline_s = time.monotonic() + _CONNECT_S
        for first in range(0, len(self._names), _CONNECTS_AT_ONCE):
            for name in self._names[first : first + _CONNECTS_AT_ONCE]:
                try:
                    sender = _Sender(self, name)
                except OSError as problem:
                    raise Unavailable(f"the broker takes no further connection: {problem}") from problem
                self._senders.append(sender)
                socket = sender.client.socket()
                if socket is None:
                    raise Unavailable(f"the broker hung up on {name} at once")
                self._selector.register(socket, selectors.EVENT_READ, sender)
            while not all(sender.ready for sender in self._senders):
                if self.refused or time.monotonic() > deadline_s:
                    raise Unavailable(
                        f"not every crane could connect ({self.refused or 'no answer in time'})"
                    )
                self._turn(0.05)

    def send(self, pieces: Iterator[dict[str, Floats32]]) -> _Result:
        """Send by the timetable, then wait for the last receipts."""
        begun_s = time.monotonic()
        step_s = self._load.message_every_s / len(self._senders)
        latest_s, sent = 0.0, 0
        while (due_s := begun_s + sent * step_s) < begun_s + self._load.seconds:
            now_s = time.monotonic()
            if now_s < due_s:
                self._turn(due_s - now_s)
                continue
            latest_s = max(latest_s, now_s - due_s)
            self._senders[sent % len(self._senders)].send(next(pieces), self._load.dt_ms)
            sent += 1
            if sent % 50 == 0:
                self._turn(0.0)
        deadline_s = time.monotonic() + _LAST_RECEIPTS_S
        while len(self.delays_s) < sent and time.monotonic() < deadline_s:
            self._turn(0.05)
        return _Result(sent, self.quarantined, self.delays_s, time.monotonic() - begun_s, latest_s)

    def close(self) -> None:
        """Disconnect every crane."""
        for sender in self._senders:
            sender.client.disconnect()
        self._selector.close()

    def _turn(self, longest_s: float) -> None:
        """Let every client read and write what it can."""
        for key, _ in self._selector.select(min(longest_s, 0.05)):
            key.data.read()
        now_s = time.monotonic()
        misc = now_s - self._misc_s > _MISC_EVERY_S
        self._misc_s = now_s if misc else self._misc_s
        for sender in self._senders:
            if sender.client.want_write():
                sender.client.loop_write()
            if misc:
                sender.client.loop_misc()


def _allow_files(needed: int) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < needed:
        raise Unavailable(
            f"{needed} connections need as many open files and {hard} are allowed: raise ulimit -n"
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, needed), hard))


def _pieces(load: Load) -> Iterator[dict[str, Floats32]]:
    """Stretches of real signals, over and over."""
    records = list(generate(load_yard().cranes[:_SOURCES], _SOURCE_DAY, 1, dt_ms=load.dt_ms))
    spots = [
        (record, first)
        for record in records
        for first in range(0, record.samples - load.samples + 1, load.samples)
    ]
    if not spots:
        raise InvalidInput("no stop lasts as long as one message: choose fewer samples", field="samples")
    return (
        {name: values[first : first + load.samples] for name, values in record.channels.items()}
        for record, first in cycle(spots)
    )
