"""A telematics box written from docs/wire.md alone: it imports nothing of the project, so that what the document leaves out shows."""

import json
import math
import secrets
import sqlite3
import ssl
import time
from array import array
from collections import Counter, deque
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import cbor2
import paho.mqtt.client as mqtt
import zstandard
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

TABLES = """
CREATE TABLE IF NOT EXISTS outbox (id INTEGER PRIMARY KEY AUTOINCREMENT, boot INTEGER, seq INTEGER, leaf TEXT, thin INTEGER, payload BLOB,
                                   again INTEGER DEFAULT 0, UNIQUE (boot, seq));
CREATE TABLE IF NOT EXISTS apart (id INTEGER PRIMARY KEY, boot INTEGER, seq INTEGER, leaf TEXT, thin INTEGER, payload BLOB,
                                  again INTEGER, why TEXT);
CREATE TABLE IF NOT EXISTS counter (one INTEGER PRIMARY KEY CHECK (one = 1), seq INTEGER);
INSERT OR IGNORE INTO counter VALUES (1, 0);
"""
RECONNECT_S = (1, 2, 4, 8, 15)
BAD_LOGIN, BAD_LOGIN_S = (134, 135), 180
HOPELESS_PUBACKS = (135, 144)
WIDTHS = ((0xFF, 64, "B"), (0xFFFF, 69, "H"), (0xFFFFFFFF, 70, "I"))
"""Unsigned typed arrays of RFC 8746, little-endian: the integer that stands for a missing reading, the tag, the array's code."""


class Sent(NamedTuple):
    """When a message went out last over this connection, how often, and when it goes out again without a receipt."""

    at: float
    times: int
    again_at: float


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _block(
    names: list[str], columns: list[list[int | None]], decimals: list[int], width: tuple[int, int, str]
) -> list[Any]:
    missing, tag, code = width
    offsets = [min((i for i in column if i is not None), default=0) for column in columns]
    flat = array(
        code,
        (
            missing if i is None else i - offset
            for column, offset in zip(columns, offsets, strict=True)
            for i in column
        ),
    )
    return [names, bytes(decimals), offsets, cbor2.CBORTag(tag, flat.tobytes())]


