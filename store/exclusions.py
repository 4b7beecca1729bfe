"""Excluded spans of cranes: entered, taken back, listed; the days that they touch are queued to be counted again."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from psycopg import AsyncConnection, Connection

from domain.errors import NotFound
from domain.exclusion import ExclusionAsked, ExclusionRow
from store.columns import to_ms
from store.sql import query
from store.statement import Sites, Statement
from store.touched import local_days


@dataclass(frozen=True, kw_only=True, slots=True)
class Excluded:
    """What counting needs of an exclusion in force."""

    channel: str | None
    from_at: datetime
    to_at: datetime
    readings_false: bool


EXCLUSIONS_LISTED: Final = Statement("exclusions_listed", ExclusionRow)
EXCLUSIONS_IN_FORCE: Final = Statement("exclusions_in_force", Excluded)


def exclude(
    conn: Connection[Any], crane_id: int, zone: ZoneInfo, asked: ExclusionAsked, account: str
) -> tuple[ExclusionRow, list[date]]:
    """Enter an exclusion, or find the same one in force, and queue its days: the row with these days."""
    row = conn.execute(
        query("exclusion_added"),
        {
            "crane_id": crane_id,
            **asked.model_dump(include={"from_at", "to_at", "readings_false"}),
            "channel": None if asked.channel is None else str(asked.channel),
            "reason": asked.reason.strip(),
            "entered_by": account,
        },
    ).fetchone()
    if row is None:
        raise NotFound("the exclusion was taken back just now: ask again")
    return _touched(conn, crane_id, zone, int(row[0]))


def withdraw(
    conn: Connection[Any], crane_id: int, zone: ZoneInfo, exclusion_id: int, account: str
) -> tuple[ExclusionRow, list[date]]:
    """Take an exclusion back and queue its days; harmless when it was taken back before. Raises NotFound."""
    params = {"crane_id": crane_id, "exclusion_id": exclusion_id, "account": account}
    if conn.execute(query("exclusion_withdrawn"), params).fetchone() is None:
        return _one(conn, crane_id, exclusion_id), []
    return _touched(conn, crane_id, zone, exclusion_id)


def listed(conn: Connection[Any], crane_id: int | None = None) -> list[ExclusionRow]:
    """Every exclusion of one crane or of the fleet, newest first, those taken back included."""
    return EXCLUSIONS_LISTED.all(conn, **_asked(crane_id=crane_id, rows=10_000))


async def exclusions(
    conn: AsyncConnection[Any],
    *,
    crane_id: int | None = None,
    exclusion_id: int | None = None,
    sites: Sites = None,
    time_from: datetime | None = None,
    time_to: datetime | None = None,
    before: int | None = None,
    rows: int = 200,
) -> list[ExclusionRow]:
    """Exclusions of one crane or of the sites in scope, newest first, those taken back included."""
    asked = _asked(crane_id, exclusion_id, sites, time_from, time_to, before, rows)
    return await EXCLUSIONS_LISTED.all_async(conn, **asked)


def _asked(
    crane_id: int | None = None,
    exclusion_id: int | None = None,
    sites: Sites = None,
    time_from: datetime | None = None,
    time_to: datetime | None = None,
    before: int | None = None,
    rows: int = 200,
) -> dict[str, Any]:
    return {
        "crane_id": crane_id,
        "exclusion_id": exclusion_id,
        "sites": sites,
        "time_from": time_from,
        "time_to": time_to,
        "before": before,
        "rows": rows,
    }


def _one(conn: Connection[Any], crane_id: int, exclusion_id: int) -> ExclusionRow:
    row = EXCLUSIONS_LISTED.first(conn, **_asked(crane_id=crane_id, exclusion_id=exclusion_id))
    if row is None:
        raise NotFound(f"this crane has no exclusion {exclusion_id}: see its list of exclusions")
    return row


def _touched(
    conn: Connection[Any], crane_id: int, zone: ZoneInfo, exclusion_id: int
) -> tuple[ExclusionRow, list[date]]:
    row = _one(conn, crane_id, exclusion_id)
    days = local_days(zone, to_ms(row.from_at), to_ms(row.to_at) - 1)
    return row, touch_between(conn, crane_id, days[0], days[-1])


def touch_between(conn: Connection[Any], crane_id: int, first_day: date, last_day: date) -> list[date]:
    """Queue the days of a crane in a range that were counted or wait, both ends included; which."""
    params = {"crane_id": crane_id, "first_day": first_day, "last_day": last_day}
    days = [day for (day,) in conn.execute(query("days_between_touched"), params).fetchall()]
    if days:
        conn.execute(query("touched_told"))
    return days
