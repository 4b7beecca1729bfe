"""The dashboard as one ASGI application: Dash on FastAPI, the api mounted beside it.

dash = create_dashboard(create_api(settings))        # one process
dash = create_dashboard("http://api:8000/api/v1")    # two processes
uvicorn.run(dash.server)
"""

import hashlib
import re
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import orjson
from dash import Dash
from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard import live, login, router, shell
from dashboard.client import Client, session_headers
from dashboard.engine.compress import PackedScripts
from dashboard.engine.prerender import MARK, FirstSight
from dashboard.palette import LIGHT, THEMES, css_variables
from dashboard.theme import FONT, SCHEME_SCRIPT
from words.texts import browser_words, t

API_PATH: Final = "/api/v1"
ASSETS: Final = Path(__file__).parent / "assets"

_SCRIPT: Final = re.compile(r'<script src="([^"]*)"(?: type="module")?></script>')
_IMPORTED: Final = r"(?<!main)\.mjs$"
"""Scripts that assets/main.mjs imports; Dash loads that one."""
_AS_SCRIPT: Final = 'rel="preload" as="script"'
_AS_MODULE: Final = 'rel="modulepreload"'
_UNUSED: Final = re.compile(r'<script src="[^"]*/(?:deps/polyfill@|dash_table/bundle)[^"]*"></script>\s*')

_BEGIN: Final = """
const early = document.querySelectorAll("link[data-src]");
let begun = false;
let waiting = early.length;
function begin() {
    if (begun) return;
    begun = true;
    for (const { dataset } of early) {
        const script = document.createElement("script");
        script.src = dataset.src;
        if (dataset.src.includes(".mjs")) script.type = "module";
        script.async = false;
        script.onload = () => { if (--waiting === 0) window.renderer = new DashRenderer(); };
        document.head.append(script);
    }
}
requestAnimationFrame(() => setTimeout(begin));
setTimeout(begin, 300);
"""
"""The scripts run when what is there of the page has been painted, or soon where nothing is: a page in the background."""

_INDEX: Final = """<!DOCTYPE html>
<html lang="en" data-mantine-color-scheme="light">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{%title%}</title>
<link rel="icon" href="__SIGN__">
<style>__COLOURS__</style>
{%css%}
<script>__SCHEME__</script>
<script type="importmap">__IMPORTS__</script>
{%scripts%}
</head>
<body>
__FIRST__
{%app_entry%}
<footer>
<script>window.boomledger_palette = __PALETTE__; window.boomledger_words = __WORDS__;</script>
{%config%}
{%renderer%}
</footer>
</body>
</html>"""


def create_dashboard(api: FastAPI | str, *, api_token: str | None = None) -> Dash:
    """The dashboard over an api in this process (mounted at /api/v1) or at a base URL.

    The server to run is `.server`. Its lifespan runs that of a mounted api, which otherwise nobody would.
    """
    mounted = api if isinstance(api, FastAPI) else None
    client = (
        Client(app=mounted, token=api_token) if mounted is not None else Client(str(api), token=api_token)
    )
    made: list[Dash] = []
    server = FastAPI(
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=_lifespan_of(mounted, client, made),
        title="Boomledger",
    )
    login.register(server)
    if mounted is not None:
        server.mount(API_PATH, mounted)
    dash = _Dash(
        __name__,
        server=server,
        assets_folder=str(ASSETS),
        assets_ignore=_IMPORTED,
        update_title=None,
        title=t("app.name"),
        index_string=_index(),
        suppress_callback_exceptions=True,
        compress=False,
    )
    dash.renderer = f"(() => {{{_BEGIN}}})();"
    made.append(dash)
    dash.layout = shell.layout
    ahead = router.register(dash, client)
    shell.register(dash, client)
    live.register(dash, client)
    server.add_middleware(FirstSight, ahead=ahead)
    server.add_middleware(PackedScripts)
    server.add_middleware(_OnBehalf)
    return dash


class _Dash(Dash):
    """Dash without two of its scripts: a table that no page has, and what taught browsers of before 2020 the language.

    Of the latter assets/generators.mjs has what is left.
    """

    def interpolate_index(self, **parts: Any) -> str:
        """The page with every part in its place."""
        scripts = _UNUSED.sub("", parts["scripts"])
        # Dash looks for the src of its renderer; only _BEGIN does anything with it.
        early = "".join(
            f'<link {_AS_MODULE if ".mjs" in source else _AS_SCRIPT} href="{source}" data-src="{source}">'
            for source in _SCRIPT.findall(scripts)
        )
        modules = "".join(f'<link {_AS_MODULE} href="{address}">' for address in _imports().values())
        whole: str = super().interpolate_index(
            **{**parts, "scripts": early + modules + _SCRIPT.sub("", scripts)}
        )
        return whole


def _index() -> str:
    filled = _INDEX.replace("__COLOURS__", f"{css_variables()}:root{{--bl-font:{FONT}}}").replace(
        "__SIGN__", _sign()
    )
    filled = (
        filled.replace(
            "__SCHEME__", f"(() => {{{SCHEME_SCRIPT}document.documentElement.dataset.scheme = scheme; }})();"
        )
        .replace("__FIRST__", MARK)
        .replace("__IMPORTS__", orjson.dumps({"imports": _imports()}).decode())
    )
    filled = filled.replace("__PALETTE__", orjson.dumps(THEMES).decode())
    return filled.replace("__WORDS__", orjson.dumps(browser_words()).decode())


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


def _sign() -> str:
    """The sign of the window, within the page: as a file of its own it is asked for at every change of address."""
    drawing = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 -8 100 116'>"
        f"<path fill='{LIGHT['accent']}' d='M0 100V84H12V46L58 0H66V8L100 54V70H92V60L60 20L26 52V84H60V100Z'/></svg>"
    )
    return f"data:image/svg+xml,{quote(drawing)}"


def _lifespan_of(mounted: FastAPI | None, client: Client, made: list[Dash]) -> Any:
    @asynccontextmanager
    async def lifespan(_server: FastAPI) -> AsyncIterator[None]:
        # Dash does this on the first request for "/"; whoever came by a deep link before got a page without our scripts.
        for dash in made:
            dash._setup_server()
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
        try:
            await self._app(scope, receive, send)
        finally:
            session_headers.reset(token)
