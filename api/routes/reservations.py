"""Reservations: hold and release cranes, the calendar, and planned against measured."""

from typing import Annotated

from fastapi import APIRouter, Query, Request

from answers.dispatch import of_crane
from answers.dispatch_reasons import states_of
from answers.reservations import planned_and_measured, reservation_in_scope
from api.bounds import LIST_RANGE_MAX, ReservationId, TimeFrom, TimeTo, time_range
from api.deps import Caller, Conn, Fleet, SeenCrane, get_crane, overridden
from api.permissions import DISPATCHER, PERSONAL, VIEWER
from domain.answers import Page
from domain.errors import InvalidInput
from domain.job_answers import HoldAsked, MeasuredAnswer, ReservationRow
from store import reservations

router = APIRouter(tags=["dispatch"])
DaysBack = Annotated[int, Query(ge=1, le=3660, description="days back from now")]


@router.post("/reservations", dependencies=[DISPATCHER], status_code=201)
async def hold(
    asked: HoldAsked, request: Request, conn: Conn, caller: Caller, fleet: Fleet
) -> ReservationRow:
    """Reserve a crane for a time. Two reservations of one crane never overlap, however many ask at once: the later gets 409.

    A crane that needs an override (open fault, special assessment overdue) takes an engineer and an `override_reason`.
    """
    await get_crane(asked.crane, conn, caller)
    job = planned = None
    if asked.job is None:
        situation = await fleet.situation(conn, asked.window, with_held=False)
        states = states_of(situation, situation.listed.index[asked.crane])
    else:
        job = asked.job.model_copy(update={"window": asked.window})
        found = await of_crane(conn, fleet, job, asked.crane, with_held=True)
        planned, states = found.candidate, found.states
        if not planned.fit:
            raise InvalidInput(
                f"{asked.crane} cannot take this job: {'; '.join(one.text for one in planned.reasons)}."
                " Choose another crane, or reserve it without a job",
                field="crane",
            )
    passed = overridden(request, caller, asked.crane, states, asked.override_reason)
    reservation_id = await reservations.hold(
        conn,
        crane=asked.crane,
        starts_at=asked.window.starts_at,
        ends_at=asked.window.ends_at,
        title=asked.title,
        held_by=caller.account,
        job=None if job is None else job.model_dump(mode="json"),
        planned=None if planned is None else planned.model_dump(mode="json"),
        override_reason=asked.override_reason if passed else None,
        override_states=passed,
    )
    return await show_reservation(reservation_id, conn, caller)


@router.get("/reservations", dependencies=[VIEWER, PERSONAL])
async def list_reservations(
    conn: Conn,
    caller: Caller,
    time_from: TimeFrom,
    time_to: TimeTo,
    crane: Annotated[
        str | None, Query(description="name of a crane; every crane in scope when absent")
    ] = None,
    with_released: bool = False,
) -> Page[ReservationRow]:
    """The calendar: reservations that touch a range of time, in time order."""
    asked = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await reservations.reservations(
        conn, caller.site_list, asked.start, asked.end, crane=crane, with_released=with_released
    )
    return Page(items=tuple(rows))


@router.get("/reservations/{reservation_id}", dependencies=[VIEWER, PERSONAL])
async def show_reservation(reservation_id: ReservationId, conn: Conn, caller: Caller) -> ReservationRow:
    """One reservation with its job and what was planned."""
    return await reservation_in_scope(conn, reservation_id, caller.site_list)


@router.delete("/reservations/{reservation_id}", dependencies=[DISPATCHER])
async def release(reservation_id: ReservationId, conn: Conn, caller: Caller) -> ReservationRow:
    """Cancel a reservation. Cancelling again changes nothing."""
    await reservation_in_scope(conn, reservation_id, caller.site_list)
    await reservations.release(conn, reservation_id, caller.account)
    return await show_reservation(reservation_id, conn, caller)


@router.get("/cranes/{name}/planned-and-measured", dependencies=[VIEWER, PERSONAL])
async def crane_planned_and_measured(
    crane: SeenCrane, conn: Conn, caller: Caller, days: DaysBack = 366
) -> MeasuredAnswer:
    """Reservations of a crane that are over: planned utilisation against the largest that its lifts measured."""
    return await planned_and_measured(conn, caller.site_list, days, crane.name)


@router.get("/dispatch/planned-and-measured", dependencies=[VIEWER, PERSONAL])
async def fleet_planned_and_measured(conn: Conn, caller: Caller, days: DaysBack = 366) -> MeasuredAnswer:
    """The same for every crane in scope, with the bias of each crane."""
    return await planned_and_measured(conn, caller.site_list, days)
