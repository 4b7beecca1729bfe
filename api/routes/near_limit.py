"""Which cranes run near their limit, with what confidence, under what circumstances and where."""

from typing import Annotated, Final

from fastapi import APIRouter, Query

from answers import near_limit
from api.bounds import DayFrom, DayTo, day_range
from api.deps import Caller, Conn, SeenCrane, SeenCranes
from api.permissions import PERSONAL, VIEWER
from api.tables import TableRoute
from domain.moments import Instant
from domain.near_limit import (
    MeasureName,
    NearLimitAnswer,
    NearLimitPlaces,
    NearLimitRanking,
    OverrideTrace,
)

router = APIRouter(tags=["fleet"], route_class=TableRoute)
of_crane = APIRouter(tags=["duty"])

PLACES_DAYS: Final = 28
Days = Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")]
Moment = Annotated[
    Instant,
    Query(
        alias="at",
        description="its moment, as the list of overrides gives it",
        openapi_examples={"example": {"value": "2026-03-02T08:01:00Z"}},
    ),
]


@router.get("/near-limit", dependencies=[VIEWER])
async def show_near_limit_ranking(
    conn: Conn,
    caller: Caller,
    by: Annotated[MeasureName, Query(description="measure whose low end ranks")] = "near_limit_lifts",
    days: Days = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> NearLimitRanking:
    """Cranes by how surely they work near their limit, with intervals and the change against the period before."""
    chosen = day_range(day_from, day_to, default_days=days, zone="UTC")
    return await near_limit.ranking(conn, caller.site_list, by, chosen)


@router.get("/near-limit/places", dependencies=[VIEWER])
async def list_near_limit_places(
    cranes: SeenCranes, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> NearLimitPlaces:
    """Where the named cranes spent most of their near-limit time, over whole local days; the last 28 by default."""
    chosen = day_range(day_from, day_to, default_days=PLACES_DAYS, zone=cranes[0].time_zone)
    return await near_limit.places(conn, [crane.name for crane in cranes], chosen)


@of_crane.get("/cranes/{name}/near-limit", dependencies=[VIEWER])
async def show_near_limit(
    crane: SeenCrane, conn: Conn, days: Days = 30, day_from: DayFrom = None, day_to: DayTo = None
) -> NearLimitAnswer:
    """How a crane works near its limit: rates, change, slewing sector, stabilisers, hour, mode, reach and mass."""
    chosen = day_range(day_from, day_to, default_days=days, zone=crane.time_zone)
    return await near_limit.near_limit_of(conn, crane, chosen)


@of_crane.get("/cranes/{name}/override-trace", dependencies=[VIEWER, PERSONAL])
async def show_override_trace(crane: SeenCrane, conn: Conn, caller: Caller, moment: Moment) -> OverrideTrace:
    """One use of the limiter override with the 30 s before and after it: every reading, and what else happened."""
    return await near_limit.override_trace(conn, crane, moment, caller.site_list)
