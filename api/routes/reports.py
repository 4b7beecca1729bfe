"""Reports to print and sign."""

from datetime import UTC, datetime, time, timedelta
from typing import Annotated, Final

from anyio import to_thread
from fastapi import APIRouter, Query, Response

from answers.findings import findings_of
from answers.life import life_of
from answers.life_records import records_of, register_of
from answers.service import open_faults, service_of
from answers.spectrum import spectrum_of
from api.bounds import DayFrom, DayTo, chosen_days, day_range
from api.deps import PDF, PDF_ANSWER, AtAGlance, Caller, Conn, KnownCrane, file_response
from api.permissions import PERSONAL, VIEWER
from domain.moments import today_in
from reports.duty_report import DutyReport, duty_report_pdf
from reports.fleet_report import FleetReport, fleet_report_pdf
from store import duty, exclusions, reading, summary
from store.descriptions import descriptions

router = APIRouter(tags=["reports"])

TYPES_MAX: Final = 10_000
MOST_EXCLUSIONS: Final = 1000
MOST_FINDINGS: Final = 500
MOST_OVERLOADS: Final = 200  # in a report; the numbers beside them are of all


@router.get("/fleet/report", response_class=Response, responses=PDF_ANSWER, dependencies=[VIEWER])
async def fleet_report(
    conn: Conn,
    caller: Caller,
    at_a_glance: AtAGlance,
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> Response:
    """Report of the fleet that you may see over whole local days as PDF/UA: near limit, life, open faults, service.

    The same numbers as the routes of fleet and faults; unchanged answers give the same bytes.
    """
    span = day_range(day_from, day_to, default_days=days, zone="UTC")
    fleet = (await at_a_glance.read(conn, caller.sites, span)).answer
    report = FleetReport(
        fleet=fleet,
        faults=await open_faults(conn, caller.site_list),
        findings=await findings_of(conn, caller.site_list, span, rows=MOST_FINDINGS),
        overloads=await register_of(conn, rows=MOST_OVERLOADS, sites=caller.site_list, is_open=True),
        sites=caller.sites,
        today=today_in(),
        invented=frozenset(
            row.name
            for row in await reading.type_rows(conn, caller.site_list, rows=TYPES_MAX)
            if row.invented
        ),
    )
    pdf = await to_thread.run_sync(fleet_report_pdf, report)
    return file_response(pdf, PDF, f"fleet-{fleet.day_from}-{fleet.day_to}.pdf", inline=True)


@router.get(
    "/cranes/{name}/report", response_class=Response, responses=PDF_ANSWER, dependencies=[VIEWER, PERSONAL]
)
async def duty_report(
    crane: KnownCrane, conn: Conn, caller: Caller, day_from: DayFrom = None, day_to: DayTo = None
) -> Response:
    """Duty report of a crane over whole local days as PDF/UA: record, class of use, life, damage, limiter, faults.

    The same numbers as the routes of spectrum, life and days; unchanged counts give the same bytes.
    """
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    found = await summary.CRANE_SUMMARY.first_async(conn, crane=crane.name)
    since = datetime.combine(chosen.first, time(), UTC) - timedelta(days=1)
    report = DutyReport(
        crane=crane.crane(),
        time_zone=crane.time_zone,
        spectrum=await spectrum_of(conn, crane, chosen),
        life=await life_of(conn, crane),
        days=await duty.days(conn, crane.name, chosen.first, chosen.last),
        faults=tuple(await reading.FAULT_ROWS.all_async(conn, crane_id=crane.crane_id, time_from=since)),
        service=await service_of(conn, crane),
        exclusions=await exclusions.exclusions(conn, crane_id=crane.crane_id, rows=MOST_EXCLUSIONS),
        records=await records_of(conn, crane),
        descriptions=await descriptions(conn, crane.crane_id),
        findings=await findings_of(conn, caller.site_list, chosen, crane=crane.name, rows=MOST_FINDINGS),
        overloads=await register_of(conn, rows=MOST_OVERLOADS, crane_id=crane.crane_id),
        counted_at=(found.counted_at if found else None) or crane.registered_at,
    )
    pdf = await to_thread.run_sync(duty_report_pdf, report)
    return file_response(pdf, PDF, f"duty-{crane.name}.pdf", inline=True)
