"""Conditional writes: `If-Match` and `If-None-Match: *` on whatever has a GET of its own. Pure ASGI.

The tag asked for is compared with the tag of the same path's GET, answered for the same caller just before the write.
Conditional writes to one path wait for each other in this process; a write without a condition, or through another
process, can still come in between: the window is milliseconds instead of the minutes that a person edits for.
"""

import asyncio
from typing import Final

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import problem_response
from api.stages import capture

CONDITIONAL: Final = frozenset({"PUT", "PATCH", "DELETE"})
STRIPES: Final = 64


class Matched:
    """Refuses a write with 412 where what it would change is not what its sender has seen."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._locks = [asyncio.Lock() for _ in range(STRIPES)]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] not in CONDITIONAL:
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        wanted, unwanted = headers.get("if-match"), headers.get("if-none-match")
        if wanted is None and unwanted is None:
            await self._app(scope, receive, send)
            return
        async with self._locks[hash(scope["path"]) % STRIPES]:
            tag = await self._tag_now(scope)
            if (wanted is not None and not _names(wanted, tag)) or (
                unwanted is not None and _names(unwanted, tag)
            ):
                text = "it was changed, made or removed since you read it: read it again, then decide"
                request_id = scope.get("boomledger.request_id")
                await problem_response(412, text, request_id=request_id)(scope, receive, send)
                return
            await self._app(scope, receive, send)

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
