"""Questions about several cranes at once, so that a page about twelve cranes does not ask twelve times."""

from itertools import groupby
from typing import Final

from anyio import to_thread
from fastapi import APIRouter

from api.bounds import DayFrom, DayTo, at_most, day_range
from api.deps import Conn, SeenCranes
from api.permissions import VIEWER
from api.routes.spectrum import merged_tallies, place_near_limit
from api.tables import TableRoute
from domain.answers import Page
from domain.maintenance import CraneDayRow
from domain.near_limit import NearLimitPlaces
from duty.levels import NEAR_LIMIT_PCT
from store import duty

router = APIRouter(tags=["fleet"], route_class=TableRoute)
DEFAULT_DAYS: Final = 28
LONGEST_DAYS: Final = 92  # of fifty cranes: some thousand rows


@router.get("/days", dependencies=[VIEWER])
async def list_days_of_cranes(
    cranes: SeenCranes, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> Page[CraneDayRow]:
    """Figures of the named cranes by local day, both ends included; the last 28 days when none are given."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=cranes[0].time_zone)
    at_most(chosen, LONGEST_DAYS, "several cranes are listed")
    rows = await duty.days_of(conn, [crane.name for crane in cranes], chosen.first, chosen.last)
    return Page(items=tuple(CraneDayRow.model_validate(row, from_attributes=True) for row in rows))


@router.get("/near-limit/places", dependencies=[VIEWER])
async def list_near_limit_places(
    cranes: SeenCranes, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> NearLimitPlaces:
    """Where the named cranes spent most of their near-limit time, over whole local days; the last 28 by default."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=cranes[0].time_zone)
    spans = await duty.spans_of(conn, [crane.name for crane in cranes], chosen.first, chosen.last)

    def places() -> NearLimitPlaces:
        by_crane = groupby(spans, key=lambda span: span.crane)
        found = (place_near_limit(name, merged_tallies(list(own))) for name, own in by_crane)
        return NearLimitPlaces(
            day_from=chosen.first,
            day_to=chosen.last,
            near_limit_from_pct=NEAR_LIMIT_PCT,
            rows=tuple(place for place in found if place is not None),
        )

    return await to_thread.run_sync(places)
