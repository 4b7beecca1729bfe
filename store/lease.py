"""A lease: one process at a time does something, proves it in each transaction, and is replaced within seconds when it stops.

The holder renews in a thread of its own. Whoever finds no renewal for so long ends the holder's sessions in the database, which
undoes what they had begun, and takes the lease. A holder that was frozen or cut off finds its session gone when it comes back, and
its lease another's: nothing that it had in hand is stored.
"""

import secrets
import threading
import time
from contextlib import closing
from dataclasses import dataclass
from typing import Any, Final

import psycopg
import structlog
from psycopg import Connection

from domain.errors import Conflict
from store.connection import AWAY, connect
from store.sql import query
from store.statement import Statement, run

RENEW_EVERY_S: Final = 2.0
HELD_S: Final = 8.0  # without a renewal for so long it is taken over
GONE_S: Final = 3.0  # likewise, where no session of the holder is open either: it was killed
END_WAIT_S: Final = 3.0  # for sessions to end
SESSION: Final = "boomledger-lease-"
LOCK_WAIT: Final = "3s"

log = structlog.get_logger(__name__)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Seen:
    holder: str
    age_s: float
    connected: bool


_SEEN: Final = Statement("lease_seen", _Seen)


class Lease:
    """One process's claim to a name. Its methods belong to one thread."""

    def __init__(self, url: str, name: str) -> None:
        self._url, self._name = url, name
        self._holder = secrets.token_hex(12)
        self._renewing: threading.Thread | None = None
        self._stop = threading.Event()
        self._lost = False

    def take(self, conn: Connection[Any]) -> bool:
        """Whether it is ours, taken now or held before; the session is then one of the holder's. In autocommit mode."""
        conn.execute(query("session_named"), {"session": SESSION + self._holder})
        seen = _SEEN.first(conn, name=self._name, prefix=SESSION)
        if seen is None or seen.holder != self._holder:
            if seen is not None and seen.age_s < (HELD_S if seen.connected else GONE_S):
                return False
            try:
                if not self._taken_from(conn, None if seen is None else seen.holder):
                    return False
            except (psycopg.errors.LockNotAvailable, psycopg.errors.UniqueViolation):
                return False
        self._lost = False
        self._start()
        return True

    def prove(self, conn: Connection[Any]) -> None:
        """Inside a transaction: nobody takes the lease over before its end. Raises Conflict where somebody did."""
        if conn.execute(query("lease_proved"), self._mine).fetchone() is None:
            self._lost = True
            raise Conflict("another process has taken over")

    @property
    def lost(self) -> bool:
        """Whether a renewal or a proof found it taken over."""
        return self._lost

    def give_up(self) -> None:
        """Renew no more, and let the next process have it at once where the database can be told."""
        if self._renewing is None:
            return
        self._stop.set()
        self._renewing.join(RENEW_EVERY_S)
        self._renewing = None
        try:
            with closing(connect(self._url, autocommit=True, writes=True, wait_s=RENEW_EVERY_S)) as conn:
                run(conn, "lease_given_up", **self._mine)
        except (*AWAY, psycopg.Error):
            log.info("the lease runs out by itself", lease=self._name)

    @property
    def _mine(self) -> dict[str, str]:
        return {"name": self._name, "holder": self._holder}

    def _taken_from(self, conn: Connection[Any], before: str | None) -> bool:
        """End the holder before, then be the holder; False where another one was quicker."""
        if before is not None:
            _end_sessions(conn, SESSION + before)
        with conn.transaction():
            conn.execute(query("lock_wait_bounded"), {"wait": LOCK_WAIT})
            if run(conn, "lease_taken", before=before, **self._mine) == 0:
                return False
            run(conn, "lease_renewed_first", **self._mine)
        if before is not None:
            log.warning("the lease was taken over", lease=self._name)
        return True

    def _start(self) -> None:
        if self._renewing is None or not self._renewing.is_alive():
            self._stop = threading.Event()
            self._renewing = threading.Thread(
                target=self._renew, args=(self._stop,), name=f"lease {self._name}", daemon=True
            )
            self._renewing.start()

    def _renew(self, stop: threading.Event) -> None:
        while not stop.is_set():
            try:
                with closing(connect(self._url, autocommit=True, writes=True, wait_s=RENEW_EVERY_S)) as conn:
                    conn.execute(query("session_named"), {"session": SESSION + self._holder})
                    while run(conn, "lease_renewed", **self._mine):
                        if stop.wait(RENEW_EVERY_S):
                            return
                    self._lost = True
                    return
            except (*AWAY, psycopg.Error):
                stop.wait(RENEW_EVERY_S)  # whoever stores finds out what the database is doing, and says it


def _end_sessions(conn: Connection[Any], session: str) -> None:
    """End sessions by their name, and wait until they are gone."""
    give_up = time.monotonic() + END_WAIT_S
    while time.monotonic() < give_up:
        row = conn.execute(query("sessions_ended"), {"session": session}).fetchone()
        if row is None or row[0] == 0:
            return
        time.sleep(0.1)
