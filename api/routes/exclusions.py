"""Excluded spans: readings that an engineer takes out of the count, with a reason, and puts back."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Request
from psycopg import Connection

from api.deps import Caller, Conn, SeenCrane, written
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.stages import AUDIT_DETAIL
from api.tables import TableRoute
from domain.answers import Page
from domain.errors import InvalidInput, NotFound
from domain.exclusion import CountedAgain, ExclusionAsked, ExclusionDone, ExclusionRow
from domain.moments import now_utc
from store import exclusions
from store.access import Principal

router = APIRouter(tags=["exclusions"], route_class=TableRoute)
writes = APIRouter(tags=["exclusions"])
AHEAD: Final = timedelta(days=1)  # a span ends today: readings to come are judged when they are there

ExclusionId = Annotated[
    int, Path(ge=1, le=2**31 - 1, alias="exclusion_id", openapi_examples={"example": {"value": 1}})
]
Change = Callable[[Connection[Any]], tuple[ExclusionRow, list[date]]]


@router.get("/exclusions", dependencies=[VIEWER, PERSONAL])
async def list_exclusions(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[ExclusionRow]:
    """Excluded spans of the cranes that you may see, newest first, withdrawn ones included."""
    return await _page(conn, limit, cursor, sites=caller.site_list)


@router.get("/cranes/{name}/exclusions", dependencies=[VIEWER, PERSONAL])
async def list_crane_exclusions(
    crane: SeenCrane, conn: Conn, limit: Limit = 200, cursor: Cursor = None
) -> Page[ExclusionRow]:
    """Excluded spans of one crane, newest first, withdrawn ones included."""
    return await _page(conn, limit, cursor, crane_id=crane.crane_id)


@writes.get("/cranes/{name}/exclusions/{exclusion_id}", dependencies=[VIEWER, PERSONAL])
async def show_exclusion(crane: SeenCrane, exclusion_id: ExclusionId, conn: Conn) -> ExclusionRow:
    """One exclusion; its ETag guards a withdrawal."""
    rows = await exclusions.exclusions(conn, crane_id=crane.crane_id, exclusion_id=exclusion_id)
    if not rows:
        raise NotFound(f"{crane.name} has no exclusion {exclusion_id}: see its list of exclusions")
    return rows[0]


@writes.post("/cranes/{name}/exclusions", dependencies=[ENGINEER], status_code=201)
async def exclude_span(
    crane: SeenCrane, asked: ExclusionAsked, request: Request, caller: Caller
) -> ExclusionDone:
    """Exclude a span of one channel or of all. Its days are counted again, mostly within a minute.

    Time without utilisation is then in use but not recorded: it lowers the coverage, and its duty is taken at the pace of the
    crane's 90th-percentile week, never as rest. The same exclusion sent again changes nothing.
    """
    if asked.to_at > now_utc() + AHEAD:
        raise InvalidInput("to_at lies in the future: exclude what was recorded", field="to_at")
    zone = ZoneInfo(crane.time_zone)
    return await _change(
        request, caller, lambda conn: exclusions.exclude(conn, crane.crane_id, zone, asked, caller.account)
    )


@writes.delete("/cranes/{name}/exclusions/{exclusion_id}", dependencies=[ENGINEER])
async def withdraw_exclusion(
    crane: SeenCrane, exclusion_id: ExclusionId, request: Request, caller: Caller
) -> ExclusionDone:
    """Withdraw an exclusion: its readings count again. It stays in the list."""
    zone = ZoneInfo(crane.time_zone)
    return await _change(
        request,
        caller,
        lambda conn: exclusions.withdraw(conn, crane.crane_id, zone, exclusion_id, caller.account),
    )


async def _change(request: Request, caller: Principal, change: Change) -> ExclusionDone:
    row, days = await written(request, caller, change)
    done = ExclusionDone(exclusion=row, counted_again=CountedAgain.of(days))
    request.scope[AUDIT_DETAIL] = done.exclusion.model_dump(
        mode="json",
        include={"exclusion_id", "crane", "channel", "from_at", "to_at", "readings_false", "reason"},
    )
    return done


async def _page(conn: Conn, limit: int, cursor: str | None, **of: Any) -> Page[ExclusionRow]:
    before = decode_cursor(cursor, (int,))
    rows = await exclusions.exclusions(conn, before=before[0] if before else None, rows=limit + 1, **of)
    return page(rows, limit, [(row.exclusion_id,) for row in rows])
