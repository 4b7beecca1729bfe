"""The cache: what is kept between questions, under one rule of staleness.

A cached value is given again as long as what it was made from is the same. Its `stamp` says what that is: the newest count, a change of a
crane, of its description, site or charts, the day. A stamp is asked of the database with every question, so a change counts from the
next question on, in every process.

What no stamp tells cheaply (live readings, what is entered of services, findings) may be `fresh_s` old; an older value is made anew, and
the question waits for it. With `stale_s` a question gets a value up to that age and leaves its making to the background.

| cached | of | stamp | fresh_s |
|---|---|---|---|
| `dispatch_fleet`: cranes laid out with the charts of a day | every site | changes of cranes, descriptions, sites, charts | - |
| `dispatch_fleet`: life status | every site | the cranes laid out, the day | 10 s, stale 600 s |
| `fleet`: sums of a period, by crane | every site | of each crane its newest count | - |
| `fleet`: the fleet at a glance | the sites of who asks | - | 2 s |
| `fleet`: due days | every site | the day | 60 s |

What is of every site is looked up for the cranes that a question has read under its own site scope. A value is made once at a time, by
the first who asks; who comes meanwhile waits for it.
"""

import asyncio
import math
import time
from collections.abc import Awaitable, Callable, Hashable
from typing import Final, Generic, TypeVar

import structlog

_LOG: Final = structlog.get_logger("answers.cache")
Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class _Place(Generic[Value]):
    """Where one value lies."""

    def __init__(self) -> None:
        self.lock = asyncio.Lock()
        self.value: Value | None = None
        self.stamp: object = None
        self.made_at_s = -math.inf
        self.refreshing: asyncio.Task[None] | None = None


class Cache(Generic[Key, Value]):
    """The last `most` values by key, of which those that are too old are dropped."""

    def __init__(
        self,
        most: int,
        *,
        fresh_s: float = math.inf,
        stale_s: float = -math.inf,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.fresh_s = fresh_s
        self._most = most
        self._stale_s = stale_s
        self._clock = clock
        self._places: dict[Key, _Place[Value]] = {}

    async def read(
        self,
        key: Key,
        stamp: object,
        make: Callable[[], Awaitable[Value]],
        *,
        refresh: Callable[[], Awaitable[Value]] | None = None,
    ) -> Value:
        """The value of a key as of a stamp; `make` makes it, `refresh` in the background, without what belongs to this question."""
        place = self._places.pop(key) if key in self._places else _Place()
        self._places[key] = place  # the last one asked for stands last
        async with place.lock:
            age_s = self._clock() - place.made_at_s
            if place.value is None or place.stamp != stamp or age_s > max(self.fresh_s, self._stale_s):
                await self._fill(place, stamp, make)
            elif age_s > self.fresh_s and refresh and (place.refreshing is None or place.refreshing.done()):
                place.refreshing = asyncio.create_task(self._refresh(place, stamp, refresh))
            assert place.value is not None
            return place.value

    def entries(self) -> dict[Key, Value]:
        """Everything that is cached, by key."""
        return {key: place.value for key, place in self._places.items() if place.value is not None}

    async def close(self) -> None:
        """Ends what is made in the background."""
        tasks = [place.refreshing for place in self._places.values() if place.refreshing is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _fill(self, place: _Place[Value], stamp: object, make: Callable[[], Awaitable[Value]]) -> None:
        value = await make()
        place.value, place.stamp, place.made_at_s = value, stamp, self._clock()
        oldest_s = place.made_at_s - 2 * max(self.fresh_s, self._stale_s)
        recent = [key for key, one in self._places.items() if one.lock.locked() or one.made_at_s >= oldest_s]
        self._places = {key: self._places[key] for key in recent[-self._most :]}

    async def _refresh(
        self, place: _Place[Value], stamp: object, make: Callable[[], Awaitable[Value]]
    ) -> None:
        try:
            await self._fill(place, stamp, make)
        except Exception:
            _LOG.exception("what is cached could not be made again")
