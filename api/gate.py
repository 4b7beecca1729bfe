"""The gate: who is asking, before anything else is done. Pure ASGI, over http and websockets alike.

Put it around the api, and around the dashboard as well: pages, assets and live connections pass it or get 401
(pages: the way to the log-in page). What a known person may do stands beside each route (api/permissions.py).
"""

import asyncio
from collections.abc import Callable, Collection, Mapping
from datetime import timedelta
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final, Protocol
from urllib.parse import quote, urlsplit

from psycopg_pool import PoolTimeout
from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import away_text, problem_response
from api.settings import ApiSettings, is_loopback
from store import access
from store.access import Principal, Role
from store.connection import AWAY

SECURE_COOKIE: Final = "__Host-boomledger"
PLAIN_COOKIE: Final = "boomledger"
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
PRINCIPAL: Final = "boomledger.principal"
ASK_AGAIN: Final = "boomledger.ask_again"
"""In the scope behind the gate: asks the database anew who is asking."""
RECHECK_S: Final = 10.0
ANSWER_S: Final = 4.0
"""What stays open asks every RECHECK_S whether it may, and ends where no answer comes in ANSWER_S: together below 15 s."""
ENDED: Final = "sign in again: the session or token ended, or what it may see has changed"
OPEN_PRINCIPAL: Final = Principal(account="open access", role=Role.ADMIN, sites=None, via="open")


class Pool(Protocol):
    """The part of an asynchronous connection pool that the gate needs."""

    def connection(self) -> Any:
        """A connection as an asynchronous context."""


