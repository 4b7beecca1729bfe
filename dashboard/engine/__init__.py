"""What makes pages appear early. README.md says what each trick is worth; without any of them this is ordinary Dash.

This module is the face: nothing outside imports another module of the engine, and only `dashboard.app` imports this one.
"""

from enum import StrEnum
from typing import Any, Final

from dash import Dash
from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware

from dashboard.engine import pack
from dashboard.engine.boot import START, EarlyDash
from dashboard.engine.compress import CompressOnce
from dashboard.engine.prefetch import Make, Prefetch
from dashboard.engine.prerender import Prerender
from dashboard.visit import Asked, Finished


class Trick(StrEnum):
    """One thing that makes pages appear early; each works without the others."""

    PRERENDER = "prerender"
    PACK = "pack"
    BOOT = "boot"
    COMPRESS = "compress"


ALL: Final = frozenset(Trick)
OFF: Final[frozenset[Trick]] = frozenset()


class Engine:
    """The tricks of one dashboard. make: draws a page; what it gives goes to the browser through `page`."""

    def __init__(self, make: Make, tricks: frozenset[Trick] = ALL) -> None:
        self._tricks = tricks
        self._make = make
        self._begun = Prefetch(self._drawn)

    def dash(self, *arguments: Any, renderer: str, **options: Any) -> Dash:
        """A Dash application, which takes what Dash takes. renderer: the script that starts it where no trick does."""
        early = Trick.BOOT in self._tricks
        ignored = [] if self._tricks else ["engine"]  # nothing of the engine runs in the browser then
        dash = (EarlyDash if early else Dash)(*arguments, **options, assets_path_ignore=ignored)
        dash.renderer = START if early else renderer
        return dash

    async def page(self, asked: Asked, *, anew: bool = False) -> Finished:
        """A page for the callback that draws it. anew: not one that was begun before."""
        return await (self._drawn(asked) if anew else self._begun.take(asked))

    def serve(self, server: FastAPI) -> None:
        """Put what works on requests and answers before the server. Ask when its routes stand."""
        if Trick.PRERENDER in self._tricks:
            server.add_middleware(Prerender, begun=self._begun)
        if Trick.COMPRESS in self._tricks:
            server.add_middleware(CompressOnce)
        else:
            server.add_middleware(GZipMiddleware, minimum_size=500)

    async def _drawn(self, asked: Asked) -> Finished:
        drawn, *rest = await self._make(asked)
        if self._tricks & {Trick.PRERENDER, Trick.PACK}:
            drawn = pack.plain(drawn)
        if Trick.PACK in self._tricks:
            drawn = pack.packed(drawn, asked.path)
        return Finished(drawn, *rest)
