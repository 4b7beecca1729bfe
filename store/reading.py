"""What the api reads of cranes, live values, events and quarantine, within the sites in scope (None: every site)."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Final

import orjson
from psycopg import AsyncConnection

from domain.answers import CraneRow, EventRow, FaultRow
from domain.crane import Crane, CraneType, Site
from domain.moments import today_in
from domain.registration import CraneTypeRow
from store.statement import Sites, Statement, run_async


@dataclass(frozen=True, kw_only=True, slots=True)
class Spec:
    """What is known of a site or a type."""

    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneInScope:
    """One crane by what every answer about it needs."""

    crane_id: int
    name: str
    registered_at: datetime
    draft: bool
    type_name: str
    site_name: str
    time_zone: str  # IANA name of the zone in which its days begin

    def today(self) -> date:
        """The local day on which it is."""
        return today_in(self.time_zone)


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneKnown(CraneInScope):
    """One crane with the specs of itself, its type and its site as JSON."""

    spec: str
    type_spec: str
    site_spec: str

    def crane(self) -> Crane:
        """As a domain value."""
        kind = _crane_type(self.type_spec)
        return Crane.model_validate({**orjson.loads(self.spec), "type": kind, "site": self.site_name})

    def site(self) -> Site:
        """As a domain value."""
        return Site.model_validate_json(self.site_spec)


@lru_cache(maxsize=64)
def _crane_type(spec: str) -> CraneType:
    # Many cranes are of one type, and its load charts take a thousand times longer to check than to compare as text.
    return CraneType.model_validate_json(spec)


@dataclass(frozen=True, kw_only=True, slots=True)
class LiveRow:
    """Last known values of one crane; None before its first message."""

    crane: str
    online: bool
    at: datetime | None
    received_at: datetime | None
    last_values: dict[str, float | None] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class QuarantineListing:
    """One message set aside, with its first bytes."""

    quarantine_id: int
    received_at: datetime
    topic: str
    crane: str | None
    reason: str
    detail: str
    raw_bytes: int
    raw_start: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class Quarantined:
    """Messages set aside in a time range."""

    quarantined: int


CRANE_ROWS: Final = Statement("crane_rows", CraneRow)
CRANES_IN_SCOPE: Final = Statement("cranes_in_scope", CraneInScope)
CRANE_KNOWN: Final = Statement("crane_known", CraneKnown)
SITES_IN_SCOPE: Final = Statement("sites_in_scope", Spec)
TYPES_LISTED: Final = Statement("crane_types_listed", CraneTypeRow)
TYPE_BY_NAME: Final = Statement("crane_type_by_name", Spec)
LIVE_ROWS: Final = Statement("live_rows", LiveRow)
EVENT_ROWS: Final = Statement("event_rows", EventRow)
FAULT_ROWS: Final = Statement("fault_rows", FaultRow)
QUARANTINE_ROWS: Final = Statement("quarantine_rows", QuarantineListing)
QUARANTINED_COUNT: Final = Statement("quarantined_count", Quarantined)


async def crane_rows(
    conn: AsyncConnection[Any], sites: Sites, *, after: str = "", rows: int = 200
) -> list[CraneRow]:
    """Cranes by name, after a name."""
    return await CRANE_ROWS.all_async(conn, sites=sites, after=after, rows=rows)


async def crane_in_scope(conn: AsyncConnection[Any], crane: str, sites: Sites) -> CraneInScope | None:
    """One crane; None when there is none with that name or its site is out of scope."""
    return await CRANES_IN_SCOPE.first_async(conn, cranes=[crane], sites=sites)


async def cranes_in_scope(
    conn: AsyncConnection[Any], cranes: Sequence[str], sites: Sites
) -> list[CraneInScope]:
    """Those of some names that are there and in scope, by name."""
    return await CRANES_IN_SCOPE.all_async(conn, cranes=list(cranes), sites=sites)


async def sites_in_scope(conn: AsyncConnection[Any], sites: Sites) -> list[Site]:
    """Sites by name."""
    return [Site.model_validate(row.spec) for row in await SITES_IN_SCOPE.all_async(conn, sites=sites)]


async def type_rows(
    conn: AsyncConnection[Any], sites: Sites, *, after: str = "", rows: int = 200
) -> list[CraneTypeRow]:
    """Crane types by name, after a name."""
    return await TYPES_LISTED.all_async(conn, sites=sites, after=after, rows=rows)


async def crane_type(conn: AsyncConnection[Any], name: str) -> CraneType | None:
    """One crane type; None without it."""
    row = await TYPE_BY_NAME.first_async(conn, name=name)
    return None if row is None else CraneType.model_validate(row.spec)


async def event_rows(
    conn: AsyncConnection[Any],
    sites: Sites,
    time_from: datetime,
    time_to: datetime,
    *,
    crane: str | None = None,
    kinds: list[str] | None = None,
    before: tuple[datetime, str, int, int] | None = None,
    rows: int = 500,
) -> list[EventRow]:
    """Events in [time_from, time_to), newest first; `before` is the key of the last row of the page before."""
    at, name, boot, seq = before or (None, None, None, None)
    return await EVENT_ROWS.all_async(
        conn,
        sites=sites,
        time_from=time_from,
        time_to=time_to,
        crane=crane,
        kinds=kinds,
        before_at=at,
        before_crane=name,
        before_boot=boot,
        before_seq=seq,
        rows=rows,
    )


async def quarantined_count(
    conn: AsyncConnection[Any], sites: Sites, time_from: datetime, time_to: datetime
) -> int:
    """How many messages were set aside in [time_from, time_to)."""
    row = await QUARANTINED_COUNT.first_async(conn, sites=sites, time_from=time_from, time_to=time_to)
    return 0 if row is None else row.quarantined


async def drop_plan(conn: AsyncConnection[Any], crane_id: int, name: str) -> bool:
    """Forget an interval of service of this crane alone; False when it has none of that name."""
    return await run_async(conn, "crane_plan_dropped", crane_id=crane_id, name=name) == 1
