"""Stages between the gate and the routes: entity tags, the audit, and idempotency keys. Pure ASGI."""

import hashlib
import re
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from tempfile import SpooledTemporaryFile
from typing import IO, Final
from urllib.parse import parse_qsl, urlencode

import structlog
from psycopg_pool import PoolTimeout
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.gate import PRINCIPAL, SAFE_METHODS
from api.permissions import PERSONAL_READ, Least
from api.problems import away_text, problem_response
from api.reads import Read, Reads
from store import audit, idempotency
from store.access import Principal
from store.connection import AWAY
from store.site_scope import Pool, site_scope

_LOG = structlog.get_logger("api")

EXPORT_TYPES: Final = ("text/csv", "application/vnd.apache.parquet", "application/pdf")
NOT_WRITES: Final = frozenset({"/login", "/reset", "/dispatch", "/dispatch/assignment", "/dispatch/drawing"})
"""Log-ins and passwords set by a link are written down where they are decided; dispatch questions change nothing."""
NEVER_KEPT: Final = re.compile(r"/(login|reset|logout|tokens|users/[^/]+/reset-link)")
"""Their answers carry secrets or cookies, which no key may bring back."""
AUDIT_DETAIL: Final = "boomledger.audit_detail"
"""What a route wants written down with its call, in the scope of the request; a GET with it is an export."""
OBJECTS: Final = frozenset({"crane", "account", "everyone"})
"""Query parameters that name whose data is read."""
TARGET_CHARACTERS: Final = 500
KEY_FORM: Final = re.compile(r"[\x21-\x7e]{1,200}")
TAGGED_BYTES_MAX: Final = 8_000_000
SPOOLED_BYTES: Final = 2_000_000
"""Larger bodies wait in a file and not in memory."""
REPLAYED_BYTES: Final = 256_000
BOUNDARY: Final = re.compile(r"multipart/[^;]+;.*?boundary=\"?([^\";,]{1,70})", re.IGNORECASE)


@dataclass
class Captured:
    """A response held back until it is complete."""

    start: Message = field(default_factory=dict)
    body: bytes = b""

    @property
    def status(self) -> int:
        """Its status."""
        return int(self.start["status"])

    @property
    def headers(self) -> MutableHeaders:
        """Its headers, to read and to change."""
        return MutableHeaders(scope=self.start)

    async def send(self, send: Send) -> None:
        """Let it go."""
        await send(self.start)
        await send({"type": "http.response.body", "body": self.body})


async def capture(app: ASGIApp, scope: Scope, receive: Receive) -> Captured:
    """The complete response of an app."""
    captured = Captured()
    parts: list[bytes] = []

    async def hold(message: Message) -> None:
        if message["type"] == "http.response.start":
            captured.start = message
        else:
            parts.append(message.get("body", b""))

    await app(scope, receive, hold)
    captured.body = b"".join(parts)
    return captured


def entity_tag(body: bytes) -> str:
    """The weak tag of an answer."""
    return f'W/"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'


