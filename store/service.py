"""Service intervals by operating hours, lifts and calendar, whichever comes first, and what was done."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection

from domain.errors import NotFound
from domain.maintenance import ServiceDoneRow
from store.sql import query
from store.statement import Statement, run_async


@dataclass(frozen=True, kw_only=True, slots=True)
class ServiceState:
    """One interval of one crane: use since it was last done, and use of late for the forecast (duty.service)."""

    crane: str
    plan_id: int
    plan: str
    every_hours: float | None
    every_lifts: int | None
    every_days: int | None
    note: str
    done_at: datetime | None
    done_by: str | None
    counted_from: datetime  # done_at, or registration when never done
    hours_since: float
    lifts_since: int
    hours_of_late: float
    lifts_of_late: int
    late_days: int


LATE_DAYS: Final = 90
SERVICE_STATES: Final = Statement("service_states", ServiceState)
SERVICE_DONE: Final = Statement("service_done_read", ServiceDoneRow)


async def service_states(
    conn: AsyncConnection[Any], *, today: date, crane: str | None = None
) -> list[ServiceState]:
    """Every interval of one crane or of the fleet; use of late is that of the last LATE_DAYS days."""
    return await SERVICE_STATES.all_async(conn, today=today, crane=crane, late_days=LATE_DAYS)


async def write_service_plan(
    conn: AsyncConnection[Any],
    *,
    name: str,
    every_hours: float | None = None,
    every_lifts: int | None = None,
    every_days: int | None = None,
    type: str | None = None,  # noqa: A002
    crane: str | None = None,
    note: str = "",
) -> None:
    """Enters an interval for one crane, one type or (neither given) the fleet, replacing one of the same name."""
    written = await run_async(
        conn,
        "service_plan_written",
        name=name,
        every_hours=every_hours,
        every_lifts=every_lifts,
        every_days=every_days,
        type=type,
        crane=crane,
        note=note,
    )
    if written == 0:
        raise NotFound(f"no crane is named {crane!r} or no crane type {type!r}: the interval was not entered")


async def drop_service_plan(conn: AsyncConnection[Any], plan_id: int) -> bool:
    """Forgets an interval and what was done under it; False when there is none with that id."""
    return await run_async(conn, "service_plan_dropped", plan_id=plan_id) == 1


async def write_service_done(
    conn: AsyncConnection[Any], *, crane: str, plan_id: int, done_at: datetime, done_by: str, note: str = ""
) -> int:
    """Enters that a service was done; its number."""
    row = await (
        await conn.execute(
            query("service_done_written"),
            {"crane": crane, "plan_id": plan_id, "done_at": done_at, "done_by": done_by, "note": note},
        )
    ).fetchone()
    if row is None:
        raise NotFound(f"no crane is named {crane!r}")
    return int(row[0])
