"""What happened: lifts, events and faults."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query

from answers.samples import Keep, samples_of
from api.bounds import LIST_RANGE_MAX, SAMPLES_RANGE_MAX, TimeFrom, TimeTo, time_range
from api.deps import Caller, Conn, SeenCrane
from api.paging import Cursor, Limit, decode_cursor, moment_in_cursor, page
from api.permissions import PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import EventRow, FaultRow, Lift, Page, SamplesAnswer
from domain.messages import EventKind
from domain.moments import now_utc
from store import duty, reading
from store.statement import Sites

router = APIRouter(tags=["records"], route_class=TableRoute)
Kinds = Annotated[list[EventKind] | None, Query(alias="kind", description="only these kinds", max_length=10)]


@router.get("/cranes/{name}/lifts", dependencies=[VIEWER, PERSONAL])
async def list_lifts(
    crane: SeenCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    limit: Limit = 500,
    cursor: Cursor = None,
) -> Page[Lift]:
    """Lifts of one crane that began in the range, newest first."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    key = decode_cursor(cursor, (str,))
    before = moment_in_cursor(key[0]) if key else None
    rows = await duty.LIFTS_READ.all_async(
        conn, crane=crane.name, time_from=span.start, time_to=span.end, before=before, rows=limit + 1
    )
    return page(rows, limit, [(row.started_at.isoformat(),) for row in rows])


async def chosen_events(
    time_from: TimeFrom, time_to: TimeTo, kinds: Kinds = None, limit: Limit = 500, cursor: Cursor = None
) -> dict[str, Any]:
    """Which events are asked for, but of which crane."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    key = decode_cursor(cursor, (str, str, int, int))
    return {
        "time_from": span.start,
        "time_to": span.end,
        "kinds": [str(kind) for kind in kinds] if kinds else None,
        "before": (moment_in_cursor(key[0]), *key[1:]) if key else None,
        "rows": limit + 1,
    }


Chosen = Annotated[dict[str, Any], Depends(chosen_events)]


@router.get("/cranes/{name}/events", dependencies=[VIEWER, PERSONAL])
async def list_crane_events(crane: SeenCrane, conn: Conn, caller: Caller, chosen: Chosen) -> Page[EventRow]:
    """Events of one crane in the range, newest first."""
    return await _events(conn, caller.site_list, crane.name, chosen)


@router.get("/events", dependencies=[VIEWER, PERSONAL])
async def list_events(conn: Conn, caller: Caller, chosen: Chosen) -> Page[EventRow]:
    """Events of every crane that you may see in the range, newest first."""
    return await _events(conn, caller.site_list, None, chosen)


async def _events(conn: Conn, sites: Sites, crane: str | None, chosen: dict[str, Any]) -> Page[EventRow]:
    rows = await reading.event_rows(conn, sites, crane=crane, **chosen)
    return page(
        rows, chosen["rows"] - 1, [(row.at.isoformat(), row.crane, row.boot, row.seq) for row in rows]
    )


@router.get("/cranes/{name}/faults", dependencies=[VIEWER, PERSONAL])
async def list_faults(
    crane: SeenCrane, conn: Conn, days: Annotated[int, Query(ge=1, le=3660)] = 90
) -> Page[FaultRow]:
    """Status codes of one crane, open ones first, then by how often they came in the last days."""
    rows = await reading.FAULT_ROWS.all_async(
        conn, crane_id=crane.crane_id, time_from=now_utc() - timedelta(days=days)
    )
    return Page(items=tuple(rows))


@router.get("/cranes/{name}/samples", dependencies=[VIEWER, PERSONAL])
async def show_samples(
    crane: SeenCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    channels: Annotated[
        str,
        Query(max_length=500, description="channel names, with commas between"),
    ] = "utilisation_pct",
    points: Annotated[int, Query(ge=10, le=40_000, description="times in the answer, at most")] = 2000,
    further: Annotated[bool, Query(description="also the further channels that hold for the crane")] = False,
    keep: Annotated[
        Keep, Query(description="what down-sampling keeps: every extreme, or the shape of the first channel")
    ] = Keep.EXTREMES,
) -> SamplesAnswer:
    """Recorded channels over at most 31 days: smallest and largest reading of each of `points` buckets.

    An outreach that the crane does not send is computed from its pose and named in `computed`. With `keep=shape` a choice of the samples themselves (largest triangle, three buckets): for a picture of one line.
    """
    span = time_range(time_from, time_to, SAMPLES_RANGE_MAX)
    names = tuple(dict.fromkeys(name.strip() for name in channels.split(",") if name.strip()))
    return await samples_of(conn, crane, span, names, points, keep, further=further)
