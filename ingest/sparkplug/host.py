"""A Sparkplug B 3.0 host: listens to a group, stores its data as our own messages, and asks for births.

Sparkplug sends data with QoS 0 and knows no receipts: what is lost on the way is lost, and only the gap in the numbers
shows it. One host works at a time, because births, aliases and numbers are an ordered story; others stand by.
"""

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import orjson
import psycopg
import structlog
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from domain.errors import Conflict, QuarantineReason, Unavailable, UnreadableMessage
from domain.messages import Leaf, topic
from domain.units import MS_PER_S
from ingest import metrics
from ingest.buffered import tls_context
from ingest.limits import Limits
from ingest.link import KEEP_ALIVE_S, BrokerAddress
from ingest.notices import Notices
from ingest.server_clock import ServerClock
from ingest.sparkplug.nodes import ROOT, Nodes, Unanswered, crane_of
from ingest.sparkplug.payload import rebirth_request
from ingest.writer import Incoming, Writer
from store import quarantine
from store.connection import connect, first_line
from store.lease import Lease
from store.quarantine import Rejected

HOST_ID: Final = "boomledger"
STATE_TOPIC: Final = f"{ROOT}/STATE/{HOST_ID}"
QUEUE: Final = 10_000  # messages in memory; beyond it the broker has to wait
BATCH: Final = 500
FILL_S: Final = 0.2
RETRY_S: Final = 1.0

log = structlog.get_logger(__name__)
_NEW_CONNECTION: Final = None
Happening = Incoming | None


@contextlib.contextmanager
def hosting(
    *,
    group: str,
    broker_url: str,
    database_url: str,
    limits: Limits,
    stop: threading.Event,
    ca_file: Path | None = None,
    notices: bool = True,
    subscribed: threading.Event | None = None,
) -> Iterator[None]:
    """A host of the group in a thread, until `stop` is set."""
    host = Host(group, broker_url, ca_file, subscribed or threading.Event(), Notices() if notices else None)
    thread = threading.Thread(
        target=host.run, args=(database_url, limits, stop), name="sparkplug", daemon=True
    )
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@dataclass(slots=True)
class _Batch:
    incoming: list[Incoming]
    rejected: list[Rejected]


