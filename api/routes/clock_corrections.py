"""Corrections of senders' clocks: entered with a reason, applied by ingest, taken back."""

from typing import Annotated

from fastapi import APIRouter, Path, Request

from answers.clocks import clock_suggestions
from api.deps import Caller, Conn, SeenCrane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.stages import AUDIT_DETAIL
from api.tables import TableRoute
from domain.answers import Page
from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow, ClockSuggestion
from store import clock_corrections

router = APIRouter(tags=["records"], route_class=TableRoute)
writes = APIRouter(tags=["records"])
CorrectionId = Annotated[
    int, Path(ge=1, le=2**31 - 1, alias="correction_id", openapi_examples={"example": {"value": 1}})
]


@router.get("/clock-corrections", dependencies=[VIEWER, PERSONAL])
async def list_clock_corrections(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[ClockCorrectionRow]:
    """Corrections of the clocks of cranes that you may see, newest first, withdrawn ones included."""
    before = decode_cursor(cursor, (int,))
    rows = await clock_corrections.CORRECTIONS.all_async(
        conn,
        crane_id=None,
        correction_id=None,
        sites=caller.site_list,
        before=before[0] if before else None,
        rows=limit + 1,
    )
    return page(rows, limit, [(row.correction_id,) for row in rows])


@writes.get("/cranes/{name}/clock-suggestions", dependencies=[ENGINEER])
async def list_clock_suggestions(crane: SeenCrane, conn: Conn) -> Page[ClockSuggestion]:
    """What the times at which messages came say of the clock of their sender, by boot: evidence for a correction, no decision.

    Only messages that were sent as they were recorded tell anything. A boot without such has none, nor has one that is corrected.
    """
    return Page(items=await clock_suggestions(conn, crane))


@writes.get("/cranes/{name}/clock-corrections/{correction_id}", dependencies=[VIEWER, PERSONAL])
async def show_clock_correction(
    crane: SeenCrane, correction_id: CorrectionId, conn: Conn
) -> ClockCorrectionRow:
    """One correction, and whether it is in force; its ETag guards a withdrawal."""
    return await clock_corrections.show(conn, crane.crane_id, correction_id)


@writes.post("/cranes/{name}/clock-corrections", dependencies=[ENGINEER], status_code=202)
async def correct_clock(
    crane: SeenCrane, asked: ClockCorrectionAsked, conn: Conn, caller: Caller
) -> ClockCorrectionRow:
    """Correct the times of messages of one boot by an offset: of those stored, and of those that come.

    Ingest applies it within seconds, counts the days again that it changes, and judges again what was refused for its time. The same
    correction entered again changes nothing. `problem` says why it could not be applied.
    """
    return await clock_corrections.enter(conn, crane.crane_id, asked, caller.account)


@writes.delete("/cranes/{name}/clock-corrections/{correction_id}", dependencies=[ENGINEER], status_code=202)
async def withdraw_clock_correction(
    crane: SeenCrane, correction_id: CorrectionId, conn: Conn, caller: Caller, request: Request
) -> ClockCorrectionRow:
    """Withdraw a correction: ingest gives the messages their own times again. Those that lie ahead then go to quarantine."""
    row = await clock_corrections.withdraw(conn, crane.crane_id, correction_id, caller.account)
    request.scope[AUDIT_DETAIL] = {"crane": row.crane, "boot": row.boot, "offset_ms": row.offset_ms}
    return row
