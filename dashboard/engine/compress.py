"""Compression of what the browser loads. Scripts are packed once and kept; pages are packed as they are made.

Packing the plotting library alone takes a third of a second, so doing it on every request would hold up
everybody else.
"""

import gzip
import hashlib
from typing import Final

import anyio.to_thread
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

STATIC_PATHS: Final = ("/_dash-component-suites/", "/assets/")
KEEP_AT_MOST: Final = 200
LEVEL_STATIC: Final = 9
LEVEL_PAGE: Final = 4
FOR_EVER: Final = "public, max-age=31536000, immutable"


class PackedScripts:
    """gzip for every response above half a kilobyte, kept in memory for the static ones.

    What carries its version in its address is kept by the browser for ever; of the rest it asks whether it is the same.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._pages = GZipMiddleware(app, minimum_size=500, compresslevel=LEVEL_PAGE)
        self._packed: dict[tuple[str, bytes], tuple[Message, bytes]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if not _is_static(scope):
            await self._pages(scope, receive, send)
            return
        key = (scope["path"], scope["query_string"])
        if key not in self._packed:
            start, body = await self._fetch(scope, receive)
            if start["status"] != 200 or len(self._packed) >= KEEP_AT_MOST:
                await send(start)
                await send({"type": "http.response.body", "body": body})
                return
            packed = await anyio.to_thread.run_sync(gzip.compress, body, LEVEL_STATIC)
            _describe(start, packed, versioned=bool(scope["query_string"] or ".v" in scope["path"]))
            self._packed[key] = (start, packed)
        start, packed = self._packed[key]
        etag = Headers(raw=start["headers"]).get("etag")
        if etag is not None and Headers(scope=scope).get("if-none-match") == etag:
            await send({**start, "status": 304, "headers": [(b"etag", etag.encode())]})
            packed = b""
        else:
            await send(start)
        await send({"type": "http.response.body", "body": packed})

    async def _fetch(self, scope: Scope, receive: Receive) -> tuple[Message, bytes]:
        start: Message = {}
        chunks: list[bytes] = []

        async def collect(message: Message) -> None:
            if message["type"] == "http.response.start":
                start.update(message)
            else:
                chunks.append(message.get("body", b""))

        whole = {**scope, "headers": [pair for pair in scope["headers"] if not pair[0].startswith(b"if-")]}
        await self._app(whole, receive, collect)
        return start, b"".join(chunks)


def _describe(start: Message, packed: bytes, *, versioned: bool) -> None:
    headers = MutableHeaders(scope=start)
    headers["content-encoding"] = "gzip"
    headers["content-length"] = str(len(packed))
    headers.add_vary_header("accept-encoding")
    if versioned:
        headers.setdefault("cache-control", FOR_EVER)
    else:
        headers["cache-control"] = "no-cache"
        headers["etag"] = f'"{hashlib.sha256(packed).hexdigest()[:24]}"'


def _is_static(scope: Scope) -> bool:
    return (
        scope["type"] == "http"
        and scope["method"] == "GET"
        and scope["path"].startswith(STATIC_PATHS)
        and (bool(scope["query_string"]) or scope["path"].endswith((".js", ".mjs")))
        and "gzip" in Headers(scope=scope).get("accept-encoding", "")
    )
