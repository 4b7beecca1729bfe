"""The worker: claims touched crane-days, counts them, and writes the result, all in one transaction a claim.

    claim    lock the summary row of the touched crane that waited longest (SKIP LOCKED: other workers pass it by)
    read     its oldest touched days with the version of each touch, then the samples
    write    day rows, lifts, months, years, faults, summary
    done     delete the touches whose version is still the one that was read

A killed worker leaves the transaction undone and the touches in the queue. A touch that comes during the count has another
version and stays in the queue. Ingest never waits for a count: only the last step locks touches, and passes by
those that ingest holds.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any, Final

import psycopg
import structlog
from prometheus_client import Counter, Gauge, Histogram

from analytics import counting, summary
from analytics.counting import Method, crane_entry
from analytics.recount import count_days, write_days
from analytics.samples import LocalDay
from domain.errors import Conflict, Unavailable
from domain.findings import DEFAULT_THRESHOLDS, Thresholds
from store.connection import AWAY, connect, first_line, state_of
from store.sql import query
from store.statement import run as execute

STUCK_AFTER_S: Final = 600.0  # without a step; a claim of many long days takes a minute at most


@dataclass(kw_only=True)
class Heartbeat:
    """Beaten by the worker between its steps, read by any thread. Without a beat yet it is starting."""

    stuck_after_s: float = STUCK_AFTER_S
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _beaten: float | None = None
    _lost: str = "starting: no step yet"

    def beat(self) -> None:
        """A step is done, or there was none to do; the database answers."""
        with self._lock:
            self._beaten, self._lost = time.monotonic(), ""

    def lost(self, problem: str) -> None:
        """The database does not answer; the worker tries again."""
        with self._lock:
            self._beaten, self._lost = time.monotonic(), problem

    def not_alive(self) -> str:
        """Why the process should be started anew; empty while it moves."""
        with self._lock:
            age = None if self._beaten is None else time.monotonic() - self._beaten
        return "" if age is None or age < self.stuck_after_s else f"no step for {age:.0f} s"

    def not_ready(self) -> str:
        """Why nothing is counted now; empty when it is."""
        stuck = self.not_alive()
        with self._lock:
            return stuck or self._lost


log = structlog.get_logger(__name__)

LIVE_CORE: Final = 0.02  # of one core that the running day of one live crane may take
MEASURE_LAG_EVERY_S: Final = 5.0
RETRY_AFTER_S: Final = 60.0  # a crane whose count failed is left alone for so long
RECONNECT_AFTER_S: Final = 2.0
OTHER_VERSION_AFTER_S: Final = 30.0
LOOK_AT_STOP_EVERY_S: Final = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Done:
    """One claim that was counted and committed."""

    crane: str
    days: tuple[date, ...]
    samples: int


@dataclass(kw_only=True)
class Worker:
    """One worker on one connection.

    again_after_s: a crane is not counted again sooner, so that a live crane does not keep a worker to itself. As its
        day grows each count of it takes longer, so the pause grows with it: see LIVE_CORE.
    days_per_claim: most days of one crane in one transaction.
    thresholds: from when a finding is told.
    """

    conn: psycopg.Connection[Any]
    again_after_s: float = 5.0
    days_per_claim: int = 16
    thresholds: Thresholds = DEFAULT_THRESHOLDS
    _left_alone: dict[int, float] = field(default_factory=dict)

    def step(self) -> Done | None:
        """Counts one claim; None when no crane is to be counted now.

        A count that fails is undone, logged, and tried again later; other cranes go on. Raises
        an error of `AWAY` when the database is gone or takes no writes, Conflict when another version made the counts in use.
        """
        while True:
            crane_id: int | None = None
            try:
                with self.conn.transaction():
                    # Held before the crane, in the order of a change of counts: so the two cannot block each other.
                    method = counting.in_use(self.conn)
                    execute(self.conn, "summary_rows_made")
                    crane_id = self._claim()
                    return None if crane_id is None else self._count(crane_id, method)
            except AWAY:
                raise
            except Exception as problem:
                if crane_id is None:
                    raise
                FAILURES.labels(error=type(problem).__name__).inc()
                log.exception("count_failed", crane_id=crane_id, retry_after_s=RETRY_AFTER_S)
                self._left_alone[crane_id] = time.monotonic() + RETRY_AFTER_S

    def refresh_changed(self) -> None:
        """Writes the summaries of cranes whose entries (design class, weld details) changed since they were written."""
        while summary.refresh_one_changed(self.conn, self.thresholds):
            pass

    def measure_lag(self) -> int:
        """Sets the gauges of waiting days and lag; how many days wait."""
        row = self.conn.execute(query("queue_lag")).fetchone()
        days, oldest_at = (0, None) if row is None else row
        WAITING_DAYS.set(days)
        LAG_SECONDS.set(0.0 if oldest_at is None else (datetime.now(UTC) - oldest_at).total_seconds())
        return int(days)

    def _claim(self) -> int | None:
        now = time.monotonic()
        self._left_alone = {crane: until for crane, until in self._left_alone.items() if until > now}
        row = self.conn.execute(
            query("crane_claimed"),
            {"again_after_s": self.again_after_s, "left_alone": list(self._left_alone)},
        ).fetchone()
        return None if row is None else row[0]

    def _count(self, crane_id: int, method: Method) -> Done:
        started = time.monotonic()
        with CLAIM_SECONDS.time():
            touches = self.conn.execute(
                query("touched_days_of"), {"crane_id": crane_id, "days": self.days_per_claim}
            ).fetchall()
            days, versions = [day for day, _ in touches], [version for _, version in touches]
            entry = crane_entry(self.conn, crane_id)
            counts = count_days(self.conn, entry, days, method)
            write_days(self.conn, entry, counts, method, self.thresholds)
            execute(self.conn, "recount_days_followed", crane_id=crane_id, days=days)
            execute(self.conn, "touched_days_done", crane_id=crane_id, days=days, touched_at=versions)
        running = LocalDay(days[-1], entry.zone).end_at > datetime.now(UTC)
        if running and len(days) == 1 and self.again_after_s > 0:
            took_s = time.monotonic() - started
            self._left_alone[crane_id] = started + max(self.again_after_s, took_s / LIVE_CORE)
        samples = sum(counted.samples for counted in counts)
        DAYS_COUNTED.inc(len(days))
        SAMPLES_COUNTED.inc(samples)
        return Done(crane=entry.crane.name, days=tuple(days), samples=samples)


def run(
    db_url: str,
    stop_event: threading.Event,
    once: bool = False,
    *,
    again_after_s: float = 5.0,
    wait_s: float = 10.0,
    days_per_claim: int = 16,
    thresholds: Thresholds = DEFAULT_THRESHOLDS,
    on_done: Callable[[Done], None] = lambda done: None,
    heartbeat: Heartbeat | None = None,
) -> None:
    """Counts touched crane-days until the event is set; with `once`, until the queue is empty.

    Several may run at once, in threads, processes or on machines. Idle, it waits for a notification on
    `boomledger_touched`, and looks without one every `wait_s`. The database may come and go, be read-only or full; with
    `once` it must be there (Unavailable otherwise). Counts in use of another version of the method are left alone, and looked at again
    until a recount has taken their place; with `once` that raises Conflict. `heartbeat` is beaten between steps.
    """
    heartbeat = heartbeat or Heartbeat()
    while not stop_event.is_set():
        try:
            with connect(db_url, autocommit=True, writes=True) as conn:
                worker = Worker(
                    conn=conn,
                    again_after_s=0.0 if once else again_after_s,
                    days_per_claim=days_per_claim,
                    thresholds=thresholds,
                )
                conn.execute(query("touched_heard"))
                while not stop_event.is_set():
                    _empty_queue(worker, stop_event, heartbeat, on_done)
                    waiting = worker.measure_lag()
                    if once:
                        return
                    _wait(conn, stop_event, min(wait_s, again_after_s) if waiting else wait_s)
        except Conflict as problem:  # counts of another version; waiting, because a new start would not help
            if once:
                raise
            heartbeat.lost(str(problem))
            log.error("counts_of_another_version", retry_after_s=OTHER_VERSION_AFTER_S, problem=str(problem))
            stop_event.wait(OTHER_VERSION_AFTER_S)
        except (psycopg.Error, Unavailable) as problem:
            if once and isinstance(problem, AWAY):
                raise Unavailable(f"{state_of(problem)} ({first_line(problem)})") from problem
            if once:
                raise
            heartbeat.lost(state_of(problem))
            log.warning("database_gone", retry_after_s=RECONNECT_AFTER_S, problem=str(problem).strip())
            stop_event.wait(RECONNECT_AFTER_S)


def _empty_queue(
    worker: Worker, stop_event: threading.Event, heartbeat: Heartbeat, on_done: Callable[[Done], None]
) -> None:
    """Counts claim after claim until no crane is to be counted now, then writes what changed; or until the event is set."""
    measured = -MEASURE_LAG_EVERY_S
    while not stop_event.is_set():
        done = worker.step()
        heartbeat.beat()
        if time.monotonic() - measured >= MEASURE_LAG_EVERY_S:
            worker.measure_lag()
            measured = time.monotonic()
        if done is None:
            worker.refresh_changed()
            return
        log.info("counted", crane=done.crane, days=len(done.days), samples=done.samples)
        on_done(done)


def _wait(conn: psycopg.Connection[Any], stop_event: threading.Event, wait_s: float) -> None:
    """Returns at the next notification, when the event is set, or after wait_s."""
    give_up = time.monotonic() + wait_s
    while not stop_event.is_set() and (left := give_up - time.monotonic()) > 0:
        for _ in conn.notifies(timeout=min(left, LOOK_AT_STOP_EVERY_S), stop_after=1):
            return


DAYS_COUNTED: Final = Counter("boomledger_analytics_days_counted", "crane-days counted")
SAMPLES_COUNTED: Final = Counter("boomledger_analytics_samples_counted", "samples counted")
FAILURES: Final = Counter(
    "boomledger_analytics_failures", "counts that failed and will be tried again", ["error"]
)
CLAIM_SECONDS: Final = Histogram(
    "boomledger_analytics_claim_seconds",
    "time from claiming days of a crane to their commit",
    buckets=(0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300),
)
WAITING_DAYS: Final = Gauge(
    "boomledger_analytics_waiting_crane_days", "touched crane-days that wait to be counted"
)
LAG_SECONDS: Final = Gauge(
    "boomledger_analytics_lag_seconds", "age of the oldest touch that waits to be counted"
)