class Tagged:
    """Entity tags on answers to GET: an unchanged answer is 304 without a body."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or scope["path"].endswith("/live/stream"):
            await self._app(scope, receive, send)
            return
        answer = await capture(self._app, scope, receive)
        if answer.status == 200 and len(answer.body) <= TAGGED_BYTES_MAX:
            tag = answer.headers.get("etag") or entity_tag(answer.body)
            answer.headers["etag"] = tag
            answer.headers["cache-control"] = "private, no-cache"
            answer.headers.add_vary_header("accept, authorization, cookie")
            if tag in Headers(scope=scope).get("if-none-match", "").split(", "):
                del answer.headers["content-length"]
                answer.start["status"], answer.body = 304, b""
        await answer.send(send)


class Audited:
    """Writes down every write, export and read of personal data that went well, before its answer leaves."""

    def __init__(self, app: ASGIApp, *, pool: Callable[[], Pool], reads: Reads) -> None:
        self._app = app
        self._pool = pool
        self._reads = reads

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        refused = False

        async def send_on(message: Message) -> None:
            nonlocal refused
            if message["type"] == "http.response.start" and message["status"] < 400:
                try:
                    if self._wanted(scope, message):
                        await self._note(scope)
                    elif PERSONAL_READ in scope:
                        await self._reads.note(_read(scope))
                except (*AWAY, PoolTimeout) as problem:  # nothing leaves that is not written down
                    refused = True
                    await problem_response(503, away_text(problem))(scope, receive, send)
            if not refused:
                await send(message)

        await self._app(scope, receive, send_on)

    @staticmethod
    def _wanted(scope: Scope, start: Message) -> bool:
        if scope.get(PRINCIPAL) is None:
            return False
        if scope["method"] not in SAFE_METHODS:
            return _route(scope) not in NOT_WRITES
        return AUDIT_DETAIL in scope or Headers(scope=start).get("content-type", "").startswith(EXPORT_TYPES)

    async def _note(self, scope: Scope) -> None:
        principal: Principal = scope[PRINCIPAL]
        async with site_scope(self._pool(), (), **principal.who) as conn:
            await audit.note(
                conn,
                account=principal.account,
                via=principal.via,
                action=f"{scope['method']} {_route(scope)}",
                target=_path(scope),
                detail=scope.get(AUDIT_DETAIL),
                address=_address(scope),
                request_id=scope.get("boomledger.request_id", ""),
            )


class Idempotent:
    """A write with an Idempotency-Key is done once: the same key again brings the first answer back for a day.

    The key is one of its caller's token, role and sites, and of the path.
    """

    def __init__(
        self, app: ASGIApp, *, pool: Callable[[], Pool], least: Mapping[tuple[str, str], Least]
    ) -> None:
        self._app = app
        self._pool = pool
        self._least = least

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        key = Headers(scope=scope).get("idempotency-key") if scope["type"] == "http" else None
        principal: Principal | None = scope.get(PRINCIPAL)
        if (
            key is None
            or principal is None
            or scope["method"] in SAFE_METHODS
            or NEVER_KEPT.fullmatch(_path(scope))
        ):
            await self._app(scope, receive, send)
            return
        if not KEY_FORM.fullmatch(key):
            await self._app(scope, receive, send)  # the route refuses it
            return
        least = self._least.get((scope["method"], _path(scope)))
        if least is not None and least.role is not None and not principal.role.covers(least.role):
            await self._app(scope, receive, send)  # refuses before it reads: no body is kept for that
            return
        key = idempotency.bound_key(principal, scope["method"], _path(scope), key)
        with SpooledTemporaryFile(max_size=SPOOLED_BYTES) as body:
            asked = await keep_body(scope, receive, body)
            try:
                async with site_scope(self._pool(), (), **principal.who) as conn:
                    claimed = await idempotency.claim_key(conn, principal.account, key, asked)
            except (*AWAY, PoolTimeout) as problem:
                await problem_response(503, away_text(problem))(scope, receive, send)
                return
            if claimed:
                await self._first(scope, replay_body(body, receive), send, principal, key)
            else:
                await self._again(scope, receive, send, principal, key, asked)

    async def _first(self, scope: Scope, receive: Receive, send: Send, caller: Principal, key: str) -> None:
        kept = False
        try:
            answer = await capture(self._app, scope, receive)
            if answer.status < 500 and answer.status != 409:  # a conflict passes
                async with site_scope(self._pool(), (), **caller.who) as conn:
                    kind = answer.headers.get("content-type", "")
                    await idempotency.keep_answer(conn, caller.account, key, answer.status, kind, answer.body)
                kept = True
        finally:
            if not kept:
                async with site_scope(self._pool(), (), **caller.who) as conn:
                    await idempotency.release_key(conn, caller.account, key)
        await answer.send(send)

    async def _again(
        self, scope: Scope, receive: Receive, send: Send, caller: Principal, key: str, asked: bytes
    ) -> None:
        async with site_scope(self._pool(), (), **caller.who) as conn:
            kept = await idempotency.kept_answer(conn, caller.account, key)
        if kept is None or kept["status"] is None:
            text = "the first request with this Idempotency-Key is still running: ask again in a moment"
            await problem_response(409, text)(scope, receive, send)
        elif bytes(kept["request_sha256"]) != asked:
            text = "this Idempotency-Key was used for another request: take a new one"
            await problem_response(422, text)(scope, receive, send)
        else:
            headers = [(b"idempotent-replay", b"true")]
            if kept["content_type"]:
                headers.append((b"content-type", kept["content_type"].encode()))
            await send({"type": "http.response.start", "status": kept["status"], "headers": headers})
            await send({"type": "http.response.body", "body": bytes(kept["body"])})


async def keep_body(scope: Scope, receive: Receive, body: IO[bytes]) -> bytes:
    """Reads a request into a file, its size was bounded on the way in; a digest of what is asked, on which condition.

    The line between the parts of a form is random with every try, so it is left out of the digest.
    """
    conditions = [value for name, value in scope["headers"] if name in (b"if-match", b"if-none-match")]
    what = (scope["method"].encode(), _path(scope).encode(), scope["query_string"], *conditions, b"")
    digest = hashlib.sha256(b"\n".join(what))
    found = BOUNDARY.search(Headers(scope=scope).get("content-type", ""))
    boundary = found[1].encode("latin-1") if found else b""
    overlap, rest = max(len(boundary) - 1, 0), b""
    more = True
    while more:
        message = await receive()
        if message["type"] != "http.request":
            raise ClientDisconnect  # half of a body is not what was asked
        part = message.get("body", b"")
        body.write(part)
        rest = (rest + part).replace(boundary, b"") if boundary else rest + part
        ripe = max(len(rest) - overlap, 0)  # what may be the beginning of a line between parts waits
        digest.update(rest[:ripe])
        rest = rest[ripe:]
        more = message.get("more_body", False)
    digest.update(rest)
    return digest.digest()


def replay_body(body: IO[bytes], receive: Receive) -> Callable[[], Awaitable[Message]]:
    """A `receive` that hands out a body already read, part by part, then what really comes."""
    size = body.tell()
    body.seek(0)
    complete = False

    async def replayed() -> Message:
        nonlocal complete
        if complete:
            return await receive()
        part = body.read(REPLAYED_BYTES)
        complete = body.tell() >= size
        return {"type": "http.request", "body": part, "more_body": not complete}

    return replayed


def _read(scope: Scope) -> Read:
    principal: Principal = scope[PRINCIPAL]
    asked = parse_qsl(scope["query_string"].decode("latin-1"))
    # The last first: of a parameter that is given twice it is the one that a route of one crane goes by.
    of = urlencode([pair for pair in dict.fromkeys(reversed(asked)) if pair[0] in OBJECTS])
    target = f"{_path(scope)}?{of}" if of else _path(scope)
    if len(target) > TARGET_CHARACTERS:  # what was left out makes another object all the same
        target = f"{target[:TARGET_CHARACTERS]}... {hashlib.sha256(target.encode()).hexdigest()[:16]}"
    return Read(
        account=principal.account,
        via=principal.via,
        action=f"read {_route(scope)}",
        target=target,
        address=_address(scope),
    )


def _address(scope: Scope) -> str:
    return scope["client"][0] if scope.get("client") else ""


def _path(scope: Scope) -> str:
    path: str = scope["path"].removeprefix(scope.get("root_path", ""))
    return path or "/"


def _route(scope: Scope) -> str:
    return getattr(scope.get("route"), "path", "") or _path(scope)
