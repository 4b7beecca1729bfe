"""Drawings: a crane in its position, over a span, at a job."""

from typing import Annotated

from fastapi import APIRouter, Query

from answers.dispatch import of_crane
from answers.drawing import drawing_at_job, drawing_of, poses_of
from api.bounds import SAMPLES_RANGE_MAX, OnDay, TimeFrom, TimeTo, time_range
from api.deps import Caller, Conn, Fleet, KnownCrane, get_known_crane
from api.permissions import PERSONAL, VIEWER
from domain.drawing_answers import DrawingAnswer, LiftDrawing, LiftDrawingAsked, PosesAnswer

router = APIRouter(tags=["drawings"])


@router.get("/cranes/{name}/drawing", dependencies=[VIEWER, PERSONAL])
async def show_drawing(crane: KnownCrane, conn: Conn, caller: Caller, on: OnDay = None) -> DrawingAnswer:
    """A crane for drawing: outline, last known position with the rated capacity there, lines of its charts on a day."""
    return await drawing_of(conn, crane, caller.site_list, on or crane.today())


@router.get("/cranes/{name}/poses", dependencies=[VIEWER, PERSONAL])
async def show_poses(
    crane: KnownCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    points: Annotated[int, Query(ge=10, le=40_000, description="positions in the answer, at most")] = 2000,
) -> PosesAnswer:
    """Positions over at most 31 days with the rated capacity in each, for playing back; moments without a position are left out."""
    return await poses_of(conn, crane, time_range(time_from, time_to, SAMPLES_RANGE_MAX), points)


@router.post("/dispatch/drawing", dependencies=[VIEWER])
async def draw_lift(asked: LiftDrawingAsked, conn: Conn, caller: Caller, fleet: Fleet) -> LiftDrawing:
    """One crane at one job, for drawing: a possible position, and the line that its capacity is read from."""
    crane = await get_known_crane(asked.crane, conn, caller)
    found = await of_crane(conn, fleet, asked.job, crane.name, with_held=False)
    return await drawing_at_job(conn, crane, asked, found)
