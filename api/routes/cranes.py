"""Cranes: the list, one crane, its last known values."""

from fastapi import APIRouter

from api.deps import Caller, Conn, KnownCrane
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import VIEWER
from domain.answers import CraneDetail, CraneRow, Page
from store import reading

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