class Gate:
    """Lets signed-in people and programs through, and puts a Principal into the scope."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        settings: ApiSettings,
        pool: Callable[[], Pool],
        exempt: Collection[str] = (),
        login_page: str | None = None,
    ) -> None:
        self._app = app
        self._settings = settings
        self._pool = pool
        self._exempt = frozenset(exempt)
        self._login_page = login_page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        connection = HTTPConnection(scope)
        refusal = host_refusal(connection.headers, self._settings) or origin_refusal(
            scope.get("method", "GET"), connection.headers, websocket=scope["type"] == "websocket"
        )
        if refusal is not None:
            await self._refuse(scope, receive, send, 403, refusal)
            return
        path = connection.scope["path"].removeprefix(scope.get("root_path", "")) or "/"
        if scope.get(PRINCIPAL) is None:
            try:
                scope[PRINCIPAL] = await self._principal(connection)
            except (*AWAY, PoolTimeout) as problem:
                await self._refuse(scope, receive, send, 503, away_text(problem))
                return
        if scope[PRINCIPAL] is None and path not in self._exempt:
            await self._refuse(
                scope, receive, send, 401, "sign in, or send a token as `Authorization: Bearer`"
            )
            return
        scope[ASK_AGAIN] = lambda: self._principal(connection)
        if scope["type"] == "websocket" and scope[PRINCIPAL] is not None:
            await self._watched(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _watched(self, scope: Scope, receive: Receive, send: Send) -> None:
        """A websocket, closed soon after its caller may no longer look on."""
        closed = False

        async def send_on(message: Message) -> None:
            if not closed:
                await send(message)

        async def watch() -> None:
            nonlocal closed
            while True:
                await asyncio.sleep(RECHECK_S)
                if not await unchanged(scope):
                    closed = True
                    await send({"type": "websocket.close", "code": 1008, "reason": ENDED})
                    return

        watcher = asyncio.create_task(watch(), name="websocket watch")
        try:
            await self._app(scope, receive, send_on)
        finally:
            watcher.cancel()

    async def _principal(self, connection: HTTPConnection) -> Principal | None:
        if self._settings.open_access and came_over_loopback(connection.scope, connection.headers):
            return OPEN_PRINCIPAL
        token = bearer_token(connection.headers)
        cookie = session_secret(connection.headers, self._settings)
        if token is None and cookie is None:
            return None
        async with self._pool().connection() as conn:
            await conn.set_autocommit(True)
            if token is not None:
                within = timedelta(days=self._settings.sign_on_days)
                return await access.token_principal(conn, token, within)
            idle = timedelta(minutes=self._settings.session_idle_minutes)
            return await access.session_principal(conn, cookie or "", idle)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, status: int, text: str) -> None:
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": text[:100]})
            return
        headers = Headers(scope=scope)
        wants_page = "text/html" in headers.get("accept", "") and scope["method"] in ("GET", "HEAD")
        answer: Response
        if status == 401 and self._login_page is not None and wants_page:
            answer = RedirectResponse(f"{self._login_page}?next={quote(_path_and_query(scope))}", 303)
        else:
            challenge = {"www-authenticate": 'Bearer realm="boomledger"'} if status == 401 else {}
            answer = problem_response(
                status, text, request_id=scope.get("boomledger.request_id"), headers=challenge
            )
        await answer(scope, receive, send)


async def unchanged(scope: Scope) -> bool:
    """Whether the caller of a request still is who it was at the gate, with the same role and sites.

    False too where that cannot be found out in time.
    """
    try:
        async with asyncio.timeout(ANSWER_S):
            now: Principal | None = await scope[ASK_AGAIN]()
    except (*AWAY, PoolTimeout, TimeoutError):
        return False
    return now is not None and now == scope[PRINCIPAL]


def bearer_token(headers: Mapping[str, str]) -> str | None:
    """The token of an Authorization header, if there is one."""
    scheme, _, value = headers.get("authorization", "").partition(" ")
    return value.strip() or None if scheme.lower() == "bearer" else None


def cookie_name(settings: ApiSettings) -> str:
    """The session cookie: bound to this host over https, plain over loopback http."""
    return SECURE_COOKIE if settings.secure_cookie else PLAIN_COOKIE


def session_secret(headers: Mapping[str, str], settings: ApiSettings) -> str | None:
    """The session secret of a Cookie header, if there is one."""
    try:
        jar = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return None
    found = jar.get(cookie_name(settings))
    return found.value if found is not None and found.value else None


def host_refusal(headers: Mapping[str, str], settings: ApiSettings) -> str | None:
    """Why the Host header is refused, or None. With open access a foreign name is a rebinding attack."""
    name = _host_name(headers.get("host", ""))
    if settings.open_access and not is_loopback(name):
        return "open access answers to localhost and loopback addresses only"
    if settings.allowed_hosts and name.lower() not in settings.allowed_hosts and not is_loopback(name):
        return "this server does not go by that name: see the setting BOOMLEDGER_ALLOWED_HOSTS"
    return None


def came_over_loopback(scope: Scope, headers: Mapping[str, str]) -> bool:
    """Whether a request was made on this machine and not handed on by a proxy."""
    client = scope.get("client")
    forwarded = any(name in headers for name in ("forwarded", "x-forwarded-for", "x-real-ip"))
    return client is not None and is_loopback(client[0]) and not forwarded


def origin_refusal(method: str, headers: Mapping[str, str], *, websocket: bool = False) -> str | None:
    """Why a write or a live connection is refused as cross-site, or None.

    A browser names the page that sends: it must be a page of this host. A program names none, and carries its
    own token.
    """
    if method in SAFE_METHODS and not websocket:
        return None
    origin = headers.get("origin")
    if origin is not None:
        here = headers.get("host", "")
        return None if urlsplit(origin).netloc == here and here else "sent from a page of another site"
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return "sent from a page of another site"
    return None


def _path_and_query(scope: Scope) -> str:
    query: str = scope["query_string"].decode("latin-1")
    path: str = scope["path"]
    return f"{path}?{query}" if query else path


def _host_name(host: str) -> str:
    return host.rsplit("]", 1)[0] + "]" if host.startswith("[") else host.rsplit(":", 1)[0]
