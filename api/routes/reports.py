"""Reports to print and sign."""

from datetime import UTC, datetime, time, timedelta
from typing import Annotated, Final

from anyio import to_thread
from fastapi import APIRouter, Depends, Query, Response

from api.bounds import DayFrom, DayTo
from api.deps import Caller, Conn, KnownCrane
from api.permissions import VIEWER
from api.routes.descriptions import list_descriptions
from api.routes.exclusions import list_crane_exclusions
from api.routes.findings import findings_for_report
from api.routes.fleet import FleetAnswers, get_answers, made_fleet
from api.routes.life import show_life
from api.routes.life_records import list_life_records
from api.routes.maintenance import DueBook, get_due_book, list_days, list_open_faults, list_service
from api.routes.overloads import list_crane_overloads, list_overloads
from api.routes.spectrum import chosen_days, show_spectrum
from domain.answers import FaultRow
from domain.overload import OverloadRow, OverloadState
from reports.duty_report import DutyReport, duty_report_pdf
from reports.fleet_report import FleetReport, fleet_report_pdf
from store import reading, summary

router = APIRouter(tags=["reports"])

TYPES_MAX: Final = 10_000
MOST_EXCLUSIONS: Final = 1000
MOST_OVERLOADS: Final = 200  # in a report; the numbers beside them are of all


@router.get(
    "/fleet/report",
    dependencies=[VIEWER],
    response_class=Response,
    responses={200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}},
)
async def fleet_report(
    conn: Conn,
    caller: Caller,
    due_book: Annotated[DueBook, Depends(get_due_book)],
    answers: Annotated[FleetAnswers, Depends(get_answers)],
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> Response:
    """Report of the fleet that you may see over whole local days as PDF/UA: near limit, life, open faults, service.

    The same numbers as the routes of fleet and faults; unchanged answers give the same bytes.
    """
    fleet = (await made_fleet(conn, caller, due_book, answers, days, day_from, day_to)).answer
    report = FleetReport(
        fleet=fleet,
        faults=(await list_open_faults(conn, caller)).items,
        findings=await findings_for_report(conn, caller, fleet.day_from, fleet.day_to),
        overloads=(await list_overloads(conn, caller, OverloadState.OPEN, limit=MOST_OVERLOADS)).items,
        sites=caller.sites,
        today=datetime.now(UTC).date(),
        invented=frozenset(
            row.name
            for row in await reading.type_rows(conn, caller.site_list, rows=TYPES_MAX)
            if row.invented
        ),
    )
    pdf = await to_thread.run_sync(fleet_report_pdf, report)
    name = f"fleet-{report.fleet.day_from}-{report.fleet.day_to}.pdf"
    return Response(
        pdf, media_type="application/pdf", headers={"content-disposition": f'inline; filename="{name}"'}
    )


@router.get(
    "/cranes/{name}/report",
    dependencies=[VIEWER],
    response_class=Response,
    responses={200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}}},
)
async def duty_report(
    crane: KnownCrane, conn: Conn, caller: Caller, day_from: DayFrom = None, day_to: DayTo = None
) -> Response:
    """Duty report of a crane over whole local days as PDF/UA: record, class of use, life, damage, limiter, faults.

    The same numbers as the routes of spectrum, life and days; unchanged counts give the same bytes.
    """
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    found = await summary.crane_summary(conn, crane.name)
    since = datetime.combine(chosen.first, time(), UTC) - timedelta(days=1)
    report = DutyReport(
        crane=crane.crane(),
        time_zone=crane.time_zone,
        spectrum=await show_spectrum(crane, conn, day_from, day_to),
        life=await show_life(crane, conn),
        days=(await list_days(crane, conn, day_from, day_to)).items,
        faults=[
            FaultRow.model_validate(row, from_attributes=True)
            for row in await reading.fault_rows(conn, crane.crane_id, since)
        ],
        service=(await list_service(crane, conn)).items,
        exclusions=(await list_crane_exclusions(crane, conn, limit=MOST_EXCLUSIONS)).items,
        records=(await list_life_records(crane, conn)).items,
        descriptions=(await list_descriptions(crane, conn)).items,
        findings=await findings_for_report(conn, caller, chosen.first, chosen.last, crane.name),
        overloads=await _overloads(crane, conn),
        counted_at=(found.counted_at if found else None) or crane.registered_at,
    )
    pdf = await to_thread.run_sync(duty_report_pdf, report)
    name = f"duty-{crane.name}.pdf"
    return Response(
        pdf, media_type="application/pdf", headers={"content-disposition": f'inline; filename="{name}"'}
    )


async def _overloads(crane: KnownCrane, conn: Conn) -> list[OverloadRow]:
    """The register of one crane, what is open first."""
    found = [
        (await list_crane_overloads(crane, conn, state, limit=MOST_OVERLOADS)).items
        for state in (OverloadState.OPEN, OverloadState.DECIDED)
    ]
    return [row for rows in found for row in rows][:MOST_OVERLOADS]
