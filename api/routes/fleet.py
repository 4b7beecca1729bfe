"""The fleet at a glance, and week by week."""

from typing import Annotated

from fastapi import APIRouter, Query, Response

from answers.fleet import fleet_weeks
from api.bounds import DayFrom, DayTo, day_range
from api.deps import AtAGlance, Caller, Conn
from api.permissions import PERSONAL, VIEWER
from api.tables import TableRoute
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer
from domain.messages import CraneName

router = APIRouter(tags=["fleet"], route_class=TableRoute)


@router.get("/fleet", dependencies=[VIEWER, PERSONAL], response_model=FleetAnswer)
async def show_fleet(
    conn: Conn,
    caller: Caller,
    fleet: AtAGlance,
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    rates: Annotated[bool, Query(description="with the rates and shares that carry an interval")] = True,
) -> Response:
    """Every crane that you may see over whole local days: who runs near the limit, and what stands out."""
    span = day_range(day_from, day_to, default_days=days, zone="UTC")
    made = await fleet.read(conn, caller.sites, span, rates=rates)
    return Response(made.json, media_type="application/json")


@router.get("/fleet/weeks", dependencies=[VIEWER])
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
