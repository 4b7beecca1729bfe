"""What the parts of the system tell of themselves and what was judged of it; whether the database answers.

That is asked again and again by a thread of its own: no probe waits for a database that hangs.
"""

import asyncio
import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import psycopg
import structlog
from psycopg import AsyncConnection, Connection

from domain.errors import Unavailable
from domain.system_watch import NewestWork, ProcessHeartbeat, Trouble
from store.connection import SILENT, connect, open_connections, state_of
from store.sql import query
from store.statement import Statement, run

HEARTBEATS: Final = Statement("process_heartbeats", ProcessHeartbeat)
WORK: Final = Statement("newest_work", NewestWork)


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenTrouble:
    """What is known to be wrong, and since when."""

    subject: str
    raised_at: datetime
    detail: str


OPEN: Final = Statement("system_troubles", OpenTrouble)


def beat(conn: Connection[Any], process: str, trouble: str = "") -> None:
    """A process tells of itself; an empty `trouble` says that it works."""
    run(conn, "heartbeat_stored", process=process, trouble=trouble[:200])


def raise_trouble(conn: Connection[Any], found: Trouble, at: datetime) -> None:
    """Write down what is wrong; what is known already keeps its time."""
    run(conn, "system_trouble_raised", subject=found.subject, at=at, detail=found.told.code)


def clear_trouble(conn: Connection[Any], subject: str) -> None:
    """It is right again."""
    run(conn, "system_trouble_cleared", subject=subject)


def newest_work(conn: Connection[Any]) -> NewestWork:
    """The newest message and count, and what waits."""
    found = WORK.first(conn)
    assert found is not None
    return found


async def newest_work_async(conn: AsyncConnection[Any]) -> NewestWork:
    """The same, of the sites in scope."""
    found = await WORK.first_async(conn)
    assert found is not None
    return found


ASK_EVERY_S: Final = 1.0
ANSWER_WITHIN_S: Final = 3.0
BEAT_EVERY_S: Final = 10.0
FRESH_S: Final = 5.0  # an older answer says nothing about now

_LOG = structlog.get_logger("store")


class Answering:
    """What the database answered last, and when."""

    def __init__(
        self,
        url: str,
        *,
        writes: bool,
        stuck: Callable[[], str] = lambda: "",
        beats: Mapping[str, Callable[[], str]] | None = None,
    ) -> None:
        """`writes`: a database that takes none is a problem. `stuck`: says why the work of this process stands still.

        Where work stands still although the database answers, its connections lead to a server that is gone: they are cut, so that
        the work fails, connects again and goes on. `beats`: what is written down of each part every BEAT_EVERY_S, for other processes
        to judge: nothing where it works, else what is wrong.
        """
        self._url, self._writes, self._stuck = url, writes, stuck
        self._beats, self._beaten_at = beats or {}, float("-inf")
        self._stop = threading.Event()
        self._told = threading.Event()
        self._answered_at: float | None = None
        self._asked_since = time.monotonic()
        self._problem = "starting: the database was not asked yet"
        self._read_only = False

    def start(self) -> "Answering":
        """Begin to ask."""
        threading.Thread(target=self._run, name="database answers", daemon=True).start()
        return self

    async def first(self) -> None:
        """Wait for the first answer, or for the lack of it to be known."""
        await asyncio.to_thread(self._told.wait, 2 * ANSWER_WITHIN_S)

    def close(self) -> None:
        """Stop asking."""
        self._stop.set()

    @property
    def read_only(self) -> bool:
        """Whether it takes no writes, by its last answer."""
        return self._read_only

    def problem(self) -> str:
        """Why the database cannot be used; empty where an answer of the last FRESH_S says that it can."""
        if self._problem:
            return self._problem
        age_s = time.monotonic() - (self._answered_at or self._asked_since)
        return "" if age_s <= FRESH_S else f"the database does not answer: nothing for {age_s:.0f} s"

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with connect(self._url, autocommit=True, writes=self._writes, wait_s=ANSWER_WITHIN_S) as conn:
                    while not self._stop.is_set():
                        self._ask(conn)
                        if self._writes and self._read_only:
                            break  # another server of the URL may take writes by now
                        self._stop.wait(ASK_EVERY_S)
            except (psycopg.Error, Unavailable) as problem:
                self._say(state_of(problem))
            except Exception:  # whatever we have not thought of must not leave an old answer standing
                _LOG.exception("database_not_asked")
                self._say("the database could not be asked: see the log")
            self._stop.wait(ASK_EVERY_S)

    def _ask(self, conn: psycopg.Connection[Any]) -> None:
        with _cut_after(conn, ANSWER_WITHIN_S):
            row = conn.execute(query("database_takes_writes")).fetchone()
        self._read_only = row is None or not row[0]
        self._answered_at = time.monotonic()
        told = "the database is read-only and takes no writes"
        self._say(told if self._writes and self._read_only else "")
        if not self._read_only and self._answered_at - self._beaten_at >= BEAT_EVERY_S:
            self._beaten_at = self._answered_at
            with _cut_after(conn, ANSWER_WITHIN_S):
                for process, trouble in self._beats.items():
                    beat(conn, process, trouble().partition(":")[0])
        if stuck := self._stuck():
            _LOG.error("connections_cut", reason=f"{stuck}, while the database answers")
            for other in open_connections():
                if other is not conn:
                    cut(other)

    def _say(self, problem: str) -> None:
        if problem != self._problem and (problem or self._answered_at is not None):
            _LOG.warning("database_state", problem=problem or "none: it answers")
        self._problem = problem
        self._told.set()


