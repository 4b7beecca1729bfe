"""Begins with a page before the browser asks for it, and gives it out once, to whoever it was begun for.

A browser that opens an address needs a second for its scripts before it can ask for the page there; what it will ask is
known from the address. Where a pointer goes down on a link, most of a click is still to come.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from dashboard.client import session_headers
from dashboard.visit import Asked, Finished

KEPT_S: Final = 5.0
AT_MOST: Final = 32

Make = Callable[[Asked], Awaitable[Finished]]
_Key = tuple[tuple[tuple[str, str], ...], Asked]


class Prefetch:
    """Pages that were begun and not asked for yet; each is given out once."""

    def __init__(self, make: Make) -> None:
        self._make = make
        self._begun: dict[_Key, tuple[float, asyncio.Task[Finished]]] = {}

    def begin(self, asked: Asked) -> asyncio.Task[Finished] | None:
        """Begin with a page for whoever is asking now, or find it begun; None where too many others wait."""
        self._forget_old()
        key = _key(asked)
        if key not in self._begun:
            if len(self._begun) >= AT_MOST:
                return None
            task = asyncio.create_task(self._draw(asked))
            self._begun[key] = (asyncio.get_running_loop().time(), task)
        return self._begun[key][1]

    async def take(self, asked: Asked) -> Finished:
        """The page that was begun for this caller, else a new one."""
        self._forget_old()
        _, begun = self._begun.pop(_key(asked), (0.0, None))
        return await (begun if begun is not None else self._make(asked))

    async def _draw(self, asked: Asked) -> Finished:
        return await self._make(asked)

    def _forget_old(self) -> None:
        now = asyncio.get_running_loop().time()
        for key, (at, task) in list(self._begun.items()):
            if now - at > KEPT_S:
                task.cancel()
                del self._begun[key]


def _key(asked: Asked) -> _Key:
    return tuple(sorted((session_headers.get() or {}).items())), asked
