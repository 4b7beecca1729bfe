"""One listener for live changes, however many look on: the database notifies, waiting requests wake up."""

import asyncio
import contextlib
import time
from typing import Any, Final

import psycopg
import structlog
from psycopg import AsyncConnection

from domain.units import MS_PER_S

_LOG = structlog.get_logger("api")

CHANNEL: Final = "boomledger_live"
RECONNECT_S: Final = 2.0


class Hub:
    """Versions of live values. A version only grows, over restarts as well: it starts at the clock in ms."""

    def __init__(self, database_url: str) -> None:
        self._url = database_url
        self._first = self._version = int(time.time() * MS_PER_S)
        self._changed: dict[str, int] = {}
        self._news = asyncio.Condition()
        self._task: asyncio.Task[None] | None = None

    @property
    def version(self) -> int:
        """The newest version."""
        return self._version

    def open(self) -> None:
        """Begin to listen."""
        self._task = asyncio.create_task(self._listen(), name="live hub")

    async def close(self) -> None:
        """Stop to listen."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def wait(self, after: int, wait_s: float) -> tuple[int, list[str] | None]:
        """(newest version, cranes changed after a version); waits up to `wait_s` for a change.

        None for the cranes: the version is from before this hub, or not one of it, so all may have changed.
        """
        if not self._first <= after <= self._version:
            return self._version, None
        async with self._news:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._news.wait_for(lambda: self._version > after)
        return self._version, [crane for crane, version in self._changed.items() if version > after]

    async def _listen(self) -> None:
        while True:
            try:
                async with await AsyncConnection.connect(self._url, autocommit=True) as conn:
                    await conn.execute("listen boomledger_live")
                    await self._take_all(conn)
            except psycopg.Error as error:  # a standby lets nobody listen
                _LOG.warning("live_listener_lost", error=type(error).__name__)
            await asyncio.sleep(RECONNECT_S)
            self._first = self._version = self._version + 1

    async def _take_all(self, conn: AsyncConnection[Any]) -> None:
        async for notice in conn.notifies():
            async with self._news:
                self._version += 1
                self._changed[notice.payload] = self._version
                self._news.notify_all()
