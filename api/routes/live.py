"""Live values of every crane in scope: all at once, by waiting for changes, or as server-sent events."""

import asyncio
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse

from api import gate
from api.deps import Caller, Conn, CraneNamePath, no_crane
from api.hub import Hub
from api.permissions import PERSONAL, VIEWER
from api.problems import Refused
from domain.answers import LiveAnswer, LiveChanges, of_row
from domain.moments import now_utc
from store import reading
from store.access import Principal
from store.reading import LiveRow
from store.site_scope import Pool, site_scope

router = APIRouter(tags=["live"])

BETWEEN_S: Final = 0.5
VERSION_MAX: Final = 2**53


@router.get("/cranes/{name}/live", dependencies=[VIEWER, PERSONAL])
async def show_live(name: CraneNamePath, conn: Conn, caller: Caller) -> LiveAnswer:
    """Last known values of one crane, with their age. Late data and lost coverage make the age large."""
    rows = await reading.LIVE_ROWS.all_async(conn, sites=caller.site_list, cranes=[name])
    if not rows:
        raise no_crane(name)
    return live_answer(rows[0], now_utc())


@router.get("/live", dependencies=[VIEWER, PERSONAL])
async def show_live_changes(
    request: Request,
    caller: Caller,
    after: Annotated[
        int | None, Query(ge=0, le=VERSION_MAX, description="`version` of the answer before; absent for all")
    ] = None,
    wait_s: Annotated[float, Query(ge=0, le=30, description="how long to wait for a change [s]")] = 0.0,
) -> LiveChanges:
    """Last known values of every crane in scope, or of those that changed after a version."""
    hub: Hub = request.app.state.hub
    loop = asyncio.get_running_loop()
    began = loop.time()
    changes = await _changes(request.app.state.pool, hub, caller, after, wait_s)
    if loop.time() - began > gate.RECHECK_S and not await gate.unchanged(request.scope):
        raise Refused(401, gate.ENDED)
    return changes


@router.get(
    "/live/stream",
    dependencies=[VIEWER, PERSONAL],
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def stream_live(
    request: Request,
    caller: Caller,
    seconds: Annotated[
        float, Query(gt=0, le=3600, description="end after this time; connect again [s]")
    ] = 3600,
) -> StreamingResponse:
    """Server-sent events: `live` with the changed cranes at most twice a second, a comment every 10 s of silence.

    The stream ends after `seconds`, and at most 15 s after its session or token ended or may see something else.
    """
    hub: Hub = request.app.state.hub
    events = _events(request, hub, caller, seconds)
    return StreamingResponse(events, media_type="text/event-stream", headers={"cache-control": "no-store"})


async def _events(request: Request, hub: Hub, caller: Principal, seconds: float) -> AsyncIterator[str]:
    loop = asyncio.get_running_loop()
    ends_at, checked_at = loop.time() + seconds, loop.time()
    after: int | None = None
    while (left := ends_at - loop.time()) > 0:
        changes = await _changes(request.app.state.pool, hub, caller, after, min(gate.RECHECK_S, left))
        after = changes.version
        if loop.time() - checked_at >= gate.RECHECK_S:
            if not await gate.unchanged(request.scope):
                yield f": {gate.ENDED}\n\n"
                return
            checked_at = loop.time()
        if changes.items:
            yield f"event: live\nid: {changes.version}\ndata: {changes.model_dump_json()}\n\n"
            await asyncio.sleep(BETWEEN_S)
        else:
            yield ": still here\n\n"


async def _changes(pool: Pool, hub: Hub, caller: Principal, after: int | None, wait_s: float) -> LiveChanges:
    version, cranes = (hub.version, None) if after is None else await hub.wait(after, wait_s)
    if cranes == []:
        return LiveChanges(version=version, items=())
    async with site_scope(pool, caller.sites, **caller.who) as conn:
        rows = await reading.LIVE_ROWS.all_async(conn, sites=caller.site_list, cranes=cranes)
    now = now_utc()
    return LiveChanges(version=version, items=tuple(live_answer(row, now) for row in rows))


def live_answer(row: LiveRow, now: datetime) -> LiveAnswer:
    """One crane's last known values with their age."""
    return of_row(
        LiveAnswer,
        row,
        age_s=None if row.at is None else (now - row.at).total_seconds(),
        values=row.last_values or {},
    )
