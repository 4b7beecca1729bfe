"""Reads of personal data in the audit: cheap, and none is answered that could go unnoticed.

The first read of an account, from an address, of one object (a path with the crane or account that it names) is written down before
its answer leaves. Reads of the same in the ten minutes after it are counted here, and written as one line (`times`, `since`) when
these are over or when the process stops. So a page that is looked at all day makes twelve lines an hour for each of its objects. A
process that is killed loses how often it was in its last ten minutes, never that it was.
"""

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

import psycopg
import structlog
from psycopg_pool import PoolTimeout

from domain.moments import now_utc
from store import audit
from store.audit import Via
from store.connection import AWAY
from store.site_scope import Pool, site_scope

_LOG = structlog.get_logger("api")
WINDOW_S: Final = 600.0
SWEEP_EVERY_S: Final = 30.0
UNWRITTEN: Final = (*AWAY, PoolTimeout, psycopg.errors.DiskFull)


@dataclass(frozen=True, kw_only=True, slots=True)
class Read:
    """Who read what, by which way."""

    account: str
    via: Via
    action: str
    target: str
    address: str


@dataclass(slots=True)
class _Counted:
    """Reads of the same in ten minutes."""

    until: float
    times: int = 0  # that no line tells of yet
    since: datetime = field(default_factory=now_utc)
    first: asyncio.Task[None] | None = None


class Reads:
    """The reads of one api process."""

    def __init__(self, pool: Callable[[], Pool], clock: Callable[[], float] = time.monotonic) -> None:
        self._pool = pool
        self._clock = clock
        self._counted: dict[Read, _Counted] = {}
        self._sweeper: asyncio.Task[None] | None = None

    def open(self) -> None:
        """Begin to write counts whose time is over."""
        self._sweeper = asyncio.create_task(self._sweep(), name="reads")

    async def close(self) -> None:
        """Write what is counted, and end."""
        if self._sweeper is not None:
            self._sweeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._sweeper
        await self.write_counts(everything=True)

    async def note(self, read: Read) -> None:
        """Write a read down, or count it; its answer may leave when this returns."""
        counted = self._counted.get(read)
        if counted is None or counted.until <= self._clock():
            before, counted = counted, _Counted(self._clock() + WINDOW_S)
            self._counted[read] = counted
            counted.first = asyncio.create_task(self._write_first(read, counted, before))
        else:
            counted.times += 1
        if counted.first is not None:  # also for one that asked for the same meanwhile, whoever hangs up
            await asyncio.shield(counted.first)

    async def _write_first(self, read: Read, counted: _Counted, before: _Counted | None) -> None:
        told = {read: before} if before is not None and before.times else {}
        try:
            await self._write([*_counts(told), _line(read, {})])
        except UNWRITTEN:
            # Who is signed in may read where the database takes no writes: the log holds it until a line does.
            if before is not None and before.times:
                counted.times, counted.since = counted.times + before.times, before.since
            counted.times += 1
            _LOG.warning(
                "personal_read_not_written",
                account=read.account,
                via=read.via,
                action=read.action,
                target=read.target,
            )
        counted.first = None

    async def write_counts(self, *, everything: bool = False) -> None:
        """Write a line for what was counted in times that are over; what cannot be written is tried again."""
        now = self._clock()
        over = {
            read: counted for read, counted in self._counted.items() if everything or counted.until <= now
        }
        for read in over:
            del self._counted[read]
        told = {read: counted for read, counted in over.items() if counted.times}
        try:
            await self._write(_counts(told))
        except BaseException as problem:
            for read, counted in told.items():
                kept = self._counted.setdefault(read, counted)
                if kept is not counted:
                    kept.times, kept.since = kept.times + counted.times, counted.since
            if not isinstance(problem, UNWRITTEN):
                raise

    async def _write(self, lines: list[dict[str, Any]]) -> None:
        if lines:
            async with site_scope(self._pool(), (), role="audit") as conn:
                await audit.note_all(conn, lines)

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(SWEEP_EVERY_S)
            with contextlib.suppress(psycopg.Error):  # tried again at the next turn
                await self.write_counts()


def _counts(told: Mapping[Read, _Counted]) -> list[dict[str, Any]]:
    return [_line(read, {"times": one.times, "since": one.since.isoformat()}) for read, one in told.items()]


def _line(read: Read, detail: dict[str, Any]) -> dict[str, Any]:
    return audit.audit_row(read.account, read.via, read.action, read.target, detail, read.address)
