"""What is wrong with the readings of one crane, or of every crane in scope, over whole local days."""

from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from psycopg import AsyncConnection

from api.bounds import DayFrom, DayTo, at_most, day_range
from api.deps import Caller, Conn, SeenCrane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.channels import CHANNEL_BY_NAME
from domain.findings import FINDING_WORDS, FindingCode, FindingRow
from store import findings
from store.access import Principal
from store.findings import FindingSpan

router = APIRouter(tags=["maintenance"], route_class=TableRoute)

DEFAULT_DAYS: Final = 28
REPORT_ROWS: Final = 500
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
    rows = await findings.findings(conn, caller.site_list, chosen.first, chosen.last, crane=crane.name)
    return Page(items=tuple(map(finding_row, rows)))


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


async def findings_for_report(
    conn: AsyncConnection[Any], caller: Principal, first: date, last: date, crane: str | None = None
) -> list[FindingRow]:
    """The first REPORT_ROWS findings of the cranes in scope, or of one."""
    rows = await findings.findings(conn, caller.site_list, first, last, crane=crane, rows=REPORT_ROWS)
    return [finding_row(row) for row in rows]


def finding_row(row: FindingSpan) -> FindingRow:
    """A finding with its words."""
    words = FINDING_WORDS[FindingCode(row.code)]
    return FindingRow(
        crane=row.crane,
        code=FindingCode(row.code),
        title=words.title,
        channel=row.channel,
        day_from=row.day_from,
        day_to=row.day_to,
        days=row.days,
        from_at=row.from_at,
        to_at=row.to_at,
        size=row.size,
        unit=words.unit,
        least=row.least,
        most=row.most,
        figures=words.figures,
        moves=words.moves,
        consequence=_extent(row) + words.consequence,
        next_step=words.next_step,
    )


def _extent(row: FindingSpan) -> str:
    if row.least is None or row.most is None:
        return ""
    channel = CHANNEL_BY_NAME[row.channel]
    return (
        f"{row.channel} from {row.least:g} to {row.most:g} {channel.unit}; {channel.low:g} to {channel.high:g} are accepted"
        " unless set otherwise. "
    )
