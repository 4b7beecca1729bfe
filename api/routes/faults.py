"""Faults: episodes with what the crane was doing, Pareto lists, their company with overloads, the catalogue of codes; what is wrong with readings."""

from typing import Annotated, Final

from anyio import to_thread
from fastapi import APIRouter, Query, Request

from answers.faults import episodes_of, fault_pareto, faults_and_overloads
from answers.findings import finding_row, findings_of
from api.bounds import LIST_RANGE_MAX, DayFrom, DayTo, TimeFrom, TimeTo, at_most, day_range, time_range
from api.deps import Caller, Conn, SeenCrane, no_crane, written
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER_OF_ALL_SITES, PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.fault_answers import (
    FaultEpisodeRow,
    FaultPareto,
    FaultsAndOverloadsAnswer,
    StatusCodeRow,
    StatusCodesAsked,
    StatusCodesImported,
)
from domain.findings import FindingCode, FindingRow
from domain.messages import CRANE_NAME_PATTERN
from domain.moments import FURTHEST_EAST
from duty.status_csv import read_codes
from store import faults, findings, reading
from transfer.history import refuse

router = APIRouter(tags=["records"])
listed = APIRouter(tags=["records"], route_class=TableRoute)

RepeatDays = Annotated[
    int, Query(ge=1, le=366, description="a code that comes again within so many days is a repeat")
]
OneCrane = Annotated[
    str | None, Query(alias="crane", pattern=CRANE_NAME_PATTERN, description="of this crane alone")
]


@listed.get("/cranes/{name}/fault-episodes", dependencies=[VIEWER, PERSONAL])
async def list_fault_episodes(
    crane: SeenCrane, conn: Conn, time_from: TimeFrom, time_to: TimeTo, repeat_days: RepeatDays = 7
) -> Page[FaultEpisodeRow]:
    """Faults of a crane from raised to cleared that touch a range, open ones first, with what it was doing."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    return Page(items=await episodes_of(conn, crane.name, span, repeat_days))


@router.get("/faults/pareto", dependencies=[VIEWER])
async def show_fault_pareto(
    conn: Conn,
    caller: Caller,
    time_from: TimeFrom,
    time_to: TimeTo,
    crane: OneCrane = None,
    repeat_days: RepeatDays = 7,
) -> FaultPareto:
    """Faults raised in a range by code and by crane, most first, with repeats and working hours between."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    return await fault_pareto(conn, caller.site_list, span, crane, repeat_days)


@router.get("/faults/overloads", dependencies=[VIEWER])
async def show_faults_and_overloads(
    conn: Conn, caller: Caller, crane: OneCrane = None, day_from: DayFrom = None, day_to: DayTo = None
) -> FaultsAndOverloadsAnswer:
    """Whether faults come on days with overloads, with the uncertainty of that; last 365 days by default."""
    chosen = day_range(day_from, day_to, default_days=365, zone="UTC")
    if crane is not None and await reading.crane_in_scope(conn, crane, caller.site_list) is None:
        raise no_crane(crane)
    return await faults_and_overloads(conn, caller.site_list, chosen, crane)


@listed.get("/status-codes", dependencies=[VIEWER])
async def list_status_codes(conn: Conn) -> Page[StatusCodeRow]:
    """The catalogue of status codes that was imported."""
    rows = await faults.STATUS_CODES.all_async(conn)
    return Page(items=tuple(rows))


@router.post("/status-codes", dependencies=[ENGINEER_OF_ALL_SITES])
async def import_status_codes(
    asked: StatusCodesAsked, request: Request, caller: Caller
) -> StatusCodesImported:
    """Enter a catalogue of status codes, replacing codes that stand in it. With a problem in any line nothing is kept."""
    found = await to_thread.run_sync(read_codes, asked.csv)
    refuse([f"line {one.line}: {one.text}" if one.line else one.text for one in found.problems])
    if not asked.check_only:
        await written(
            request,
            caller,
            lambda own: faults.enter_status_codes(own, found.codes, source=asked.source, type=asked.type),
        )
    return StatusCodesImported(codes=len(found.codes), stored=not asked.check_only)


findings_router = APIRouter(tags=["maintenance"], route_class=TableRoute)

FINDINGS_DAYS: Final = 28
LONGEST_DAYS: Final = 366  # of the fleet; of a crane its whole record
OfCode = Annotated[FindingCode | None, Query(description="of this code only")]


@findings_router.get("/cranes/{name}/findings", dependencies=[VIEWER])
async def list_findings(
    crane: SeenCrane,
    conn: Conn,
    caller: Caller,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> Page[FindingRow]:
    """What is wrong with the readings of a crane: one row for each code and channel; the last 28 days by default."""
    chosen = day_range(day_from, day_to, default_days=FINDINGS_DAYS, zone=crane.time_zone)
    return Page(items=await findings_of(conn, caller.site_list, chosen, crane=crane.name))


@findings_router.get("/findings", dependencies=[VIEWER])
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
    chosen = day_range(day_from, day_to, default_days=FINDINGS_DAYS, zone=FURTHEST_EAST)
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
