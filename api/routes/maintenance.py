"""The record by day with its gaps, faults and overrides of the fleet, weld details, and service."""

from datetime import timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Query

from answers.service import open_faults, service_of, service_of_fleet
from api.bounds import (
    LIST_RANGE_MAX,
    DayFrom,
    DayTo,
    EntryName,
    TimeFrom,
    TimeTo,
    at_most,
    chosen_days,
    day_range,
    time_range,
)
from api.deps import Caller, Conn, SeenCrane, SeenCranes
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.detail import DetailSpec
from domain.errors import InvalidInput, NotFound
from domain.maintenance import (
    CraneDayRow,
    DayRow,
    DetailAsked,
    DetailEntry,
    GapRow,
    OpenFaultRow,
    OverrideRow,
    ServiceDoneAsked,
    ServiceDoneRow,
    ServicePlanAsked,
    ServicePlanEntry,
    ServiceRow,
)
from domain.moments import now_utc
from store import details, duty, faults, reading, service

router = APIRouter(tags=["maintenance"], route_class=TableRoute)
writes = APIRouter(tags=["maintenance"])

DEFAULT_DAYS: Final = 28
LONGEST_DAYS: Final = 92  # of fifty cranes: some thousand rows


@router.get("/cranes/{name}/days", dependencies=[VIEWER, PERSONAL])
async def list_days(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> Page[DayRow]:
    """Figures by local day, both ends included; the whole recorded life without days."""
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    rows = await duty.days(conn, crane.name, chosen.first, chosen.last)
    return Page(items=tuple(rows))


@router.get("/days", dependencies=[VIEWER, PERSONAL])
async def list_days_of_cranes(
    cranes: SeenCranes, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> Page[CraneDayRow]:
    """Figures of the named cranes by local day, both ends included; the last 28 days when none are given."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=cranes[0].time_zone)
    at_most(chosen, LONGEST_DAYS, "several cranes are listed")
    rows = await duty.days_of(conn, [crane.name for crane in cranes], chosen.first, chosen.last)
    return Page(items=tuple(rows))


@router.get("/cranes/{name}/gaps", dependencies=[VIEWER, PERSONAL])
async def list_gaps(crane: SeenCrane, conn: Conn, time_from: TimeFrom, time_to: TimeTo) -> Page[GapRow]:
    """Time missing from the record in a range, with causes."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await duty.GAPS_READ.all_async(conn, crane=crane.name, time_from=span.start, time_to=span.end)
    return Page(items=tuple(rows))


@router.get("/faults", dependencies=[VIEWER, PERSONAL])
async def list_open_faults(conn: Conn, caller: Caller) -> Page[OpenFaultRow]:
    """Every open fault of the cranes that you may see, oldest first."""
    return Page(items=await open_faults(conn, caller.site_list))


@router.get("/cranes/{name}/overrides", dependencies=[VIEWER, PERSONAL])
async def list_overrides(
    crane: SeenCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    limit: Annotated[int, Query(ge=1, le=1000)] = 500,
) -> Page[OverrideRow]:
    """Uses of the limiter override in a range, newest first, with what the crane was doing."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await faults.OVERRIDES.all_async(
        conn, time_from=span.start, time_to=span.end, crane=crane.name, rows=limit
    )
    return Page(items=tuple(rows))


@router.get("/cranes/{name}/details", dependencies=[VIEWER, PERSONAL])
async def list_details(crane: SeenCrane, conn: Conn) -> Page[DetailEntry]:
    """Weld details that apply to a crane, the default one first."""
    return Page(items=tuple(await details.DETAILS_OF.all_async(conn, crane=crane.name)))


@writes.get("/cranes/{name}/details/{entry}", dependencies=[VIEWER, PERSONAL])
async def show_detail(crane: SeenCrane, entry: EntryName, conn: Conn) -> DetailEntry:
    """The weld detail of a name that applies to a crane, its own before that of its type; its ETag guards a change."""
    rows = [row for row in await details.DETAILS_OF.all_async(conn, crane=crane.name) if row.name == entry]
    if not rows:
        raise NotFound(f"no weld detail {entry!r} applies to {crane.name}: see its details")
    return max(rows, key=lambda row: row.detail_id)


@writes.put("/cranes/{name}/details/{entry}", status_code=204, dependencies=[ENGINEER])
async def write_detail(
    crane: SeenCrane, entry: EntryName, asked: DetailAsked, conn: Conn, caller: Caller
) -> None:
    """Enter a weld detail for this crane, replacing its own of that name. Damage follows at once, without a recount."""
    await details.write_detail(
        conn,
        name=entry,
        spec=asked.model_dump(mode="json", include=set(DetailSpec.model_fields)),
        entered_by=caller.account,
        crane=crane.name,
        is_default=asked.is_default,
    )


@writes.delete("/cranes/{name}/details/{entry}", status_code=204, dependencies=[ENGINEER])
async def drop_detail(crane: SeenCrane, entry: EntryName, conn: Conn) -> None:
    """Forget a weld detail that was entered for this crane alone."""
    if not await details.drop_detail(conn, crane.crane_id, entry):
        raise NotFound(f"{crane.name} has no weld detail {entry!r} of its own")


@router.get("/cranes/{name}/service", dependencies=[VIEWER, PERSONAL])
async def list_service(crane: SeenCrane, conn: Conn) -> Page[ServiceRow]:
    """Intervals of service that apply to a crane, with the day on which each falls due."""
    return Page(items=await service_of(conn, crane))


@router.get("/service", dependencies=[VIEWER, PERSONAL])
async def list_fleet_service(conn: Conn, caller: Caller) -> Page[ServiceRow]:
    """Intervals of service of every crane that you may see, with the day on which each falls due."""
    return Page(items=await service_of_fleet(conn, caller.site_list))


@writes.get("/cranes/{name}/service/{entry}", dependencies=[VIEWER])
async def show_plan(crane: SeenCrane, entry: EntryName, conn: Conn) -> ServicePlanEntry:
    """The interval of service of a name that applies to a crane, as it is entered; its ETag guards a change."""
    states = await service.service_states(conn, today=crane.today(), crane=crane.name)
    rows = [state for state in states if state.plan == entry]
    if not rows:
        raise NotFound(f"no interval {entry!r} applies to {crane.name}: see its service")
    return ServicePlanEntry.model_validate(max(rows, key=lambda row: row.plan_id), from_attributes=True)


@writes.put("/cranes/{name}/service/{entry}", status_code=204, dependencies=[ENGINEER])
async def write_plan(crane: SeenCrane, entry: EntryName, asked: ServicePlanAsked, conn: Conn) -> None:
    """Enter an interval of service for this crane, replacing its own of that name."""
    await service.write_service_plan(conn, name=entry, crane=crane.name, **asked.model_dump())


@writes.delete("/cranes/{name}/service/{entry}", status_code=204, dependencies=[ENGINEER])
async def drop_plan(crane: SeenCrane, entry: EntryName, conn: Conn) -> None:
    """Forget an interval of service that was entered for this crane alone, and what was done under it."""
    if not await reading.drop_plan(conn, crane.crane_id, entry):
        raise NotFound(f"{crane.name} has no interval {entry!r} of its own")


@router.get("/cranes/{name}/service-done", dependencies=[VIEWER, PERSONAL])
async def list_service_done(crane: SeenCrane, conn: Conn) -> Page[ServiceDoneRow]:
    """Services done on a crane, newest first."""
    return Page(items=tuple(await service.SERVICE_DONE.all_async(conn, crane=crane.name)))


@writes.post("/cranes/{name}/service-done", status_code=201, dependencies=[ENGINEER])
async def write_service_done(
    crane: SeenCrane, asked: ServiceDoneAsked, conn: Conn, caller: Caller
) -> ServiceDoneRow:
    """Enter that a service was done: its interval begins anew."""
    today = now_utc()
    if not crane.registered_at <= asked.done_at <= today + timedelta(days=1):
        raise InvalidInput("done_at lies before the crane was registered, or in the future", field="done_at")
    states = await service.service_states(conn, today=today.date(), crane=crane.name)
    if asked.plan_id not in {state.plan_id for state in states}:
        raise NotFound(f"no interval {asked.plan_id} applies to {crane.name}: see its service")
    done_id = await service.write_service_done(
        conn,
        crane=crane.name,
        plan_id=asked.plan_id,
        done_at=asked.done_at,
        done_by=caller.account,
        note=asked.note,
    )
    rows = await service.SERVICE_DONE.all_async(conn, crane=crane.name)
    return next(one for one in rows if one.done_id == done_id)
