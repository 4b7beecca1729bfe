"""Cranes: the fleet at a glance and week by week, the list, one crane, its drawings."""

from typing import Annotated

from fastapi import APIRouter, Query, Response

from answers.drawing import drawing_of, poses_of
from answers.fleet import fleet_weeks
from api.bounds import SAMPLES_RANGE_MAX, DayFrom, DayTo, OnDay, TimeFrom, TimeTo, day_range, time_range
from api.deps import AtAGlance, Caller, Conn, KnownCrane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import CraneDetail, CraneRow, Page
from domain.drawing_answers import DrawingAnswer, PosesAnswer
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer
from domain.messages import CraneName
from store import reading

router = APIRouter(tags=["cranes"])


@router.get("/cranes", dependencies=[VIEWER])
async def list_cranes(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[CraneRow]:
    """Cranes of the sites that you may see, by name."""
    after = decode_cursor(cursor, (str,))
    rows = await reading.crane_rows(conn, caller.site_list, after=after[0] if after else "", rows=limit + 1)
    return page(rows, limit, [(row.name,) for row in rows])


@router.get("/cranes/{name}", dependencies=[VIEWER])
async def show_crane(crane: KnownCrane) -> CraneDetail:
    """Everything known about one crane: geometry, ratings, design class, prior duty, site."""
    return CraneDetail(crane=crane.crane(), site=crane.site())


fleet = APIRouter(tags=["fleet"], route_class=TableRoute)


@fleet.get("/fleet", dependencies=[VIEWER, PERSONAL], response_model=FleetAnswer)
async def show_fleet(
    conn: Conn,
    caller: Caller,
    glance: AtAGlance,
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    rates: Annotated[bool, Query(description="with the rates and shares that carry an interval")] = True,
) -> Response:
    """Every crane that you may see over whole local days: who runs near the limit, and what stands out."""
    span = day_range(day_from, day_to, default_days=days, zone="UTC")
    made = await glance.read(conn, caller.sites, span, rates=rates)
    return Response(made.json, media_type="application/json")


@fleet.get("/fleet/weeks", dependencies=[VIEWER])
async def show_fleet_weeks(
    conn: Conn,
    caller: Caller,
    weeks: Annotated[int, Query(ge=2, le=104, description="ISO weeks, the last one with day_to in it")] = 13,
    day_to: DayTo = None,
    crane: Annotated[
        list[CraneName] | None,
        Query(max_length=200, description="these cranes only; every one where left out"),
    ] = None,
) -> FleetWeeksAnswer:
    """How the near-limit share of every crane that you may see went, week by week, up to the running week."""
    last = day_range(None, day_to, default_days=1, zone="UTC").last
    return await fleet_weeks(conn, caller.site_list, weeks, last, crane)


drawings = APIRouter(tags=["drawings"])


@drawings.get("/cranes/{name}/drawing", dependencies=[VIEWER, PERSONAL])
async def show_drawing(crane: KnownCrane, conn: Conn, caller: Caller, on: OnDay = None) -> DrawingAnswer:
    """A crane for drawing: outline, last known position with the rated capacity there, lines of its charts on a day."""
    return await drawing_of(conn, crane, caller.site_list, on or crane.today())


@drawings.get("/cranes/{name}/poses", dependencies=[VIEWER, PERSONAL])
async def show_poses(
    crane: KnownCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    points: Annotated[int, Query(ge=10, le=40_000, description="positions in the answer, at most")] = 2000,
) -> PosesAnswer:
    """Positions over at most 31 days with the rated capacity in each, for playing back; moments without a position are left out."""
    return await poses_of(conn, crane, time_range(time_from, time_to, SAMPLES_RANGE_MAX), points)