class Host:
    """The connection to the broker and the loop that stores what comes."""

    def __init__(
        self,
        group: str,
        broker_url: str,
        ca_file: Path | None,
        subscribed: threading.Event,
        notices: Notices | None,
    ) -> None:
        """`subscribed` is set while the subscription stands."""
        self._group = group
        self._address = BrokerAddress.parse(broker_url)
        self._arrived: queue.Queue[Happening] = queue.Queue(QUEUE)
        self._subscribed = subscribed
        self._nodes = Nodes()
        self._notices = notices
        self._stopping = False
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{HOST_ID}-sparkplug",
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        if self._address.user is not None:
            self._client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            self._client.tls_set_context(tls_context(ca_file))
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 60)
        self._online_ms = 0

    def run(self, database_url: str, limits: Limits, stop: threading.Event) -> None:
        """Store what comes until `stop` is set. One host at a time has the database; the others wait for it."""
        lease = Lease(database_url, "sparkplug")
        writer = Writer(database_url, limits, alone=False, clock=ServerClock(), lease=lease)
        try:
            while _wait_for(lease, database_url, stop):
                try:
                    self._serve(writer, database_url, stop)
                except Conflict as problem:
                    log.warning("another sparkplug host took over", reason=str(problem))
                    writer.close()
        except Exception:
            log.exception("the sparkplug host ended")
            raise
        finally:
            writer.leave()

    def _serve(self, writer: Writer, database_url: str, stop: threading.Event) -> None:
        """Connected to the broker until told to stop; Conflict when another process has taken over."""
        self._stopping = False
        self._set_will()
        self._client.connect_async(self._address.host, self._address.port, keepalive=KEEP_ALIVE_S)
        self._client.loop_start()
        log.info("sparkplug host started", group=self._group)
        try:
            while not stop.is_set():
                writer.check_lease()
                self._settle(writer, database_url, self._take(), stop)
            self._stopping = True
            while happened := self._take():
                self._settle(writer, database_url, happened, stop)
        finally:
            self._say_goodbye()

    def _settle(
        self, writer: Writer, database_url: str, happened: Sequence[Happening], stop: threading.Event
    ) -> None:
        batch = self._translated(happened)
        if batch.incoming:
            _until_done(lambda: self._store(writer, batch.incoming), writer.close, stop)
        if batch.rejected:
            _until_done(lambda: _set_aside(database_url, batch.rejected), lambda: None, stop)
            for rejected in batch.rejected:
                metrics.MESSAGES.labels("quarantined").inc()
                metrics.QUARANTINED.labels(rejected.reason).inc()

    def _store(self, writer: Writer, batch: Sequence[Incoming]) -> None:
        planned = writer.plan(batch)
        results = writer.store_planned(planned)
        told = [] if self._notices is None else self._notices.about(planned, results, time.monotonic())
        for crane, notice in told:
            if self._client.is_connected():
                self._client.publish(
                    topic(crane, Leaf.NOTICES), notice.model_dump_json(exclude_none=True), qos=1
                )
                metrics.NOTICES.labels(notice.code).inc()

    def _translated(self, happened: Sequence[Happening]) -> _Batch:
        batch = _Batch([], [])
        for arrived in happened:
            if arrived is _NEW_CONNECTION:
                self._nodes.forget()
                continue
            ask: str | None = None
            try:
                done = self._nodes.take(arrived.topic, arrived.payload, arrived.received_at, time.monotonic())
                ask = done.ask
                batch.incoming += [
                    Incoming(address, data, arrived.received_at) for address, data in done.messages
                ]
            except UnreadableMessage as problem:
                batch.rejected.append(_rejected(arrived, problem.reason, str(problem)))
                ask = problem.ask if isinstance(problem, Unanswered) else None
            except Exception as problem:  # no input may stop the host, whatever we have not thought of
                log.exception("a message could not be judged", topic=arrived.topic)
                text = f"{type(problem).__name__} while reading it"
                batch.rejected.append(_rejected(arrived, QuarantineReason.BAD_SHAPE, text))
            if ask is not None:
                self._ask(ask)
        return batch

    def _ask(self, node: str) -> None:
        log.info("asking a node for its births", node=node)
        metrics.REBIRTHS.inc()
        self._client.publish(f"{ROOT}/{self._group}/NCMD/{node}", rebirth_request(_now_ms()), qos=0)

    def _take(self) -> list[Happening]:
        try:
            taken = [self._arrived.get(timeout=FILL_S)]
        except queue.Empty:
            return []
        until = time.monotonic() + FILL_S
        while len(taken) < BATCH:
            try:
                taken.append(self._arrived.get(timeout=max(0.0, until - time.monotonic())))
            except queue.Empty:
                break
        return taken

    def _set_will(self) -> None:
        """The will carries the time of the state that it ends, so that a late one is known as such."""
        self._online_ms = _now_ms()
        self._client.will_set(STATE_TOPIC, _state(online=False, at_ms=self._online_ms), qos=1, retain=True)

    def _say_goodbye(self) -> None:
        self._stopping = True
        if self._client.is_connected():
            told = self._client.publish(
                STATE_TOPIC, _state(online=False, at_ms=_now_ms()), qos=1, retain=True
            )
            with contextlib.suppress(ValueError, RuntimeError):
                told.wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: ReasonCode, _props: Any) -> None:
        if reason.is_failure:
            log.error("the broker refuses the sparkplug host", reason=str(reason))
            return
        self._put(_NEW_CONNECTION)
        client.subscribe([(f"{ROOT}/{self._group}/#", 1)])

    def _on_subscribe(
        self, client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _props: Any
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            log.error("the broker refuses the subscription to sparkplug: check the rights of this account")
            return
        client.publish(STATE_TOPIC, _state(online=True, at_ms=self._online_ms), qos=1, retain=True)
        self._subscribed.set()

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _props: Any
    ) -> None:
        self._subscribed.clear()
        if not self._stopping:
            log.warning("the sparkplug host lost the broker", reason=str(reason))
            self._set_will()

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        if "/NCMD/" in message.topic or "/DCMD/" in message.topic:
            return  # commands to nodes, our own among them
        self._put(Incoming(message.topic, bytes(message.payload), datetime.now(UTC)))

    def _put(self, happened: Happening) -> None:
        # With a full queue the network waits, and the broker with it, instead of memory filling up.
        while not self._stopping:
            try:
                self._arrived.put(happened, timeout=1.0)
                return
            except queue.Full:
                continue


def _wait_for(lease: Lease, database_url: str, stop: threading.Event) -> bool:
    """Wait for the right to be the host. False when told to stop meanwhile."""
    while not stop.is_set():
        try:
            with contextlib.closing(connect(database_url, autocommit=True, writes=True)) as conn:
                if lease.take(conn):
                    return True
        except (psycopg.Error, Unavailable) as problem:
            log.warning("the database is not there, trying again", problem=first_line(problem))
        stop.wait(RETRY_S)
    return False


def _set_aside(database_url: str, rejected: Sequence[Rejected]) -> None:
    with connect(database_url) as conn:
        quarantine.keep(conn, rejected)


def _until_done(action: Callable[[], object], reset: Callable[[], object], stop: threading.Event) -> None:
    """Try until it is done; give up when the process is to stop and the database is away."""
    while True:
        try:
            action()
            return
        except (psycopg.Error, Unavailable) as problem:
            metrics.DATABASE_RETRIES.inc()
            log.warning("the database is not there, trying again", problem=first_line(problem))
            reset()
            if stop.wait(RETRY_S):
                return


def _rejected(arrived: Incoming, reason: QuarantineReason, detail: str) -> Rejected:
    return Rejected(
        received_at=arrived.received_at,
        topic=arrived.topic,
        crane_name=crane_of(arrived.topic),
        reason=reason,
        detail=detail,
        raw=arrived.payload,
    )


def _state(*, online: bool, at_ms: int) -> bytes:
    return orjson.dumps({"online": online, "timestamp": at_ms})


def _now_ms() -> int:
    return int(datetime.now(UTC).timestamp() * MS_PER_S)