class Box:
    """One crane's sender. Call `record` and `event` with what the crane does, and `step` in between, as often as there is time.

    `decimals` is the resolution of each channel's sensor (1 unless stated); readings are rounded to it in JSON and in CBOR alike.
    """

    def __init__(
        self,
        host: str,
        port: int,
        user: str,
        password: str,
        file: str,
        *,
        thin: bool = False,
        dt_ms: int = 100,
        per_message: int = 100,
        decimals: Mapping[str, int] | None = None,
        limit: int = 100_000,
        window: int = 100,
        pause_s: float = 30,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self.address, self.user, self.password, self.tls = (host, port), user, password, tls
        self.thin, self.step_of, self.per_message, self.decimals = (
            thin,
            timedelta(milliseconds=dt_ms),
            per_message,
            decimals or {},
        )
        self.limit, self.window, self.pause_s = limit, window, pause_s
        self.client_id = f"{user}-{secrets.token_hex(4)}"
        self.display: deque[str] = deque(maxlen=100)
        self.notices: deque[dict[str, Any]] = deque(maxlen=100)
        self.db = sqlite3.connect(file)
        self.db.executescript(TABLES)
        self.boot = secrets.randbelow(2**53)
        self.open: tuple[int, datetime, dict[str, list[float | None]]] | None = None
        self.next_at: datetime | None = None
        self.client: mqtt.Client | None = None
        self.failures, self.connect_at, self.receipt_at = 0, 0.0, 0.0
        self.sent: dict[int, Sent] = {}
        self.passed_over: Counter[int] = Counter()

    # what the crane does

    def record(self, at: datetime, readings: Mapping[str, float | None]) -> None:
        """Take one sample of all channels; one that is a second or more from where it is due begins a new boot."""
        if self.next_at and abs(at - self.next_at) >= timedelta(seconds=1):
            self.flush()
            self.boot = secrets.randbelow(2**53)
        if self.open and self.open[2].keys() != readings.keys():
            self.flush()
        self.open = self.open or (self._number(), at, {name: [] for name in readings})
        self.next_at = at + self.step_of
        for name, reading in readings.items():
            known = reading is not None and math.isfinite(reading)
            self.open[2][name].append(
                round(reading, self.decimals.get(name, 1)) if known and reading is not None else None
            )
        if len(next(iter(self.open[2].values()))) >= self.per_message:
            self.flush()

    def flush(self) -> None:
        """Finish the samples message that is being filled."""
        if self.open is not None:
            (seq, t0, channels), self.open = self.open, None
            content = {
                "boot": self.boot,
                "seq": seq,
                "t0": _text(t0),
                "dt_ms": self.step_of // timedelta(milliseconds=1),
            }
            self._write(
                "samples", content | (self._blocks(channels) if self.thin else {"channels": channels})
            )

    def event(self, at: datetime, kind: str, code: str = "", state: str = "raised", text: str = "") -> None:
        """Take one event."""
        content = {
            "boot": self.boot,
            "seq": self._number(),
            "at": _text(at),
            "kind": kind,
            "code": code,
            "state": state,
            "text": text,
        }
        self._write("events", content)

    def _number(self) -> int:
        with self.db:  # kept on disk and going on over boots: what a loss of power or a full outbox takes shows as a hole
            return int(self.db.execute("UPDATE counter SET seq = seq + 1 RETURNING seq").fetchone()[0])

    def _blocks(self, channels: dict[str, list[float | None]]) -> dict[str, Any]:
        by_width: dict[tuple[int, int, str], list[tuple[str, list[int | None], int]]] = {}
        for name, readings in channels.items():
            decimals = self.decimals.get(name, 1)
            integers = [None if reading is None else round(reading * 10**decimals) for reading in readings]
            known = [i for i in integers if i is not None] or [0]
            width = next(width for width in WIDTHS if max(known) - min(known) < width[0])
            by_width.setdefault(width, []).append((name, integers, decimals))
        return {
            "blocks": [
                _block(
                    [name for name, _, _ in of],
                    [column for _, column, _ in of],
                    [decimals for _, _, decimals in of],
                    width,
                )
                for width, of in by_width.items()
            ]
        }

    def _write(self, leaf: str, content: dict[str, Any]) -> None:
        if self.waiting() >= self.limit:
            self._say(f"The outbox is full: message {content['seq']} is lost")
            return
        if self.thin:
            payload = zstandard.ZstdCompressor().compress(cbor2.dumps(content))
        else:
            payload = json.dumps(content, separators=(",", ":"), allow_nan=False).encode()
        row = (content["boot"], content["seq"], leaf, self.thin, payload)
        with self.db:
            self.db.execute("INSERT INTO outbox (boot, seq, leaf, thin, payload) VALUES (?, ?, ?, ?, ?)", row)

    # the outbox

    def waiting(self) -> int:
        """Return how many messages have no receipt yet."""
        return int(self.db.execute("SELECT count(*) FROM outbox").fetchone()[0])

    def apart(self) -> list[tuple[int, int, str]]:
        """Return boot, number and reason of what was refused."""
        return self.db.execute("SELECT boot, seq, why FROM apart ORDER BY id").fetchall()

    def send_refused_again(self) -> None:
        """Send what was refused again, once: to be called when what was wrong has been mended."""
        columns = "id, boot, seq, leaf, thin, payload"
        with self.db:
            self.db.execute(
                f"INSERT INTO outbox ({columns}, again) SELECT {columns}, 1 FROM apart WHERE again = 0"
            )
            self.db.execute("DELETE FROM apart WHERE again = 0")
        self.sent = {}

    def _set_apart(self, boot: int, seq: int, why: str) -> None:
        self._say(f"Message {seq} of boot {boot} is kept apart: {why}")
        with self.db:
            columns = "id, boot, seq, leaf, thin, payload, again"
            where, key = "boot = ? AND seq = ?", (boot, seq)
            self.db.execute(f"INSERT INTO apart SELECT {columns}, ? FROM outbox WHERE {where}", (why, *key))
            self.db.execute(f"DELETE FROM outbox WHERE {where}", key)
            self.db.execute(
                "DELETE FROM apart WHERE id NOT IN (SELECT id FROM apart ORDER BY id DESC LIMIT 1000)"
            )

    def _say(self, text: str) -> None:
        self.display.append(text)

    # the connection

    def step(self, timeout_s: float = 0.02) -> None:
        """Connect if it is time to, take what came, send what is due."""
        now = time.monotonic()
        if self.client is None and now < self.connect_at:
            time.sleep(min(timeout_s, self.connect_at - now))
        elif self.client is None:
            self._connect()
        elif self.client.loop(timeout_s) != mqtt.MQTT_ERR_SUCCESS or (
            not self.ready and now > self.connect_at + 30
        ):
            self._lost()
        elif self.ready:
            self._send_due()

    def close(self) -> None:
        """Leave, and have the broker say offline."""
        if self.client is not None:
            self.client.disconnect(ReasonCode(PacketTypes.DISCONNECT, identifier=4))  # with the will
        self.db.close()

    def _topic(self, leaf: str) -> str:
        return f"boomledger/v1/{self.user}/{leaf}"

    def _status(self, **fields: str) -> bytes:
        return json.dumps({"boot": self.online_boot} | fields).encode()

    def _connect(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self.client_id, protocol=mqtt.MQTTv5)
        client.username_pw_set(self.user, self.password)
        if self.tls is not None:
            client.tls_set_context(self.tls)
        self.online_boot = self.boot  # for the whole connection: the will cannot change, and offline counts only of the boot that is online
        client.will_set(self._topic("status"), self._status(state="offline"), qos=1, retain=True)
        client.max_inflight_messages_set(0)  # this box counts by itself
        client.on_connect, client.on_subscribe, client.on_disconnect = (
            self._on_connect,
            self._on_subscribe,
            self._on_disconnect,
        )
        client.on_message, client.on_publish = self._on_message, self._on_publish
        self.client, self.ready, self.connect_at = client, False, time.monotonic()
        self.sent = {}
        self.unacknowledged: dict[int, int] = {}
        try:
            client.connect(
                *self.address, keepalive=30, clean_start=True
            )  # session expiry 0 is what MQTT takes when it is not stated
        except OSError as error:
            self._say(f"No connection: {error}")
            self._lost()

    def _lost(self, wait_s: float | None = None) -> None:
        if self.client is not None:
            wait_s = wait_s or RECONNECT_S[min(self.failures, len(RECONNECT_S) - 1)]
            self.client, self.failures, self.connect_at = None, self.failures + 1, time.monotonic() + wait_s

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: object,
        _flags: object,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if code.is_failure:
            self._say(f"The broker refuses: {code}")
            self._lost(BAD_LOGIN_S if code.value in BAD_LOGIN else None)
            return
        self.receive_maximum = getattr(properties, "ReceiveMaximum", 65535)
        self.packet_bytes = getattr(properties, "MaximumPacketSize", 2**28)
        client.subscribe([(self._topic(leaf), SubscribeOptions(qos=1)) for leaf in ("committed", "notices")])

    def _on_subscribe(
        self, client: mqtt.Client, _data: object, _mid: int, codes: list[ReasonCode], _properties: object
    ) -> None:
        if any(code.is_failure for code in codes):
            self._say("The broker refuses the subscriptions")
            self._lost(BAD_LOGIN_S)
            return
        client.publish(
            self._topic("status"),
            self._status(state="online", at=_text(datetime.now(UTC))),
            qos=1,
            retain=True,
        )
        self.ready, self.failures = True, 0

    def _on_disconnect(
        self, client: mqtt.Client, _data: object, _flags: object, code: ReasonCode, _properties: object
    ) -> None:
        if client is self.client:
            self._say(f"The connection ended: {code}")
            self._lost()

    def _send_due(self) -> None:
        """Send of the oldest messages, as many as may be without receipt, those that are due."""
        now = time.monotonic()
        for number, boot, seq in self.db.execute(
            "SELECT id, boot, seq FROM outbox ORDER BY id LIMIT ?", (self.window,)
        ).fetchall():
            before = self.sent.get(number)
            if self.client is None or len(self.unacknowledged) >= self.receive_maximum:
                return
            if before is not None and now < before.again_at:
                continue
            self.passed_over[number] += before is not None and self.receipt_at > before.at
            if (
                self.passed_over[number] >= 5
            ):  # others have had their receipts meanwhile: it cannot be read at all
                self._set_apart(boot, seq, "no receipt")
            else:
                times = before.times + 1 if before else 1
                self.sent[number] = Sent(now, times, now + self.pause_s * min(2 ** (times - 1), 8))
                self._send(self.client, number)

    def _send(self, client: mqtt.Client, number: int) -> None:
        boot, seq, leaf, thin, payload = self.db.execute(
            "SELECT boot, seq, leaf, thin, payload FROM outbox WHERE id = ?", (number,)
        ).fetchone()
        if len(payload) + 200 > self.packet_bytes:
            self.per_message = max(1, self.per_message // 2)
            self._set_apart(boot, seq, "larger than the broker takes")
            return
        properties = Properties(PacketTypes.PUBLISH)
        if thin:
            properties.ContentType, properties.UserProperty = "application/cbor", ("content-encoding", "zstd")
        self.unacknowledged[client.publish(self._topic(leaf), payload, qos=1, properties=properties).mid] = (
            number
        )

    def _on_publish(
        self, _client: mqtt.Client, _data: object, mid: int, code: ReasonCode, _properties: object
    ) -> None:
        number = self.unacknowledged.pop(mid, None)
        if number in self.sent and code.value in HOPELESS_PUBACKS:
            self._say(f"The broker refuses what this box sends: {code}. Mend name and password")
            self.sent[number] = self.sent[number]._replace(again_at=math.inf)

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        content = json.loads(message.payload)
        if message.topic == self._topic("notices"):
            self.notices.append(content)
            return
        self.receipt_at = time.monotonic()
        with self.db:
            for seq in content["stored"]:
                self.db.execute("DELETE FROM outbox WHERE boot = ? AND seq = ?", (content["boot"], seq))
        for seq in content["quarantined"]:
            self._set_apart(content["boot"], seq, "refused")
