"""The overload register: lifts above 100 % structural, their causes, and what was decided about each."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request

from answers.life_records import as_row
from api.bounds import YEAR_FIRST, YEAR_LAST, DayFrom, DayTo, day_range
from api.deps import Caller, Conn, SeenCrane
from api.paging import Cursor, Limit, decode_cursor, moment_in_cursor, page
from api.permissions import ENGINEER, PERSONAL, VIEWER
from api.stages import AUDIT_DETAIL
from api.tables import TableRoute
from domain.answers import Page, of_rows
from domain.errors import InvalidInput, NotFound
from domain.moments import Instant
from domain.overload import (
    OverloadCause,
    OverloadCount,
    OverloadDecision,
    OverloadDecisionAsked,
    OverloadEntry,
    OverloadRow,
    OverloadsDecided,
    OverloadsDecisionAsked,
    OverloadState,
)
from duty.overloads import TOGETHER_UP_TO_PCT
from store import overloads
from store.reading import CraneInScope
from words.texts import cautions

router = APIRouter(tags=["overloads"], route_class=TableRoute)
writes = APIRouter(tags=["overloads"])

StartedAt = Annotated[
    Instant,
    Path(
        description="when the lift began, with zone; any moment inside the lift will do",
        openapi_examples={"example": {"value": "2026-03-02T08:21:40Z"}},
    ),
]


async def chosen_entries(
    state: Annotated[OverloadState | None, Query(description="only entries in this state")] = None,
    cause: Annotated[OverloadCause | None, Query(description="only entries decided with this cause")] = None,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> dict[str, Any]:
    """What of the register is asked for: each end of the days is left open where it is not given."""
    if day_from is not None or day_to is not None:
        day_range(day_from or day_to, day_to or day_from, default_days=1, zone="UTC")
    is_open = None if state is None else state is OverloadState.OPEN
    return {"is_open": is_open, "cause": cause, "day_from": day_from, "day_to": day_to}


Chosen = Annotated[dict[str, Any], Depends(chosen_entries)]


@router.get("/overloads", dependencies=[VIEWER, PERSONAL])
async def list_overloads(
    conn: Conn,
    caller: Caller,
    chosen: Chosen,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[OverloadRow]:
    """The overload register of the cranes that you may see, newest lift first; every day where none is given."""
    return await _page(conn, limit, cursor, sites=caller.site_list, **chosen)


@router.get("/overloads/counts", dependencies=[VIEWER])
async def count_overloads(conn: Conn, caller: Caller) -> Page[OverloadCount]:
    """How many overloads each crane that you may see has, and how many are open; cranes without any are absent."""
    found = await overloads.counts(conn, sites=caller.site_list)
    return Page(items=tuple(found.values()))


@router.get("/cranes/{name}/overloads", dependencies=[VIEWER, PERSONAL])
async def list_crane_overloads(
    crane: SeenCrane,
    conn: Conn,
    chosen: Chosen,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[OverloadRow]:
    """The overload register of one crane, newest lift first; every day where none is given."""
    return await _page(conn, limit, cursor, crane_id=crane.crane_id, **chosen)


@writes.get("/cranes/{name}/overloads/{started_at}", dependencies=[VIEWER, PERSONAL])
async def show_overload(crane: SeenCrane, started_at: StartedAt, conn: Conn) -> OverloadEntry:
    """One overload with every decision about it; its ETag guards a decision."""
    return await _entry(conn, crane, started_at)


@writes.put("/cranes/{name}/overloads/{started_at}", dependencies=[ENGINEER])
async def decide_overload(
    crane: SeenCrane,
    started_at: StartedAt,
    asked: OverloadDecisionAsked,
    request: Request,
    conn: Conn,
    caller: Caller,
) -> OverloadEntry:
    """Decide about an overload: why it was, and what follows. Earlier decisions stay below the new one.

    It changes no figure: readings that are false are taken out by an exclusion, a condition that calls for an assessment is entered of
    the crane.
    """
    await overloads.decide(conn, crane.crane_id, _in_years(started_at), asked, caller.account)
    found = await _entry(conn, crane, started_at)
    request.scope[AUDIT_DETAIL] = {
        **found.entry.model_dump(
            mode="json", include={"crane", "started_at", "peak_structural_pct", "cause", "note", "decided"}
        ),
        "decision_id": found.decisions[0].decision_id,
    }
    return found


@writes.post("/cranes/{name}/overloads", dependencies=[ENGINEER])
async def decide_overloads(
    crane: SeenCrane, asked: OverloadsDecisionAsked, request: Request, conn: Conn, caller: Caller
) -> OverloadsDecided:
    """Decide alike about every open overload of a crane up to a peak. Above 105 % each is looked at and decided on by itself."""
    if asked.peak_up_to_pct > TOGETHER_UP_TO_PCT:
        raise InvalidInput(
            f"peak_up_to_pct is {TOGETHER_UP_TO_PCT:g} at most: decide about higher peaks one by one, with their traces",
            field="peak_up_to_pct",
        )
    decided = await overloads.decide_several(conn, crane.crane_id, asked, caller.account)
    left = (await overloads.counts(conn, crane_id=crane.crane_id)).get(crane.name)
    request.scope[AUDIT_DETAIL] = {"crane": crane.name, **asked.model_dump(mode="json"), "entries": decided}
    return OverloadsDecided(crane=crane.name, decided=decided, open=left.open if left else 0)


async def _entry(conn: Conn, crane: CraneInScope, started_at: Instant) -> OverloadEntry:
    row = await overloads.at_moment(conn, crane.crane_id, _in_years(started_at))
    if row is None:
        raise NotFound(
            f"the register has no lift of {crane.name} at that moment: it may have been counted again, see the list"
        )
    made = await overloads.decisions(conn, crane.crane_id, row.started_at)
    return OverloadEntry(
        cautions=cautions("duty"),
        entry=as_row(row),
        decisions=of_rows(OverloadDecision, reversed(made)),
    )


def _in_years(moment: Instant) -> Instant:
    if not YEAR_FIRST < moment.year < YEAR_LAST:
        raise InvalidInput(
            f"started_at lies outside the years {YEAR_FIRST} to {YEAR_LAST}", field="started_at"
        )
    return moment


async def _page(conn: Conn, limit: int, cursor: str | None, **of: Any) -> Page[OverloadRow]:
    key = decode_cursor(cursor, (str, str))
    before = None if key is None else (moment_in_cursor(key[0]), key[1])
    rows = await overloads.overloads(conn, before=before, rows=limit + 1, **of)
    keys = [(row.started_at.isoformat(), row.crane) for row in rows]
    return page([as_row(row) for row in rows], limit, keys)
