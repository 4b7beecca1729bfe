"""Compression of what the browser loads. Scripts are compressed once and kept; pages are compressed as they are made.

Compressing the plotting library alone takes a third of a second, so doing it on every request would hold up everybody else.
"""

import gzip
import hashlib
from typing import Final

import anyio.to_thread
from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

STATIC_PATHS: Final = ("/_dash-component-suites/", "/assets/")
KEEP_AT_MOST: Final = 200
LEVEL_STATIC: Final = 9
LEVEL_PAGE: Final = 4
FOR_EVER: Final = "public, max-age=31536000, immutable"


class CompressOnce:
    """gzip for every response above half a kilobyte, kept in memory for the static ones.

    What carries its version in its address is kept by the browser for ever; of the rest it asks whether it is the same.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._pages = GZipMiddleware(app, minimum_size=500, compresslevel=LEVEL_PAGE)
        self._kept: dict[tuple[str, bytes], Response] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if not _is_static(scope):
            await self._pages(scope, receive, send)
            return
        key = (scope["path"], scope["query_string"])
        answer = self._kept.get(key) or await self._compressed(scope, receive)
        if answer.status_code == 200 and len(self._kept) < KEEP_AT_MOST:
            self._kept[key] = answer
        etag = answer.headers.get("etag")
        if etag is not None and Headers(scope=scope).get("if-none-match") == etag:
            answer = Response(status_code=304, headers={"etag": etag})
        await answer(scope, receive, send)

    async def _compressed(self, scope: Scope, receive: Receive) -> Response:
        start: Message = {}
        body = b""

        async def collect(message: Message) -> None:
            nonlocal body
            if message["type"] == "http.response.start":
                start.update(message)
            body += message.get("body", b"")

        whole = {**scope, "headers": [pair for pair in scope["headers"] if not pair[0].startswith(b"if-")]}
        await self._app(whole, receive, collect)
        answer = Response(status_code=start["status"], headers={"vary": "accept-encoding"})
        answer.headers["content-type"] = Headers(raw=start["headers"]).get("content-type", "text/plain")
        answer.headers["content-encoding"] = "gzip"
        answer.body = await anyio.to_thread.run_sync(gzip.compress, body, LEVEL_STATIC)
        answer.headers["content-length"] = str(len(answer.body))
        if scope["query_string"] or ".v" in scope["path"]:
            answer.headers["cache-control"] = FOR_EVER
        else:
            answer.headers["cache-control"] = "no-cache"
            answer.headers["etag"] = f'"{hashlib.sha256(answer.body).hexdigest()[:24]}"'
        return answer


def _is_static(scope: Scope) -> bool:
    return (
        scope["type"] == "http"
        and scope["method"] == "GET"
        and scope["path"].startswith(STATIC_PATHS)
        and (bool(scope["query_string"]) or scope["path"].endswith((".js", ".mjs")))
        and "gzip" in Headers(scope=scope).get("accept-encoding", "")
    )
