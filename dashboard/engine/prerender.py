"""What a browser shows of a page before its scripts have run: the frame at once, the words and pictures when they are known.

A browser that opens an address needs a second for the scripts before it can ask for the page there. What it will ask is
known from the address, so the page is begun at once and goes out as HTML text between the head of the document and the
scripts, which load meanwhile. It lies over the page until that stands (assets/ui.mjs takes it away), cannot be used and is
not read out; a style takes it away after a while where no script does, since nothing would keep its figures current.
"""

import asyncio
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard import router, shell
from dashboard.engine.markup import html_text
from dashboard.engine.prefetch import Ahead, Asked
from dashboard.parts import states
from dashboard.visit import units_of

MARK: Final = "<!--first-sight-->"
AHEAD: Final = "boomledger-ahead"
"""A header that only wants the page begun: the pointer went down on a link to it (assets/ui.mjs)."""
WAIT_S: Final = 1.5
"""A page that takes longer than this is left to its scripts, which the document would keep waiting."""


class FirstSight:
    """Puts the page of an address into the document that a browser gets for it."""

    def __init__(self, app: ASGIApp, ahead: Ahead) -> None:
        self._app = app
        self._ahead = ahead

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        asked = _asked(scope)
        if asked is None:
            await self._app(scope, receive, send)
            return
        page = self._ahead.begin(asked)
        if AHEAD.encode() in dict(scope["headers"]):
            await Response(status_code=204)(scope, receive, send)
            return

        async def insert(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                del headers["content-length"]
                headers["cache-control"] = "no-store"
                await send(message)
                return
            head, found, rest = message.get("body", b"").partition(MARK.encode())
            if not found:
                await send(message)
                return
            await send({**message, "body": head + _frame(asked.path).encode(), "more_body": True})
            await send({**message, "body": (await _words(page) + _END).encode() + rest})

        await self._app(scope, receive, insert)


_START: Final = '<div id="first-sight" class="bl-first" inert aria-hidden="true">'
_END: Final = "</div></div></div>"


def _frame(path: str) -> str:
    """The frame up to where the page stands."""
    around = (("head", shell.header()), ("side", shell.navigation(path)))
    parts = "".join(
        f'<div class="bl-first-{name}">{html_text(router.plain(part))}</div>' for name, part in around
    )
    return f'{_START}{parts}<div class="bl-first-main"><div class="bl-page">'


async def _words(page: "asyncio.Task[Any] | None") -> str:
    """The page as text; shapes of a page where it takes too long or fails, which its scripts will say."""
    if page is not None:
        done, _ = await asyncio.wait([page], timeout=WAIT_S)
        if done and not page.cancelled() and page.exception() is None:
            return html_text(page.result()[0])
    return html_text(router.plain(states.loading()))


def _asked(scope: Scope) -> Asked | None:
    """What the scripts of a document will ask for; None for what is no document of ours."""
    if scope["type"] != "http" or scope["method"] != "GET" or router.match(scope["path"]) is None:
        return None
    headers = Headers(scope=scope)
    if "text/html" not in headers.get("accept", "") and AHEAD not in headers:
        return None
    search = scope["query_string"].decode("latin-1")
    return Asked(scope["path"], f"?{search}" if search else "", units_of(headers.get("cookie", "")))
