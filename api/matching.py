"""Conditional writes: `If-Match` and `If-None-Match: *` on whatever has a GET of its own. Pure ASGI.

The tag asked for is compared with the tag of the same path's GET, answered for the same caller just before the write.
Writes to one path, with a condition or without, wait for each other in the database, so through any number of processes:
nothing comes in between. Writes by other ways (the command line, a POST beside it) do not wait.
"""

import asyncio
import contextlib
import io
import re
from collections.abc import Callable
from typing import Final

import psycopg
from psycopg_pool import PoolTimeout
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.bounds import TAGS
from api.gate import SAFE_METHODS
from api.problems import problem_response
from api.stages import KEY_FORM, capture, keep_body, replay_body
from domain.errors import InvalidInput
from store.connection import AWAY
from store.locks import wait_for_path
from store.site_scope import Pool

CONDITIONAL: Final = frozenset({"PUT", "PATCH", "DELETE"})


def ill_formed(headers: Headers) -> str | None:
    """The name of the condition that is no list of tags, if one is."""
    return next(
        (name for name in ("If-Match", "If-None-Match") if not re.fullmatch(TAGS, headers.get(name, "*"))),
        None,
    )


async def well_formed_headers(request: Request) -> None:
    """Refuse a write whose condition or key no answer could match: it would be done unconditionally, or twice."""
    if request.method in SAFE_METHODS:
        return
    if not KEY_FORM.fullmatch(request.headers.get("idempotency-key", "none")):
        raise InvalidInput(
            "an Idempotency-Key has 1 to 200 visible ASCII characters", field="Idempotency-Key"
        )
    if request.method in CONDITIONAL and (name := ill_formed(request.headers)):
        raise InvalidInput(
            f"{name} has the ETag of an answer in its quotes, several of them parted by commas, or *",
            field=name,
        )


class Matched:
    """Refuses a write with 412 where what it would change is not what its sender has seen.

    at_once: writes that may wait at the same time. Each holds a connection while the write itself needs another one, so
    that it must be less than the pool has.
    """

    def __init__(self, app: ASGIApp, *, pool: Callable[[], Pool], at_once: int) -> None:
        self._app = app
        self._pool = pool
        self._places = asyncio.Semaphore(at_once)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] not in CONDITIONAL:
            await self._app(scope, receive, send)
            return
        body = io.BytesIO()
        await keep_body(scope, receive, body)  # before the turn: a slow sender makes nobody wait
        receive = replay_body(body, receive)
        refusal = 412, "it was changed, made or removed since you read it: read it again, then decide"
        async with contextlib.AsyncExitStack() as turn:
            try:
                await self._take_turn(turn, scope)
            except psycopg.errors.LockNotAvailable:
                refusal = 503, "others are writing there and take long: try again"
            except (*AWAY, PoolTimeout):
                refusal = 503, "the database cannot be reached now"
            else:
                if await self._as_seen(scope):
                    await self._app(scope, receive, send)
                    return
        request_id = scope.get("boomledger.request_id")
        await problem_response(*refusal, request_id=request_id)(scope, receive, send)

    async def _take_turn(self, turn: contextlib.AsyncExitStack, scope: Scope) -> None:
        await turn.enter_async_context(self._places)
        conn = await turn.enter_async_context(self._pool().connection())
        await turn.enter_async_context(conn.transaction())
        await wait_for_path(conn, scope["path"].removeprefix(scope.get("root_path", "")))

    async def _as_seen(self, scope: Scope) -> bool:
        headers = Headers(scope=scope)
        wanted, unwanted = headers.get("if-match"), headers.get("if-none-match")
        if (wanted is None and unwanted is None) or ill_formed(headers):
            return True  # the route refuses what is ill-formed
        tag = await self._tag_now(scope)
        return (wanted is None or _names(wanted, tag)) and (unwanted is None or not _names(unwanted, tag))

    async def _tag_now(self, scope: Scope) -> str | None:
        """The tag of what is at the path now; None where nothing is, or nothing has a tag."""
        dropped = (b"if-match", b"if-none-match", b"accept", b"content-type", b"content-length")
        headers = [pair for pair in scope["headers"] if pair[0] not in dropped]
        asked = {
            **scope,
            "method": "GET",
            "query_string": b"",
            "headers": [*headers, (b"accept", b"application/json")],
        }
        answer = await capture(self._app, asked, _nothing)
        return answer.headers.get("etag") if answer.status == 200 else None


def _names(header: str, tag: str | None) -> bool:
    """Whether a list of tags (or `*`) names this one. Tags are compared by what they tag, weak or not."""
    if tag is None:
        return False
    listed = [one.strip().removeprefix("W/") for one in header.split(",")]
    return "*" in listed or tag.removeprefix("W/") in listed


async def _nothing() -> Message:
    return {"type": "http.request", "body": b"", "more_body": False}
