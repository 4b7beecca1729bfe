"""Dispatch: one job, a day's list, levelling, and the lift sheet."""

from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, Query, Request, Response

from answers.assignment import assignment
from answers.dispatch import OfCrane, dispatch, of_crane
from answers.dispatch_reasons import assumptions, come_up_since
from answers.drawing import drawing_at_job
from answers.levelling import levelling
from answers.reservations import reservation_in_scope
from api.bounds import ReservationId
from api.deps import Caller, Conn, Fleet, get_known_crane, overridden
from api.permissions import DISPATCHER, PERSONAL, VIEWER
from domain.dispatch_answers import DispatchAnswer, DispatchQuestion
from domain.drawing_answers import LiftDrawing, LiftDrawingAsked
from domain.errors import Conflict, NotFound
from domain.job_answers import AssignmentAnswer, AssignmentAsked, LevellingAnswer, SheetAsked
from domain.moments import now_utc
from reports.lift_sheet import Sheet, lift_sheet_pdf
from store import charts
from store.descriptions import charts_on
from store.reading import CraneKnown
from words.texts import t

router = APIRouter(tags=["dispatch"])


@router.post("/dispatch", dependencies=[DISPATCHER])
async def find_cranes(question: DispatchQuestion, conn: Conn, caller: Caller, fleet: Fleet) -> DispatchAnswer:
    """Every crane that you may see measured against one lift: the fit ones by rank, the others with their reasons.

    `skip_candidates` and `most_candidates` page through the list, `rulings` keeps to cranes that fell out at some
    conditions. Headroom on a screen is not permission to lift.
    """
    return await dispatch(conn, fleet, question, caller.sites)


@router.post("/dispatch/assignment", dependencies=[DISPATCHER])
async def assign_list(asked: AssignmentAsked, conn: Conn, caller: Caller, fleet: Fleet) -> AssignmentAnswer:
    """Cranes for a day's list: as many jobs as can be found, then the fewest points; beside the greedy list.

    `exact` says whether that is proven to be the best, else `most_assigned` and `least_points` how far off it may be.

    A crane gets a job only where it fits, is not reserved in the window and needs no override.
    """
    return await assignment(conn, fleet, asked, caller.sites)


@router.get("/dispatch/levelling", dependencies=[VIEWER])
async def level_fleet(
    conn: Conn,
    caller: Caller,
    fleet: Fleet,
    days: Annotated[int, Query(ge=7, le=731, description="days that count as of late")] = 90,
) -> LevellingAnswer:
    """Which cranes should take lighter work, so that each reaches its special assessment with its life just used.

    No crane is said to take more with which anything is the matter (the states of the dispatch answer), whose assessment
    is due soon, that has most overrides, or that is on record for a few days only.
    """
    return await levelling(conn, fleet, caller.site_list, days)


@router.post("/dispatch/lift-sheet", dependencies=[DISPATCHER], response_class=Response)
async def print_lift_sheet(
    asked: SheetAsked, request: Request, conn: Conn, caller: Caller, fleet: Fleet
) -> Response:
    """One page (PDF) for one crane and one lift. It is no lift plan. A crane that needs an override takes an engineer and a reason."""
    crane = await get_known_crane(asked.crane, conn, caller)
    found = await of_crane(conn, fleet, asked.job, crane.name, with_held=True)
    if found.candidate.fit:
        overridden(request, caller, crane.name, found.states, asked.override_reason)
    return await _sheet(asked, crane, found, conn, caller)


@router.get(
    "/reservations/{reservation_id}/lift-sheet", dependencies=[VIEWER, PERSONAL], response_class=Response
)
async def print_held(reservation_id: ReservationId, conn: Conn, caller: Caller, fleet: Fleet) -> Response:
    """The lift sheet (PDF) of a reservation with a job, by the charts and the record as they are now."""
    held = await reservation_in_scope(conn, reservation_id, caller.site_list)
    if held.job is None:
        raise NotFound(f"reservation {reservation_id} was made without a job: ask for the sheet with the job")
    if held.released_at is not None:
        raise Conflict(
            f"reservation {reservation_id} is cancelled, so {held.crane} is not kept for this lift: reserve it again"
        )
    crane = await get_known_crane(held.crane, conn, caller)
    found = await of_crane(conn, fleet, held.job, crane.name, with_held=False)
    faults_then = () if held.planned is None else held.planned.open_faults
    since = come_up_since(found.states, held.override_states, faults_then)
    if found.candidate.fit and since:
        raise Conflict(
            f"{held.crane} needs an override since it was reserved: {'; '.join(one.text for one in since)}."
            " Cancel the reservation, and have an engineer reserve it with a reason, or take another crane"
        )
    asked = SheetAsked(crane=held.crane, title=held.title, job=held.job, override_reason=held.override_reason)
    return await _sheet(asked, crane, found, conn, caller)


async def _sheet(
    asked: SheetAsked, crane: CraneKnown, found: OfCrane, conn: Conn, caller: Caller
) -> Response:
    version = await charts.IN_FORCE.first_async(conn, crane=crane.name, day=found.charts_on)
    sheet = Sheet(
        title=asked.title,
        question=asked.job,
        candidate=found.candidate,
        crane=crane.crane(),
        charts=await charts_on(conn, crane, found.charts_on),
        override_reason=asked.override_reason,
        chart_source=(
            t("dispatch.chart_source.type")
            if version is None
            else t(
                "dispatch.chart_source",
                source=version.source,
                number=version.version_id,
                day=version.valid_from,
            )
        ),
        assumptions=assumptions(),
        time_zone=crane.time_zone,
        prepared_by=caller.account,
        prepared_at=now_utc(),
    )
    return Response(
        await to_thread.run_sync(lift_sheet_pdf, sheet),
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="lift-sheet-{crane.name}.pdf"'},
    )


@router.post("/dispatch/drawing", dependencies=[VIEWER])
async def draw_lift(asked: LiftDrawingAsked, conn: Conn, caller: Caller, fleet: Fleet) -> LiftDrawing:
    """One crane at one job, for drawing: a possible position, and the line that its capacity is read from."""
    crane = await get_known_crane(asked.crane, conn, caller)
    found = await of_crane(conn, fleet, asked.job, crane.name, with_held=False)
    return await drawing_at_job(conn, crane, asked, found)
