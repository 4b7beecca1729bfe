"""The watch: judges the rules every so often and sends what is due, until told to stop."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import psycopg
import structlog
from prometheus_client import Counter, Histogram

from alerts import post
from alerts.delivery import Delivery
from alerts.rounds import judge_all
from alerts.system import judge_system
from domain.errors import Unavailable
from domain.system_watch import SILENT_AFTER
from store import alert_watch, privacy
from store.connection import AWAY, connect, first_line, state_of
from store.locks import Lock, give_back, take
from store.privacy import Retention

_LOG = structlog.get_logger("alerts")
LOOK_EVERY_S: Final = 2.0
JUDGE_SYSTEM_S: Final = 10.0
RECONNECT_AFTER_S: Final = 3.0
KEEP_DELIVERIES_DAYS: Final = 90
TIDY_EVERY_S: Final = 3600.0
ROUND_SECONDS: Final = Histogram("boomledger_alerts_round_seconds", "Time of one round over all rules [s]")
FAILURES: Final = Counter("boomledger_alerts_failures", "Rounds that failed", ["error"])
REMOVED: Final = Counter(
    "boomledger_retention_rows_removed",
    "Rows removed because their time was over (docs/privacy.md)",
    ["what"],
)


@dataclass
class Watch:
    """One connection of the watch and what it does over it."""

    conn: psycopg.Connection[Any]
    delivery: Delivery
    link: str | None = None
    every_s: float = 60.0
    keep: Retention = field(default_factory=Retention)
    steady_s: float = SILENT_AFTER.total_seconds() + 15.0
    """The system is judged after so long: a database that was away kept the others from telling that they work."""
    _since: float = field(default_factory=time.monotonic, init=False)
    _judged_at: float = field(default=float("-inf"), init=False)
    _system_at: float = field(default=float("-inf"), init=False)
    _tidied_at: float = field(default=float("-inf"), init=False)

    def step(self) -> None:
        """Judge when it is time to, and send what is due. One process judges at a time; any may send."""
        now = time.monotonic()
        if now - self._judged_at >= self.every_s:
            self._judged_at = now
            if take(self.conn, Lock.JUDGE_ALERTS):
                try:
                    self._judge()
                finally:
                    give_back(self.conn, Lock.JUDGE_ALERTS)
        if now - self._since >= self.steady_s and now - self._system_at >= min(self.every_s, JUDGE_SYSTEM_S):
            self._system_at = now
            if take(self.conn, Lock.JUDGE_ALERTS):
                try:
                    judge_system(self.conn, self.link)
                finally:
                    give_back(self.conn, Lock.JUDGE_ALERTS)
        if now - self._tidied_at >= TIDY_EVERY_S:
            self._tidied_at = now
            alert_watch.forget_deliveries(self.conn, KEEP_DELIVERIES_DAYS)
            self._remove_past()
        post.send_due(self.conn, self.delivery)

    def _remove_past(self) -> None:
        removed = {what: rows for what, rows in privacy.remove_past(self.conn, self.keep).items() if rows}
        for what, rows in removed.items():
            REMOVED.labels(what).inc(rows)
        if removed:
            _LOG.info("removed_past_retention", **removed)

    def _judge(self) -> None:
        with ROUND_SECONDS.time():
            found = judge_all(self.conn)
        post.collect(self.conn, self.link)
        if found.raised or found.cleared:
            _LOG.info("judged", raised=found.raised, cleared=found.cleared, open=found.open)


def run(
    db_url: str,
    stop_event: threading.Event,
    delivery: Delivery,
    *,
    every_s: float = 60.0,
    link: str | None = None,
    keep: Retention | None = None,
    once: bool = False,
    on_step: Callable[[str], object] = lambda problem: None,
) -> None:
    """Judge and send until the event is set; with `once`, one round. The database may come and go, be read-only or full.

    `on_step` hears after every step what is wrong, or nothing.
    """
    while not stop_event.is_set():
        try:
            with connect(db_url, autocommit=True, writes=True) as conn:
                watch = Watch(
                    conn, delivery, link, every_s, keep or Retention(), **({"steady_s": 0.0} if once else {})
                )
                while not stop_event.is_set():
                    watch.step()
                    on_step("")
                    if once:
                        return
                    stop_event.wait(min(LOOK_EVERY_S, every_s))
        except (psycopg.Error, Unavailable) as problem:
            if once and isinstance(problem, AWAY):
                raise Unavailable(f"{state_of(problem)} ({first_line(problem)})") from problem
            if once:
                raise
            FAILURES.labels(type(problem).__name__).inc()
            on_step(state_of(problem))
            _LOG.warning("database_gone", retry_after_s=RECONNECT_AFTER_S, problem=str(problem).strip())
            stop_event.wait(RECONNECT_AFTER_S)
