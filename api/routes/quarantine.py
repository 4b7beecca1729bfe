"""Messages that were refused: listed, and judged again by ingest when somebody asks."""

from fastapi import APIRouter

from api.deps import Caller, Conn, no_crane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, PERSONAL
from api.tables import TableRoute
from domain.answers import Page, of_row
from domain.errors import InvalidInput
from domain.quarantine import QuarantineRow, ReplayAsked, ReplayRow
from store import quarantine, reading

router = APIRouter(tags=["records"], route_class=TableRoute)
writes = APIRouter(tags=["records"])


@router.get("/quarantine", dependencies=[ENGINEER, PERSONAL])
async def list_quarantine(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[QuarantineRow]:
    """Messages that could not be stored, newest first, with the reason and their first bytes."""
    key = decode_cursor(cursor, (int,))
    rows = await reading.QUARANTINE_ROWS.all_async(
        conn, sites=caller.site_list, before=key[0] if key else None, rows=limit + 1
    )
    listed = [
        of_row(QuarantineRow, row, raw_start=bytes(row.raw_start).decode("utf-8", "backslashreplace"))
        for row in rows
    ]
    return page(listed, limit, [(row.quarantine_id,) for row in rows])


@router.get("/quarantine/replays", dependencies=[ENGINEER, PERSONAL])
async def list_replays(conn: Conn, caller: Caller, limit: Limit = 20) -> Page[ReplayRow]:
    """The newest requests to judge refused messages again, and what became of them."""
    rows = await quarantine.REPLAYS.all_async(conn, replay_id=None, sites=caller.site_list, most=limit)
    return Page(items=tuple(rows))


@writes.post("/quarantine/replays", dependencies=[ENGINEER], status_code=202)
async def replay_quarantine(asked: ReplayAsked, conn: Conn, caller: Caller) -> ReplayRow:
    """Have ingest judge refused messages again, after what kept them out was corrected.

    Each is judged as of the time it arrived: a clock that was ahead then is still wrong. What is understood now is stored and leaves
    quarantine. Ingest begins within seconds; the list says what came of it. The same request while one waits changes nothing.
    """
    if asked.crane is None and caller.sites is not None:
        raise InvalidInput("name a crane: messages of all cranes are not in your scope", field="crane")
    if asked.crane is not None and await reading.crane_in_scope(conn, asked.crane, caller.site_list) is None:
        raise no_crane(asked.crane)
    number = await quarantine.ask_replay(
        conn, caller.account, crane_name=asked.crane, reason=asked.reason and str(asked.reason)
    )
    row = await quarantine.REPLAYS.first_async(conn, replay_id=number, sites=caller.site_list, most=1)
    assert row is not None
    return row