@contextlib.contextmanager
def _cut_after(conn: psycopg.Connection[Any], seconds: float) -> Iterator[None]:
    timer = threading.Timer(seconds, cut, (conn,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def cut(conn: psycopg.Connection[Any]) -> None:
    """End a connection from another thread: whoever waits for its server gets psycopg.OperationalError at once."""
    with contextlib.suppress(psycopg.Error, OSError), socket.socket(fileno=os.dup(conn.fileno())) as wire:
        wire.shutdown(socket.SHUT_RDWR)


LOST_AFTER: Final = 2  # times on end that its server did not know a session, or did not answer
LOOK_WITHIN_S: Final = 8.0
GONE: Final = "another server of the database answers, which knows nothing of this session"


@contextlib.contextmanager
def cut_when_lost(conn: psycopg.Connection[Any], url: str, tell: Callable[[str], None]) -> Iterator[None]:
    """Inside the block, cut a connection whose server hangs, or is no longer the one that takes writes; the work on it then fails.

    For work that waits long for one answer, and so cannot tell by itself. tell: is given the state of the database when it changes.
    """
    row = conn.execute(query("session_of_mine")).fetchone()
    assert row is not None
    mine = {"pid": row[0], "begun": row[1]}
    done = threading.Event()

    def look() -> str:
        """What is wrong with the server of the connection; empty where it has the session."""
        try:
            with (
                connect(url, autocommit=True, writes=True, wait_s=LOOK_WITHIN_S) as other,
                _cut_after(other, LOOK_WITHIN_S),
            ):
                there = other.execute(query("session_is_there"), mine).fetchone()
            return "" if there == (True,) else GONE
        except (psycopg.Error, Unavailable) as problem:
            return state_of(problem)

    def run_until_done() -> None:
        lost, said = 0, ""
        while not done.wait(ASK_EVERY_S):
            found = look()
            if done.is_set():
                return
            lost = lost + 1 if found in (GONE, SILENT) else 0
            if found and found != said:
                tell(found)
            said = found
            if lost >= LOST_AFTER:
                cut(conn)
                return

    thread = threading.Thread(target=run_until_done, name="server of a connection", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
