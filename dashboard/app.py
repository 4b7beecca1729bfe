"""The dashboard as one ASGI application: Dash on FastAPI, the api mounted beside it.

dash = create_dashboard(create_api(settings))        # one process
dash = create_dashboard("http://api:8000/api/v1")    # two processes
uvicorn.run(dash.server)
"""

import hashlib
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import httpx
import orjson
from dash import Dash
from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard import live, login, router, shell
from dashboard.client import Client, session_headers
from dashboard.engine import ALL, OFF, Engine, Trick
from dashboard.palette import LIGHT, THEMES
from dashboard.theme import template
from dashboard.transport import session_address
from words.numbers import age_words
from words.texts import spoken, t

__all__ = ["ALL", "OFF", "Trick", "create_dashboard"]

API_PATH: Final = "/api/v1"
ASSETS: Final = Path(__file__).parent / "assets"
CONTACT_EVERY: Final = timedelta(seconds=5)
"""How often a page asks whether server, session and system are well."""
_IMPORTED: Final = r"(?<!main)\.mjs$"
"""Scripts that assets/main.mjs and assets/engine/main.mjs import; Dash loads those two."""


def create_dashboard(
    api: FastAPI | str, *, api_token: str | None = None, tricks: frozenset[Trick] = ALL
) -> Dash:
    """The dashboard over an api in this process (mounted at /api/v1) or at a base URL.

    The server to run is `.server`. Its lifespan runs that of a mounted api, which otherwise nobody would.
    tricks: what makes pages appear early; with none it is ordinary Dash.
    """
    mounted = api if isinstance(api, FastAPI) else None
    client = (
        Client(app=mounted, token=api_token) if mounted is not None else Client(str(api), token=api_token)
    )
    server = FastAPI(
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=_lifespan_of(mounted, client),
        title="Boomledger",
    )
    login.register(server)
    if mounted is not None:
        server.mount(API_PATH, mounted)
    engine = Engine(lambda asked: router.finished(client, asked), tricks)
    dash = engine.dash(
        __name__,
        renderer=template("renderer.js"),
        server=server,
        assets_folder=str(ASSETS),
        assets_ignore=_IMPORTED,
        update_title=None,
        title=t("app.name"),
        index_string=_index(),
        suppress_callback_exceptions=True,
    )
    dash.layout = shell.layout
    router.register(dash, client, engine.page)
    shell.register(dash, client)
    live.register(dash, client)
    engine.serve(server)
    server.add_middleware(_OnBehalf)
    return dash


def _index() -> str:
    return template(
        "index.html",
        icon=_icon(),
        imports=orjson.dumps({"imports": _imports()}).decode(),
        palette=orjson.dumps(THEMES).decode(),
        words=orjson.dumps(_browser_words()).decode(),
    )


def _browser_words() -> dict[str, Any]:
    """The few texts that are put together in the browser."""
    return {
        "age": age_words(),
        "decimal": spoken().decimal,
        "pause": t("shell.pause"),
        "resume": t("shell.resume"),
        "contact": {
            **{
                word: t(f"contact.{word}")
                for word in ("lost", "signed_out", "sign_in", "since", "typed_back")
            },
            "trying": t("contact.trying", s=CONTACT_EVERY.seconds),
            "every_ms": CONTACT_EVERY // timedelta(milliseconds=1),
        },
        "units_metric": t("units.metric"),
        "units_us": t("units.us"),
    }


@cache
def _imports() -> dict[str, str]:
    """Where each script that main.mjs imports is fetched: its address with its version, which a browser keeps for ever."""
    scripts = {
        f"/assets/{path.relative_to(ASSETS).as_posix()}": path
        for path in sorted(ASSETS.rglob("*.mjs"))
        if path.name != "main.mjs"
    }
    return {
        address: f"{address}?m={hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"
        for address, path in scripts.items()
    }


def _icon() -> str:
    """The sign of the window, within the page: as a file of its own it is asked for at every change of address."""
    return f"data:image/svg+xml,{quote(template('icon.svg', colour=LIGHT['accent']))}"


def _lifespan_of(mounted: FastAPI | None, client: Client) -> Any:
    @asynccontextmanager
    async def lifespan(server: FastAPI) -> AsyncIterator[None]:
        # Dash looks for our scripts on the first request for "/"; who came by a deep link before got a page without them.
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(server), base_url="http://127.0.0.1"
        ) as first:
            await first.get("/")
        async with AsyncExitStack() as stack:
            stack.push_async_callback(client.close)
            if mounted is not None:
                await stack.enter_async_context(mounted.router.lifespan_context(mounted))
            yield

    return lifespan


class _OnBehalf:
    """Hands the cookie of the person at the browser on to the api, for every call made while answering them."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        sent = Headers(scope=scope)
        handed_on = {name: sent[name] for name in ("cookie", "authorization") if name in sent}
        token = session_headers.set(handed_on)
        came_from = session_address.set(scope["client"][0] if scope.get("client") else "")
        try:
            await self._app(scope, receive, send)
        finally:
            session_headers.reset(token)
            session_address.reset(came_from)
