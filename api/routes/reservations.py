"""Reservations: hold and release cranes, the calendar, and planned against measured."""

import statistics
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Annotated

import anyio
from fastapi import APIRouter, Path, Query, Request, Response

from answers.crane_states import come_up_since, states_of
from api.bounds import LIST_RANGE_MAX, TimeFrom, TimeTo, time_range
from api.deps import Caller, Conn, Fleet, SeenCrane, get_crane, get_known_crane, overridden
from api.permissions import DISPATCHER, VIEWER
from api.routes.dispatch import answer_for, sheet_response
from domain.answers import Page
from domain.dispatch_answers import DispatchCandidate, DispatchQuestion
from domain.errors import Conflict, InvalidInput, NotFound
from domain.job_answers import CraneBias, HoldAsked, MeasuredAnswer, MeasuredRow, ReservationRow, SheetAsked
from store import reservations
from store.reservations import Measured, Reservation

router = APIRouter(tags=["dispatch"])
DaysBack = Annotated[int, Query(ge=1, le=3660, description="days back from now")]
ReservationId = Annotated[int, Path(ge=1, le=2**53)]


@router.post("/reservations", dependencies=[DISPATCHER], status_code=201)
async def hold(
    asked: HoldAsked, request: Request, conn: Conn, caller: Caller, fleet: Fleet
) -> ReservationRow:
    """Reserve a crane for a time. Two reservations of one crane never overlap, however many ask at once: the later gets 409.

    A crane that needs an override (open fault, special assessment overdue) takes an engineer and an `override_reason`.
    """
    await get_crane(asked.crane, conn, caller)
    job = planned = None
    situation = await fleet.situation(conn, asked.window)
    if asked.job is not None:
        job = asked.job.model_copy(update={"window": asked.window})
        planned = await anyio.to_thread.run_sync(answer_for, job, situation, asked.crane)
        if not planned.fit:
            raise InvalidInput(
                f"{asked.crane} cannot take this job: {'; '.join(one.text for one in planned.reasons)}."
                " Choose another crane, or reserve it without a job",
                field="crane",
            )
    states = states_of(situation, situation.listed.index[asked.crane])
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


@router.get("/reservations", dependencies=[VIEWER])
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
    return Page(items=tuple(_row(row) for row in rows))


@router.get("/reservations/{reservation_id}", dependencies=[VIEWER])
async def show_reservation(reservation_id: ReservationId, conn: Conn, caller: Caller) -> ReservationRow:
    """One reservation with its job and what was planned."""
    return _row(await seen_reservation(reservation_id, conn, caller))


@router.get("/reservations/{reservation_id}/lift-sheet", dependencies=[VIEWER], response_class=Response)
async def print_held(reservation_id: ReservationId, conn: Conn, caller: Caller, fleet: Fleet) -> Response:
    """The lift sheet (PDF) of a reservation with a job, by the charts and the record as they are now."""
    found = await show_reservation(reservation_id, conn, caller)
    if found.job is None:
        raise NotFound(f"reservation {reservation_id} was made without a job: ask for the sheet with the job")
    if found.released_at is not None:
        raise Conflict(
            f"reservation {reservation_id} is cancelled, so {found.crane} is not kept for this lift: reserve it again"
        )
    crane = await get_known_crane(found.crane, conn, caller)
    situation = await fleet.situation(conn, found.job.window, with_held=False)
    candidate = await anyio.to_thread.run_sync(answer_for, found.job, situation, crane.name)
    states = states_of(situation, situation.listed.index[crane.name])
    faults_then = () if found.planned is None else found.planned.open_faults
    since = come_up_since(states, found.override_states, faults_then)
    if candidate.fit and since:
        raise Conflict(
            f"{found.crane} needs an override since it was reserved: {'; '.join(one.text for one in since)}."
            " Cancel the reservation, and have an engineer reserve it with a reason, or take another crane"
        )
    asked = SheetAsked(
        crane=found.crane, title=found.title, job=found.job, override_reason=found.override_reason
    )
    return await sheet_response(asked, crane, candidate, situation, conn, caller)


@router.delete("/reservations/{reservation_id}", dependencies=[DISPATCHER])
async def release(reservation_id: ReservationId, conn: Conn, caller: Caller) -> ReservationRow:
    """Cancel a reservation. Cancelling again changes nothing."""
    await seen_reservation(reservation_id, conn, caller)
    await reservations.release(conn, reservation_id, caller.account)
    return await show_reservation(reservation_id, conn, caller)


@router.get("/cranes/{name}/planned-and-measured", dependencies=[VIEWER])
async def planned_and_measured(
    crane: SeenCrane, conn: Conn, caller: Caller, days: DaysBack = 366
) -> MeasuredAnswer:
    """Reservations of a crane that are over: planned utilisation against the largest that its lifts measured."""
    return await _compared(conn, caller, days, crane.name)


@router.get("/dispatch/planned-and-measured", dependencies=[VIEWER])
async def fleet_planned_and_measured(conn: Conn, caller: Caller, days: DaysBack = 366) -> MeasuredAnswer:
    """The same for every crane in scope, with the bias of each crane."""
    return await _compared(conn, caller, days, None)


async def _compared(conn: Conn, caller: Caller, days: int, crane: str | None) -> MeasuredAnswer:
    since = datetime.now(UTC) - timedelta(days=days)
    found = await reservations.measured(conn, caller.site_list, since=since, crane=crane)
    rows = [_measured(row) for row in found]
    return MeasuredAnswer(rows=tuple(rows), bias=biases(rows))


def biases(rows: list[MeasuredRow]) -> tuple[CraneBias, ...]:
    """Mean and spread of measured less planned by crane, over the reservations where both are known."""
    by_crane: dict[str, list[float]] = {}
    for row in rows:
        if row.difference_pct is not None:
            by_crane.setdefault(row.crane, []).append(row.difference_pct)
    return tuple(
        CraneBias(
            crane=crane,
            reservations=len(values),
            mean_difference_pct=statistics.fmean(values),
            spread_pct=statistics.stdev(values) if len(values) > 1 else None,
        )
        for crane, values in sorted(by_crane.items())
    )


async def seen_reservation(reservation_id: int, conn: Conn, caller: Caller) -> Reservation:
    """A reservation in the caller's site scope; one out of scope answers as one that does not exist."""
    found = await reservations.reservation(conn, reservation_id, caller.site_list)
    if found is None:
        raise NotFound(f"there is no reservation {reservation_id} that you may see: look at the calendar")
    return found


def _row(row: Reservation) -> ReservationRow:
    return ReservationRow.model_validate(
        {
            **asdict(row),
            "job": None if row.job is None else DispatchQuestion.model_validate(row.job),
            "planned": None if row.planned is None else DispatchCandidate.model_validate(row.planned),
        }
    )


def _measured(row: Measured) -> MeasuredRow:
    planned, measured = row.planned_utilisation_pct, row.measured_utilisation_pct
    return MeasuredRow(
        reservation_id=row.reservation_id,
        crane=row.crane,
        title=row.title,
        starts_at=row.starts_at,
        ends_at=row.ends_at,
        lifts=row.lifts,
        planned_utilisation_pct=planned,
        measured_utilisation_pct=measured,
        difference_pct=None if planned is None or measured is None else measured - planned,
    )
