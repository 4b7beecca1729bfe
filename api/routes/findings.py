"""What is wrong with the readings of one crane, or of every crane in scope, over whole local days."""

from typing import Annotated, Final

from fastapi import APIRouter, Query

from answers.findings import finding_row, findings_of
from api.bounds import DayFrom, DayTo, at_most, day_range
from api.deps import Caller, Conn, SeenCrane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.findings import FindingCode, FindingRow
from store import findings

router = APIRouter(tags=["maintenance"], route_class=TableRoute)

DEFAULT_DAYS: Final = 28
LONGEST_DAYS: Final = 366  # of the fleet; of a crane its whole record
OfCode = Annotated[FindingCode | None, Query(description="of this code only")]


@router.get("/cranes/{name}/findings", dependencies=[VIEWER])
async def list_findings(
    crane: SeenCrane,
    conn: Conn,
    caller: Caller,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> Page[FindingRow]:
    """What is wrong with the readings of a crane: one row for each code and channel; the last 28 days by default."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=crane.time_zone)
    return Page(items=await findings_of(conn, caller.site_list, chosen, crane=crane.name))


@router.get("/findings", dependencies=[VIEWER])
async def list_fleet_findings(
    conn: Conn,
    caller: Caller,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    code: OfCode = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[FindingRow]:
    """What is wrong with the readings of the cranes that you may see, by crane and code; the last 28 days by default."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone="UTC")
    at_most(chosen, LONGEST_DAYS, "findings of a fleet are listed")
    after = decode_cursor(cursor, (str, str, str))
    rows = await findings.findings(
        conn,
        caller.site_list,
        chosen.first,
        chosen.last,
        code=code,
        after=None if after is None else (after[0], after[1], after[2]),
        rows=limit + 1,
    )
    keys = [(row.crane, row.code, row.channel) for row in rows]
    return page([finding_row(row) for row in rows], limit, keys)
