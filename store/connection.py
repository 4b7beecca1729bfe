"""Connections and pools with the settings that every process of ours relies on."""

import time
from collections.abc import Awaitable, Callable
from threading import Lock
from typing import Any, Final
from weakref import WeakKeyDictionary, WeakSet

import psycopg
from psycopg import AsyncConnection
from psycopg_pool import AsyncConnectionPool

from domain.errors import FilesUnavailable, Unavailable

CONNECT_TIMEOUT_S: Final = 10

AWAY: Final = (psycopg.OperationalError, psycopg.errors.ReadOnlySqlTransaction, Unavailable)
"""States of the database that pass: away, changed over to another server, read-only, full, out of connections.

Whoever goes on for ever closes its connection and tries again: a new one finds the server that takes writes.
"""

# Days and bounds are computed in the site's zone by us, never by a session's accidental zone.
_SETTINGS: Final[dict[str, Any]] = {
    "connect_timeout": CONNECT_TIMEOUT_S,
    "options": "-c timezone=UTC -c application_name=boomledger",
    "keepalives_idle": 30,
    "keepalives_interval": 10,
    "keepalives_count": 3,
    "tcp_user_timeout": 30_000,  # ms in which a server must take what was sent, or the connection is lost
}


_OPENED: Final[WeakSet[psycopg.Connection]] = WeakSet()
_OPENING: Final = Lock()


def connect(
    url: str, *, autocommit: bool = False, writes: bool = False, wait_s: float = CONNECT_TIMEOUT_S
) -> psycopg.Connection:
    """One connection; of several servers in the URL the first that can be reached, with `writes` the one that takes writes.

    Raises Unavailable when there is none.
    """
    settings = {**_SETTINGS, "connect_timeout": int(wait_s)}
    if writes:
        settings["target_session_attrs"] = "read-write"
    try:
        conn = psycopg.connect(url, autocommit=autocommit, **settings)
    except psycopg.OperationalError as problem:
        raise Unavailable(
            f"the database cannot be reached: {first_line(problem)}; is it up, is the URL right?"
        ) from (problem)
    with _OPENING:
        _OPENED.add(conn)
    return conn


def open_connections() -> list[psycopg.Connection]:
    """The connections of `connect` that this process has open."""
    with _OPENING:
        return [conn for conn in _OPENED if not conn.closed]


async def open_async_pool(
    url: str,
    *,
    min_size: int = 1,
    max_size: int = 8,
    configure: Callable[[AsyncConnection[Any]], Awaitable[None]] | None = None,
) -> AsyncConnectionPool:
    """An open pool of asyncio connections; close it with `await pool.close()`. `configure` prepares each new one."""
    pool = AsyncConnectionPool(
        url,
        min_size=min_size,
        max_size=max_size,
        open=False,
        kwargs=_SETTINGS,
        configure=configure,
        check=_check_when_idle,
    )
    await pool.open()
    return pool


CHECK_AFTER_S: Final = 5.0
_CHECKED_AT: Final[WeakKeyDictionary[AsyncConnection[Any], float]] = WeakKeyDictionary()


async def _check_when_idle(conn: AsyncConnection[Any]) -> None:
    """Try a connection before it is handed out, but not one that worked a moment ago: each try is a round trip."""
    now = time.monotonic()
    if now - _CHECKED_AT.get(conn, float("-inf")) > CHECK_AFTER_S:
        await AsyncConnectionPool.check_connection(conn)
        _CHECKED_AT[conn] = now


SILENT: Final = "the database does not answer"


def state_of(problem: BaseException) -> str:
    """What the database is doing, by an error of it: for a log line, a probe or an answer."""
    match problem:
        case FilesUnavailable():
            return str(problem)
        case psycopg.errors.ReadOnlySqlTransaction():
            return "the database is read-only and takes no writes"
        case psycopg.errors.DiskFull():
            return "the disk of the database is full"
        case psycopg.errors.TooManyConnections():
            return "the database has no connection left"
        case Unavailable() if "too many clients" in str(problem) or "connection slots" in str(problem):
            return "the database has no connection left"
        case Unavailable() if "session is read-only" in str(problem):
            return "the database is read-only and takes no writes"
        case Unavailable() | psycopg.OperationalError():
            return SILENT
        case _:
            return f"the database refuses: {first_line(problem)}"


def first_line(problem: BaseException) -> str:
    """The first line of an error's text, for a log line or another error; of several servers, what each of them said."""
    lines = str(problem).strip().splitlines()
    of_servers = [line.removeprefix("- ") for line in lines if line.startswith("- host: ")]
    return "; ".join(of_servers or lines[:1]) or type(problem).__name__
