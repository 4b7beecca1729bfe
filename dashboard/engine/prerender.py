"""The page of an address as HTML in the document that a browser gets for it: seen before any script has run.

A browser that opens an address needs a second for the scripts before it can ask for the page there. What it will ask is
known from the address, so the page is begun at once and goes out as HTML text between the head of the document and the
scripts, which load meanwhile. It lies over the page until that stands (assets/engine/main.mjs takes it away), cannot be used and is
not read out; a style takes it away after a while where no script does, since nothing would keep its figures current.
"""

import asyncio
from pathlib import Path
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard import router, shell
from dashboard.engine import pack
from dashboard.engine.markup import html_text
from dashboard.engine.prefetch import Prefetch
from dashboard.parts import states
from dashboard.visit import Asked, Finished, units_of

MARK: Final = "<!--prerender-->"
PREFETCH: Final = "boomledger-prefetch"
"""A header that only wants the page begun: the pointer went down on a link to it (assets/engine/main.mjs)."""
WAIT_S: Final = 1.5
"""A page that takes longer than this is left to its scripts, which the document would keep waiting."""


class Prerender:
    """Puts the page of an address into the document that a browser gets for it."""

    def __init__(self, app: ASGIApp, begun: Prefetch) -> None:
        self._app = app
        self._begun = begun

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        asked = _asked(scope)
        if asked is None:
            await self._app(scope, receive, send)
            return
        page = self._begun.begin(asked)
        if PREFETCH.encode() in dict(scope["headers"]):
            await Response(status_code=204)(scope, receive, send)
            return

        async def insert(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                del headers["content-length"]
                headers["cache-control"] = "no-store"
                await send(message)
                return
            document: str = message.get("body", b"").decode()
            if MARK not in document:
                await send(message)
                return
            head, _, rest = document.partition(MARK)
            before, after = _frame(asked.path)
            await send({**message, "body": (head + before).encode(), "more_body": True})
            await send({**message, "body": (await _words(page) + after + rest).encode()})

        await self._app(scope, receive, insert)


def _frame(path: str) -> tuple[str, str]:
    """The frame around a page: what stands before and after it."""
    text = (Path(__file__).parent / "prerender.html").read_text(encoding="utf-8")
    for mark, part in (("__HEAD__", shell.header()), ("__SIDE__", shell.navigation(path))):
        text = text.replace(mark, html_text(pack.plain(part)))
    before, _, after = text.partition("__PAGE__")
    return before, after


async def _words(page: "asyncio.Task[Finished] | None") -> str:
    """The page as text; shapes of a page where it takes too long or fails, which its scripts will say."""
    if page is not None:
        done, _ = await asyncio.wait([page], timeout=WAIT_S)
        if done and not page.cancelled() and page.exception() is None:
            return html_text(page.result().drawn)
    return html_text(pack.plain(states.loading()))


def _asked(scope: Scope) -> Asked | None:
    """What the scripts of a document will ask for; None for what is no document of ours."""
    if scope["type"] != "http" or scope["method"] != "GET" or router.match(scope["path"]) is None:
        return None
    headers = Headers(scope=scope)
    if "text/html" not in headers.get("accept", "") and PREFETCH not in headers:
        return None
    search = scope["query_string"].decode("latin-1")
    return Asked(scope["path"], f"?{search}" if search else "", units_of(headers.get("cookie", "")))
