"""How much one account or address may have open at once, so that the others find a place. Each web process counts its own.

Pure ASGI, in two stages: by address before the gate, by account behind it. Streams (websockets, server-sent events,
reads that wait for a change) are counted apart from requests: they stay.

The library `limits` (5.8) was weighed: it counts hits in a window of time, in memory, Redis, memcached or MongoDB. These are places
that are held, and log-ins in vain are counted in the database, for every process and over a restart.
"""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Final, Literal

from starlette.types import ASGIApp, Receive, Scope, Send

from api.gate import PRINCIPAL
from api.problems import Refused, problem_response
from api.settings import ApiSettings
from domain.accounts import IN_PROCESS

RETRY_AFTER_S: Final = 5
_RETRY: Final = {"retry-after": str(RETRY_AFTER_S)}


def may_take(own: int, taken: int, places: int) -> bool:
    """Whether one who holds `own` of `taken` places may take another: while it holds fewer than are free.

    One alone gets half of the places, two a third each, n of them 1/(n + 1), and as much is left for the next. Dynamic threshold
    with factor 1 of A. K. Choudhury and E. L. Hahne, Dynamic Queue Length Thresholds for Shared-Memory Packet Switches,
    IEEE/ACM Transactions on Networking 6(2), 1998; cited from memory.
    """
    return own < places - taken


class Shares:
    """Places that many hold: `most` for one at the utmost, and never so many that the next finds none."""

    def __init__(self, places: int, most: int | None = None) -> None:
        self._places = places
        self._most = places if most is None else most
        self._held: Counter[str] = Counter()
        self._taken = 0

    @contextmanager
    def place(self, holder: str) -> Iterator[None]:
        """A place inside the block; Refused (429) where this one holds its share already."""
        own = self._held[holder]
        if own >= self._most or not may_take(own, self._taken, self._places):
            raise Refused(429, f"{own} of these are open already: close some, or try again soon", _RETRY)
        self._held[holder] += 1
        self._taken += 1
        try:
            yield
        finally:
            self._taken -= 1
            self._held[holder] -= 1
            if not self._held[holder]:
                del self._held[holder]


class Turns:
    """At most so many at work for each holder; the next wait for their turn."""

    def __init__(self, most: int, wait_s: float) -> None:
        self._most = most
        self._wait_s = wait_s
        self._turns: dict[str, asyncio.Semaphore] = {}
        self._here: Counter[str] = Counter()

    @asynccontextmanager
    async def turn(self, holder: str) -> AsyncIterator[None]:
        """A turn inside the block; Refused (429) where none came in time."""
        turns = self._turns.setdefault(holder, asyncio.Semaphore(self._most))
        self._here[holder] += 1
        try:
            try:
                async with asyncio.timeout(self._wait_s):
                    await turns.acquire()
            except TimeoutError:
                text = f"{self._most} requests of this account are at work: send fewer at once"
                raise Refused(429, text, _RETRY) from None
            try:
                yield
            finally:
                turns.release()
        finally:
            self._here[holder] -= 1
            if not self._here[holder]:
                del self._here[holder], self._turns[holder]


class Limits:
    """Everything that is counted, of one api and the pages around it."""

    def __init__(self, settings: ApiSettings) -> None:
        half = settings.most_connections // 2
        self.streams_of_address = Shares(half)
        self.requests_of_address = Shares(half)
        self.streams_of_account = Shares(half, settings.streams_account)
        self.requests_of_account = Turns(settings.requests_account, settings.requests_wait_s)


class Limited:
    """Refuses with 429 what goes beyond the share of an address, or of an account. Each request is counted once.

    pages: stands around pages. A page asks the api for its caller, so only what it asks is counted: a page that held a
    turn while it waits for one could wait for itself.
    """

    def __init__(
        self, app: ASGIApp, *, limits: Limits, by: Literal["address", "account"], pages: bool = False
    ) -> None:
        self._app = app
        self._limits = limits
        self._by = by
        self._pages = pages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        mark = f"boomledger.counted_by_{self._by}"
        holder = self._holder(scope)
        if holder is None or mark in scope:
            await self._app(scope, receive, send)
            return
        begun = False
        try:
            async with self._counted(scope, holder, mark):
                begun = True
                await self._app(scope, receive, send)
        except Refused as refusal:
            if begun:
                raise
            await refuse(scope, receive, send, refusal)

    def _holder(self, scope: Scope) -> str | None:
        if scope["type"] not in ("http", "websocket") or (scope.get(IN_PROCESS) and self._by == "address"):
            return None
        if self._by == "address":
            return scope["client"][0] if scope.get("client") else "unknown"
        principal = scope.get(PRINCIPAL)
        return principal.account if principal is not None else None

    @asynccontextmanager
    async def _counted(self, scope: Scope, holder: str, mark: str) -> AsyncIterator[None]:
        of_address = self._by == "address"
        if is_stream(scope):
            if scope.get(IN_PROCESS):  # its websocket was counted
                yield
                return
            scope[mark] = True
            with (self._limits.streams_of_address if of_address else self._limits.streams_of_account).place(
                holder
            ):
                yield
        elif of_address:
            scope[mark] = True
            with self._limits.requests_of_address.place(holder):
                yield
        elif self._pages:
            yield
        else:
            async with self._limits.requests_of_account.turn(holder):
                yield


def is_stream(scope: Scope) -> bool:
    """Whether a request stays open by its nature."""
    if scope["type"] == "websocket":
        return True
    path: str = scope["path"]
    return path.endswith("/live/stream") or (path.endswith("/live") and b"wait_s" in scope["query_string"])


async def refuse(scope: Scope, receive: Receive, send: Send, refusal: Refused) -> None:
    """Answer a request or a handshake with a problem."""
    if scope["type"] == "websocket" and "websocket.http.response" not in scope.get("extensions", {}):
        await receive()
        await send({"type": "websocket.close", "code": 1013, "reason": str(refusal)[:100]})
        return
    request_id = scope.get("boomledger.request_id")
    answer = problem_response(refusal.status, str(refusal), request_id=request_id, headers=refusal.headers)
    await answer(scope, receive, send)
