"""Cranes: the list, one crane, its last known values."""

from datetime import UTC, datetime

from fastapi import APIRouter

from api.deps import Caller, Conn, CraneNamePath, KnownCrane, no_crane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import VIEWER
from domain.answers import CraneDetail, CraneRow, LiveAnswer, Page
from store import reading
from store.reading import LiveRow

router = APIRouter(tags=["cranes"])


@router.get("/cranes", dependencies=[VIEWER])
async def list_cranes(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[CraneRow]:
    """Cranes of the sites that you may see, by name."""
    after = decode_cursor(cursor, (str,))
    rows = await reading.crane_rows(conn, caller.site_list, after=after[0] if after else "", rows=limit + 1)
    listed = [CraneRow.model_validate(row, from_attributes=True) for row in rows]
    return page(listed, limit, [(row.name,) for row in rows])


@router.get("/cranes/{name}", dependencies=[VIEWER])
async def show_crane(crane: KnownCrane) -> CraneDetail:
    """Everything known about one crane: geometry, ratings, design class, prior duty, site."""
    return CraneDetail(crane=crane.crane(), site=crane.site())


@router.get("/cranes/{name}/live", dependencies=[VIEWER])
async def show_live(name: CraneNamePath, conn: Conn, caller: Caller) -> LiveAnswer:
    """Last known values of one crane, with their age. Late data and lost coverage make the age large."""
    rows = await reading.live_rows(conn, caller.site_list, cranes=[name])
    if not rows:
        raise no_crane(name)
    return live_answer(rows[0], datetime.now(UTC))


def live_answer(row: LiveRow, now: datetime) -> LiveAnswer:
    """One crane's last known values with their age."""
    return LiveAnswer(
        crane=row.crane,
        online=row.online,
        at=row.at,
        received_at=row.received_at,
        age_s=None if row.at is None else (now - row.at).total_seconds(),
        values=row.last_values or {},
    )
