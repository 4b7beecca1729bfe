"""The life of cranes before their record: what is entered, what stays unknown, and the entry of many at once."""

from datetime import UTC, datetime

from anyio import to_thread
from fastapi import APIRouter, Request

from api.deps import Caller
from api.tables import TableRoute
from domain.answers import Page
from domain.history import HistoryAsked, HistoryEntered, HistoryRow
from store.access import Principal
from store.history import histories
from store.sight import sight_in_thread
from transfer.history import Placed, enter, history_row, read_csv, refuse

router = APIRouter(tags=["registration"], route_class=TableRoute)
writes = APIRouter(tags=["registration"])


@router.get("/life-history", response_model=Page[HistoryRow])
async def list_histories(request: Request, caller: Caller) -> Page[HistoryRow]:
    """What is entered of every crane's life before its record, the most unknown years first."""

    def read() -> tuple[HistoryRow, ...]:
        with sight_in_thread(request.app.state.database_url, caller.sites) as conn:
            rows = [history_row(one) for one in histories(conn, caller.site_list)]
        return tuple(sorted(rows, key=lambda row: (-row.unknown_years, row.crane)))

    return Page(items=await to_thread.run_sync(read))


@writes.post("/life-history")
async def enter_histories(asked: HistoryAsked, request: Request, caller: Caller) -> HistoryEntered:
    """Enter the history of many cranes at once, as rows or CSV. With a problem in any of them nothing is kept.

    What is left out of an entry stays as it is on file. Used shares follow within moments.
    """
    return await to_thread.run_sync(_enter, request.app.state.database_url, caller, asked)


def _enter(database_url: str, caller: Principal, asked: HistoryAsked) -> HistoryEntered:
    entries = [Placed(0, entry) for entry in asked.entries]
    if asked.csv:
        found = read_csv(asked.csv)
        refuse(found.problems)
        entries = list(found.entries)
    with sight_in_thread(database_url, caller.sites) as conn, conn.transaction():
        cranes = enter(conn, entries, datetime.now(UTC), caller.site_list, check_only=asked.check_only)
    return HistoryEntered(cranes=cranes, stored=not asked.check_only)
