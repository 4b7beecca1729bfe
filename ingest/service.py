"""The ingest process: take a batch, store it, acknowledge it, send receipts, again."""

import contextlib
import gc
import random
import secrets
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import psycopg
import structlog

from domain.errors import Conflict, Unavailable
from domain.messages import ReceiptMessage
from domain.units import ms_to_s
from ingest import metrics
from ingest.health import Health
from ingest.limits import Limits
from ingest.link import Delivery, Link
from ingest.notices import Notices, Told
from ingest.plan import Plan
from ingest.replay import replaying
from ingest.server_clock import ServerClock
from ingest.writer import Outcome, Result, Writer
from store.connection import first_line, state_of

IDLE_WAIT_S: Final = 0.2
STAND_BY_S: Final = 1.0
RETRY_S: Final = (0.1, 10.0)
TIDY_EVERY_S: Final = 10.0
# The thread that stores asks for the interpreter some 30 times a batch, each time to wait for the database again at once;
# with the usual 5 ms it would wait longer for the thread that reads messages than for the database.
SWITCH_S: Final = 0.0001
# Objects of waiting messages come and go by the thousand and refer to nothing: looking for cycles among them is in vain.
COLLECT_AFTER: Final = 20_000
CLIENT_ID: Final = "boomledger-ingest"

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Batches:
    """How much goes into one transaction."""

    messages: int
    bytes: int
    fill_s: float  # longest wait for more


@dataclass(frozen=True, slots=True)
class Settling:
    """What it takes to settle a batch."""

    link: Link
    writer: Writer
    notices: Notices | None
    stop: threading.Event
    health: Health


def run(
    *,
    broker_url: str,
    database_url: str,
    stop: threading.Event,
    limits: Limits | None = None,
    batch_messages: int = 500,
    batch_ms: int = 200,
    batch_bytes: int = 16_000_000,
    receive_maximum: int = 2000,
    receive_bytes: int = 64_000_000,
    shared_group: str | None = None,
    broker_ca_file: Path | None = None,
    notices: bool = True,
    subscribed: threading.Event | None = None,
    health: Health | None = None,
) -> None:
    """Move messages from the broker to the database until `stop` is set; then finish what has arrived and return.

    With `notices`, senders are told on their own topic what they get wrong. `subscribed` is set while the broker has our subscription. With `shared_group`, any number of these processes share the
    messages; without, a second one stands by until the first has ended or renews its lease no more, and so does one that another
    took over from.
    """
    health = health or Health()
    if subscribed is not None:
        health.subscribed = subscribed
    client_id = CLIENT_ID if shared_group is None else f"{CLIENT_ID}-{secrets.token_hex(8)}"
    limits = limits or Limits()
    writer = Writer(database_url, limits, alone=shared_group is None, clock=ServerClock())
    try:
        while _stand_by(writer, stop, health):
            link = Link(
                broker_url,
                client_id=client_id,
                receive_maximum=receive_maximum,
                receive_bytes=receive_bytes,
                shared_group=shared_group,
                ca_file=broker_ca_file,
                subscribed=health.subscribed,
            )
            log.info("ingest started", client_id=client_id, shared_group=shared_group)
            settling = Settling(link, writer, Notices() if notices else None, stop, health)
            try:
                with replaying(database_url, limits):
                    _serve(settling, Batches(batch_messages, batch_bytes, ms_to_s(batch_ms)))
                return
            except Conflict as problem:  # what is not acknowledged comes again, to us or to the other
                log.warning("another ingest took over", reason=str(problem))
    finally:
        writer.leave()


def _serve(settling: Settling, batches: Batches) -> None:
    """Store what comes until told to stop; Conflict when another process has taken over."""
    settling.link.start()
    storing = ThreadPoolExecutor(max_workers=1, thread_name_prefix="store")
    try:
        with _short_waits():
            _pump(settling, storing, batches)
    except Conflict:
        raise
    except BaseException:
        settling.stop.set()  # a batch that waits for the database is given up
        raise
    finally:
        storing.shutdown()
        settling.link.stop()
        settling.writer.close()
        log.info("ingest stopped")


@contextlib.contextmanager
def _short_waits() -> Iterator[None]:
    """The interpreter changes threads often and looks for garbage seldom, until the end of the block."""
    switch_s, threshold = sys.getswitchinterval(), gc.get_threshold()
    sys.setswitchinterval(SWITCH_S)
    gc.set_threshold(COLLECT_AFTER)
    gc.freeze()
    try:
        yield
    finally:
        sys.setswitchinterval(switch_s)
        gc.set_threshold(*threshold)
        gc.unfreeze()


