"""Alerts in scope: the list, the summary by crane, one with its history; acknowledge and shelve."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query

from answers.alerts import alert_detail, alert_in_scope, alert_row
from api.deps import Caller, Conn
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import DISPATCHER, ENGINEER, PERSONAL, VIEWER
from api.tables import TableRoute
from domain.alerts import (
    Acknowledged,
    AlertDetail,
    AlertRow,
    AlertSummary,
    Priority,
    Shelved,
)
from domain.answers import Page
from domain.errors import Conflict, InvalidInput, NotFound
from domain.messages import CraneName
from store import alerts

router = APIRouter(tags=["alerts"], route_class=TableRoute)
single = APIRouter(tags=["alerts"])

SHELF_MAX: Final = timedelta(days=90)
AlertId = Annotated[
    int, Path(ge=1, le=2**53, description="number of the alert", openapi_examples={"example": {"value": 1}})
]
OfCrane = Annotated[CraneName | None, Query(description="of this crane only")]
OpenOnly = Annotated[bool, Query(description="without those that are cleared")]
OfPriority = Annotated[Priority | None, Query(description="of this priority only")]


@router.get("/alerts", dependencies=[VIEWER, PERSONAL])
async def list_alerts(
    conn: Conn,
    caller: Caller,
    crane: OfCrane = None,
    open_only: OpenOnly = False,
    priority: OfPriority = None,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[AlertRow]:
    """Alerts of the cranes that you may see, newest first, cleared ones included unless left out; of accounts for who governs them."""
    before = decode_cursor(cursor, (int,))
    rows = await alerts.alerts(
        conn,
        caller.site_list,
        accounts=caller.governs,
        crane=crane,
        open_only=open_only,
        priority=priority,
        before=before[0] if before else None,
        rows=limit + 1,
    )
    return page([alert_row(row) for row in rows], limit, [(row.alert_id,) for row in rows])


@single.get("/alerts/summary", dependencies=[VIEWER])
async def summarise_alerts(conn: Conn, caller: Caller) -> AlertSummary:
    """Open alerts grouped by crane, the crane with the most urgent first; those on the shelf are counted apart."""
    rows = await alerts.by_crane(conn, caller.site_list, accounts=caller.governs)
    cranes = tuple(rows)
    return AlertSummary(unacknowledged=sum(row.unacknowledged for row in cranes), cranes=cranes)


@single.get("/alerts/{alert_id}", dependencies=[VIEWER, PERSONAL])
async def show_alert(alert_id: AlertId, conn: Conn, caller: Caller) -> AlertDetail:
    """One alert with what happened to it: raised, acknowledged, shelved, cleared."""
    return await alert_detail(conn, caller.site_list, alert_id, accounts=caller.governs)


@single.post("/alerts/{alert_id}/acknowledgement", dependencies=[DISPATCHER])
async def acknowledge_alert(
    alert_id: AlertId, asked: Acknowledged, conn: Conn, caller: Caller
) -> AlertDetail:
    """Say that you have it. Whoever was first keeps it; a later word is noted in its history."""
    await alert_in_scope(conn, caller.site_list, alert_id, accounts=caller.governs)
    for one in await alerts.alike(conn, caller.site_list, alert_id):
        await alerts.acknowledge(conn, one, caller.account, asked.note)
    return await alert_detail(conn, caller.site_list, alert_id, accounts=caller.governs)


@single.put("/alerts/{alert_id}/shelf", dependencies=[ENGINEER])
async def shelve_alert(alert_id: AlertId, asked: Shelved, conn: Conn, caller: Caller) -> AlertDetail:
    """Send nothing about it until then, also when it clears and comes again. It stays in the list, as shelved."""
    now = datetime.now(UTC)
    if not now < asked.until <= now + SHELF_MAX:
        raise InvalidInput(
            f"until must lie ahead, at most {SHELF_MAX.days} days: a shelf without end hides alerts",
            field="until",
        )
    row = await alert_in_scope(conn, caller.site_list, alert_id, accounts=caller.governs)
    if row.cleared_at is not None:
        raise Conflict(f"alert {alert_id} is cleared: there is nothing to shelve")
    for one in await alerts.alike(conn, caller.site_list, alert_id):
        await alerts.shelve(conn, one, asked.until.astimezone(UTC), asked.reason, caller.account)
    return await alert_detail(conn, caller.site_list, alert_id, accounts=caller.governs)


@single.delete("/alerts/{alert_id}/shelf", dependencies=[ENGINEER], status_code=204)
async def unshelve_alert(alert_id: AlertId, conn: Conn, caller: Caller) -> None:
    """Take it off the shelf before its time."""
    await alert_in_scope(conn, caller.site_list, alert_id, accounts=caller.governs)
    alike = await alerts.alike(conn, caller.site_list, alert_id)
    if not any([await alerts.unshelve(conn, one, caller.account) for one in alike]):
        raise NotFound(f"alert {alert_id} is on no shelf")
