"""One visit to a page: who asks, for what, in which units. Pages are functions of a visit and nothing else."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, NamedTuple, TypeVar
from urllib.parse import parse_qsl, urlencode
from zoneinfo import ZoneInfo

from starlette.requests import cookie_parser

from dashboard.client import Client, NotAllowed
from domain.errors import BoomledgerError
from domain.moments import now_utc
from words.numbers import Units

Answer = TypeVar("Answer")
UNITS_COOKIE: Final = "boomledger_units"
UTC_ZONE: Final = ZoneInfo("UTC")


class Asked(NamedTuple):
    """What a page is drawn from; the rest is who asks."""

    path: str
    search: str
    units: Units


class Finished(NamedTuple):
    """A drawn page, its window title, how many alerts wait, and that in words."""

    drawn: Any
    title: str
    alerts: str
    alerts_words: str


@dataclass(frozen=True, kw_only=True)
class Visit:
    """What a page needs to draw itself."""

    client: Client
    path: str
    place: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    units: Units = Units.METRIC
    now: datetime = field(default_factory=now_utc)

    def number(self, name: str, default: float) -> float:
        """A number from the address, or the default where it is absent or no number."""
        try:
            value = float(self.query[name])
        except (KeyError, ValueError):
            return default
        return value if abs(value) < 1e12 else default

    def choice(self, name: str, allowed: tuple[str, ...]) -> str:
        """One of the allowed words from the address; the first where it is absent or unknown."""
        word = self.query.get(name, "")
        return word if word in allowed else allowed[0]

    def href(self, path: str | None = None, **changes: str | None) -> str:
        """This address with another path or other parameters; None takes a parameter out."""
        base = {} if path is not None else dict(self.query)
        merged = {name: value for name, value in {**base, **changes}.items() if value is not None}
        target = path if path is not None else self.path
        return f"{target}?{urlencode(merged)}" if merged else target


def units_of(cookies: str) -> Units:
    """The units that a browser last had, from its cookies (assets/ui.mjs keeps them there)."""
    kept = cookie_parser(cookies).get(UNITS_COOKIE)
    return Units.US if kept == Units.US else Units.METRIC


def query_of(search: str | None) -> dict[str, str]:
    """The parameters of an address."""
    return dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=False))


@dataclass(frozen=True)
class Trouble:
    """An answer that did not come, for the part of the page that wanted it."""

    text: str


async def attempt(asked: Awaitable[Answer]) -> Answer | Trouble:
    """The answer, or why there is none, so that the rest of a page can still be drawn."""
    try:
        return await asked
    except NotAllowed:
        raise
    except BoomledgerError as problem:
        return Trouble(str(problem))


async def together(*asked: Awaitable[Any]) -> list[Any]:
    """Several answers at once; the first NotAllowed wins, other problems become `Trouble`."""
    return list(await asyncio.gather(*(attempt(one) for one in asked)))


class Zones:
    """Time zone by site, asked for once per process: a site does not move."""

    def __init__(self) -> None:
        self._zones: dict[str, ZoneInfo] = {}

    async def of_yard(self, client: Client) -> ZoneInfo:
        """The zone of the first crane's site, in which times of the whole yard are typed and shown; UTC without a crane."""
        first = await attempt(client.cranes(limit=1))
        if isinstance(first, Trouble) or not first.items:
            return UTC_ZONE
        return await self.of_site(first.items[0].site, first.items[0].name, client)

    async def of_rows(self, rows: Iterable[Any], client: Client) -> dict[str, ZoneInfo]:
        """The zones of the sites of rows that each name a site and a crane of it."""
        first = {row.site: row.crane for row in rows if row.crane}
        return {site: await self.of_site(site, crane, client) for site, crane in first.items()}

    async def of_site(self, site: str, crane: str, client: Client) -> ZoneInfo:
        """The zone of a site, learnt from one of its cranes; UTC where that cannot be learnt now."""
        if site not in self._zones:
            detail = await attempt(client.crane(crane))
            if isinstance(detail, Trouble):
                return UTC_ZONE
            self._zones[site] = ZoneInfo(detail.site.time_zone)
        return self._zones[site]


ZONES: Final = Zones()

Render = Callable[[Visit], Awaitable[Any]]