def _pump(settling: Settling, storing: ThreadPoolExecutor, batches: Batches) -> None:
    """Judge a batch while the one before it is stored; when told to stop, finish what has arrived."""
    link, writer, stop, health = settling.link, settling.writer, settling.stop, settling.health
    before: Future[bool] | None = None
    next_tidy = 0.0
    while True:
        health.beat()
        writer.check_lease()
        stopping = stop.is_set()
        if stopping:
            link.stop_taking()
        wait_s, fill_s = (0.0, 0.0) if stopping else (IDLE_WAIT_S, batches.fill_s)
        deliveries = link.take(batches.messages, batches.bytes, wait_s, fill_s)
        planned = writer.plan([delivery.message for delivery in deliveries])
        if before is not None and not before.result():
            return
        if stopping and not deliveries:
            return
        tidy = time.monotonic() >= next_tidy
        if tidy:
            next_tidy = time.monotonic() + TIDY_EVERY_S
        if deliveries or tidy:
            before = storing.submit(_settle, settling, deliveries, planned, tidy)


def receipts(results: Sequence[Result]) -> list[tuple[str, ReceiptMessage]]:
    """What to tell each sender: by crane and boot, the sequence numbers that are safe."""
    safe: dict[tuple[str, int], tuple[set[int], set[int]]] = {}
    for result in results:
        if result.crane is None or result.key is None:
            continue
        boot, seq = result.key
        stored, quarantined = safe.setdefault((result.crane, boot), (set(), set()))
        (quarantined if result.outcome is Outcome.QUARANTINED else stored).add(seq)
    return [
        (crane, ReceiptMessage(boot=boot, stored=sorted(stored), quarantined=sorted(quarantined)))
        for (crane, boot), (stored, quarantined) in safe.items()
    ]


def _stand_by(writer: Writer, stop: threading.Event, health: Health) -> bool:
    """Wait until the database is there and no other process holds it. False when told to stop meanwhile."""
    said = False
    while not stop.is_set():
        try:
            return _store(writer, writer.plan([]), stop, health, tidy=True) is not None
        except Conflict as problem:
            health.hindered(f"standing by: {problem}")
            if not said:
                log.warning("standing by", reason=str(problem))
                said = True
        stop.wait(STAND_BY_S)
    return False


def _settle(settling: Settling, deliveries: Sequence[Delivery], planned: Plan, tidy: bool) -> bool:
    """Store, acknowledge, send receipts and notices. False when it was given up because the process is to stop."""
    results = _store(settling.writer, planned, settling.stop, settling.health, tidy=tidy)
    if results is None:
        return False
    if results:
        committed_at = datetime.now(UTC)
        settling.link.settle(deliveries, receipts(results), _notices(settling.notices, planned, results))
        metrics.BATCH.observe(len(results))
        oldest = min(message.received_at for message in planned.batch)
        metrics.LAG.set((committed_at - oldest).total_seconds())
        for message in planned.batch:
            metrics.COMMIT_DELAY.observe((committed_at - message.received_at).total_seconds())
    return True


def _notices(notices: Notices | None, planned: Plan, results: Sequence[Result]) -> Told:
    """What to tell senders. Whatever goes wrong here must not stop what is stored from being acknowledged."""
    if notices is None:
        return []
    try:
        return notices.about(planned, results, time.monotonic())
    except Exception:
        log.exception("no notices of a batch could be made")
        return []


def _store(
    writer: Writer, planned: Plan, stop: threading.Event, health: Health, *, tidy: bool
) -> list[Result] | None:
    """Store a batch, trying again while the database is away. None when told to stop meanwhile."""
    shortest, longest = RETRY_S
    wait_s = shortest
    while True:
        try:
            if tidy:
                writer.tidy()
            if planned.batch:
                results = writer.store_planned(planned)
            else:
                writer.prepare()
                results = []
            health.unhindered()
            return results
        except (psycopg.Error, Unavailable) as problem:
            metrics.DATABASE_RETRIES.inc()
            health.hindered(state_of(problem))
            log.warning("the database is not there, trying again", problem=first_line(problem), wait_s=wait_s)
            writer.close()
        if stop.wait(wait_s * random.uniform(0.5, 1.0)):  # noqa: S311
            return None
        wait_s = min(longest, wait_s * 2)
