"""Begins with a page while the browser still loads the scripts that will ask for it.

A browser that opens an address needs a second before it can ask for the page there. What it will ask is known from the
address, so the answer is prepared meanwhile and waits, for this caller only and for a few seconds.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final, NamedTuple

from dashboard.client import session_headers
from words.numbers import Units

KEPT_S: Final = 5.0
AT_MOST: Final = 32

Finished = tuple[Any, str, str, str]
"""A drawn page, its window title, how many alerts wait, and that in words."""
_Key = tuple[tuple[tuple[str, str], ...], "Asked"]


class Asked(NamedTuple):
    """What a page is drawn from."""

    path: str
    search: str
    units: Units


class Ahead:
    """Pages that were begun and not asked for yet; each is given out once."""

    def __init__(self, make: Callable[[Asked], Awaitable[Finished]]) -> None:
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
        return await (begun if begun is not None else self._draw(asked))

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
