"""The record by day with its gaps, faults and overrides of the fleet, weld details, and service."""

import asyncio
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query, Request
from psycopg import AsyncConnection

from api.bounds import LIST_RANGE_MAX, DayFrom, DayTo, TimeFrom, TimeTo, time_range
from api.deps import Caller, Conn, SeenCrane
from api.permissions import ENGINEER, VIEWER
from api.routes.spectrum import chosen_days
from api.tables import TableRoute
from domain.answers import Page
from domain.detail import DetailSpec
from domain.errors import InvalidInput, NotFound
from domain.maintenance import (
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
from duty.service import interval_due
from store import details, duty, faults, reading, service
from store.service import ServiceState
from store.site_scope import whole_fleet

router = APIRouter(tags=["maintenance"], route_class=TableRoute)
writes = APIRouter(tags=["maintenance"])

EntryName = Annotated[
    str,
    Path(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}$", openapi_examples={"example": {"value": "column foot"}}
    ),
]
DUE_FOR_S: Final = 60.0


@router.get("/cranes/{name}/days", dependencies=[VIEWER])
async def list_days(
    crane: SeenCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> Page[DayRow]:
    """Figures by local day, both ends included; the whole recorded life without days."""
    chosen = chosen_days(day_from, day_to, crane.time_zone)
    rows = await duty.days(conn, crane.name, chosen.first, chosen.last)
    return Page(items=tuple(DayRow.model_validate(row, from_attributes=True) for row in rows))


@router.get("/cranes/{name}/gaps", dependencies=[VIEWER])
async def list_gaps(crane: SeenCrane, conn: Conn, time_from: TimeFrom, time_to: TimeTo) -> Page[GapRow]:
    """Time missing from the record in a range, with causes."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await duty.gaps(conn, crane.name, span.start, span.end)
    return Page(items=tuple(GapRow.model_validate(row, from_attributes=True) for row in rows))


@router.get("/faults", dependencies=[VIEWER])
async def list_open_faults(conn: Conn, caller: Caller) -> Page[OpenFaultRow]:
    """Every open fault of the cranes that you may see, oldest first."""
    seen = {row.name for row in await reading.crane_rows(conn, caller.site_list, rows=10_000)}
    rows = [row for row in await faults.open_faults(conn) if row.crane in seen]
    return Page(items=tuple(OpenFaultRow.model_validate(row, from_attributes=True) for row in rows))


@router.get("/cranes/{name}/overrides", dependencies=[VIEWER])
async def list_overrides(
    crane: SeenCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    limit: Annotated[int, Query(ge=1, le=1000)] = 500,
) -> Page[OverrideRow]:
    """Uses of the limiter override in a range, newest first, with what the crane was doing."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await faults.overrides(conn, span.start, span.end, crane=crane.name, rows=limit)
    return Page(items=tuple(OverrideRow.model_validate(row, from_attributes=True) for row in rows))


@router.get("/cranes/{name}/details", dependencies=[VIEWER])
async def list_details(crane: SeenCrane, conn: Conn) -> Page[DetailEntry]:
    """Weld details that apply to a crane, the default one first."""
    rows = await details.details_of(conn, crane.name)
    return Page(items=tuple(DetailEntry.model_validate(row, from_attributes=True) for row in rows))


@writes.get("/cranes/{name}/details/{entry}", dependencies=[VIEWER])
async def show_detail(crane: SeenCrane, entry: EntryName, conn: Conn) -> DetailEntry:
    """The weld detail of a name that applies to a crane, its own before that of its type; its ETag guards a change."""
    rows = [row for row in await details.details_of(conn, crane.name) if row.name == entry]
    if not rows:
        raise NotFound(f"no weld detail {entry!r} applies to {crane.name}: see its details")
    return DetailEntry.model_validate(max(rows, key=lambda row: row.detail_id), from_attributes=True)


@writes.put("/cranes/{name}/details/{entry}", dependencies=[ENGINEER], status_code=204)
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


@writes.delete("/cranes/{name}/details/{entry}", dependencies=[ENGINEER], status_code=204)
async def drop_detail(crane: SeenCrane, entry: EntryName, conn: Conn) -> None:
    """Forget a weld detail that was entered for this crane alone."""
    if not await details.drop_detail(conn, crane.crane_id, entry):
        raise NotFound(f"{crane.name} has no weld detail {entry!r} of its own")


@router.get("/cranes/{name}/service", dependencies=[VIEWER])
async def list_service(crane: SeenCrane, conn: Conn) -> Page[ServiceRow]:
    """Intervals of service that apply to a crane, with the day on which each falls due."""
    today = datetime.now(ZoneInfo(crane.time_zone)).date()
    states = await service.service_states(conn, today=today, crane=crane.name)
    return Page(items=tuple(service_row(state, today) for state in states))


@router.get("/service", dependencies=[VIEWER])
async def list_fleet_service(conn: Conn, caller: Caller) -> Page[ServiceRow]:
    """Intervals of service of every crane that you may see, with the day on which each falls due."""
    today = datetime.now(UTC).date()
    seen = {row.name for row in await reading.crane_rows(conn, caller.site_list, rows=10_000)}
    states = await service.service_states(conn, today=today)
    return Page(items=tuple(service_row(state, today) for state in states if state.crane in seen))


@writes.get("/cranes/{name}/service/{entry}", dependencies=[VIEWER])
async def show_plan(crane: SeenCrane, entry: EntryName, conn: Conn) -> ServicePlanEntry:
    """The interval of service of a name that applies to a crane, as it is entered; its ETag guards a change."""
    today = datetime.now(ZoneInfo(crane.time_zone)).date()
    states = await service.service_states(conn, today=today, crane=crane.name)
    rows = [state for state in states if state.plan == entry]
    if not rows:
        raise NotFound(f"no interval {entry!r} applies to {crane.name}: see its service")
    return ServicePlanEntry.model_validate(max(rows, key=lambda row: row.plan_id), from_attributes=True)


@writes.put("/cranes/{name}/service/{entry}", dependencies=[ENGINEER], status_code=204)
async def write_plan(crane: SeenCrane, entry: EntryName, asked: ServicePlanAsked, conn: Conn) -> None:
    """Enter an interval of service for this crane, replacing its own of that name."""
    await service.write_service_plan(conn, name=entry, crane=crane.name, **asked.model_dump())


@writes.delete("/cranes/{name}/service/{entry}", dependencies=[ENGINEER], status_code=204)
async def drop_plan(crane: SeenCrane, entry: EntryName, conn: Conn) -> None:
    """Forget an interval of service that was entered for this crane alone, and what was done under it."""
    if not await reading.drop_plan(conn, crane.crane_id, entry):
        raise NotFound(f"{crane.name} has no interval {entry!r} of its own")


@router.get("/cranes/{name}/service-done", dependencies=[VIEWER])
async def list_service_done(crane: SeenCrane, conn: Conn) -> Page[ServiceDoneRow]:
    """Services done on a crane, newest first."""
    rows = await service.services_done(conn, crane.name)
    return Page(items=tuple(ServiceDoneRow.model_validate(row, from_attributes=True) for row in rows))


@writes.post("/cranes/{name}/service-done", dependencies=[ENGINEER], status_code=201)
async def write_service_done(
    crane: SeenCrane, asked: ServiceDoneAsked, conn: Conn, caller: Caller
) -> ServiceDoneRow:
    """Enter that a service was done: its interval begins anew."""
    today = datetime.now(UTC)
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
    rows = await service.services_done(conn, crane.name)
    return next(
        ServiceDoneRow.model_validate(row, from_attributes=True) for row in rows if row.done_id == done_id
    )


def service_row(state: ServiceState, today: date) -> ServiceRow:
    """One interval of one crane with its due day."""
    falls = interval_due(state, today)
    return ServiceRow(
        **{name: getattr(state, name) for name in ServiceRow.model_fields if hasattr(state, name)},
        due_on=falls.on,
        due_by=falls.by,
        overdue=falls.overdue,
    )


def earliest_due(states: Iterable[ServiceState], today: date) -> dict[str, date]:
    """By crane, the first day on which any of its services falls due."""
    found: dict[str, date] = {}
    for state in states:
        on = interval_due(state, today).on
        if on is not None and on < found.get(state.crane, date.max):
            found[state.crane] = on
    return found


class DueBook:
    """Due days of the whole fleet, read at most once a minute: they sum a season of use of every crane."""

    def __init__(self) -> None:
        self._found: dict[str, date] = {}
        self._good_until = -1.0
        self._lock = asyncio.Lock()

    async def read(self, conn: AsyncConnection[Any]) -> dict[str, date]:
        """By crane, the first day on which a service falls due."""
        clock = asyncio.get_running_loop().time
        async with self._lock:
            if clock() >= self._good_until:
                today = datetime.now(UTC).date()
                async with whole_fleet(
                    conn
                ):  # one book for everyone; who asks sees only their own cranes in it
                    self._found = earliest_due(await service.service_states(conn, today=today), today)
                self._good_until = clock() + DUE_FOR_S
        return self._found


async def get_due_book(request: Request) -> DueBook:
    """The book of this api."""
    book: DueBook = request.app.state.due_book
    return book
