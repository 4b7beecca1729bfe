"""Registering cranes: sites and types on file, a new crane, what is entered of one that is there, and of many before their record."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Request
from psycopg import Connection

from api.deps import Caller, Conn, SeenCrane, written
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ADMIN, ENGINEER, VIEWER
from api.problems import Refused
from api.tables import TableRoute
from domain.answers import CraneDetail, Page
from domain.crane import CraneType, Site
from domain.errors import Conflict, InvalidInput, NotFound
from domain.exclusion import CountedAgain
from domain.history import HistoryAsked, HistoryEntered, HistoryRow
from domain.messages import CRANE_NAME_PATTERN
from domain.moments import now_utc
from domain.registration import EXAMPLE, CraneChanged, CraneRegistration, CraneTypeRow
from duty.chart_rules import refuse_charts
from store import reading
from store.access import Principal
from store.registration import Planned, carry_out, histories, planned
from transfer.history import Placed, enter, history_row, read_csv, refuse, refuse_contradictions

router = APIRouter(tags=["registration"])
tables = APIRouter(tags=["registration"], route_class=TableRoute)

TypeName = Annotated[
    str,
    Path(
        alias="entry",
        pattern=CRANE_NAME_PATTERN,
        description="name of the type",
        openapi_examples={"example": {"value": "heron-120"}},
    ),
]
Registration = Annotated[
    CraneRegistration,
    Body(openapi_examples={"example": {"summary": "site and type are on file", "value": EXAMPLE}}),
]


@router.get("/sites", dependencies=[VIEWER])
async def list_sites(conn: Conn, caller: Caller) -> Page[Site]:
    """Sites that you may see, by name, with their time zones."""
    return Page(items=tuple(await reading.sites_in_scope(conn, caller.site_list)))


@router.get("/crane-types", dependencies=[ENGINEER])
async def list_types(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[CraneTypeRow]:
    """Crane types on file, by name: a crane of one of them is registered by the name of its type."""
    after = decode_cursor(cursor, (str,))
    rows = await reading.type_rows(conn, caller.site_list, after=after[0] if after else "", rows=limit + 1)
    return page(rows, limit, [(row.name,) for row in rows])


@router.get("/crane-types/{entry}", dependencies=[ENGINEER])
async def show_type(name: TypeName, conn: Conn) -> CraneType:
    """One crane type: geometry, masses, rated moment, load charts."""
    found = await reading.crane_type(conn, name)
    if found is None:
        raise NotFound(f"there is no crane type {name!r}: see the list of crane types")
    return found


@router.post("/cranes", dependencies=[ADMIN], status_code=201)
async def register_crane(wanted: Registration, request: Request, caller: Caller) -> CraneDetail:
    """Register a crane: the JSON that `boomledger crane example` prints, or with site and type named that are on file.

    What is on file is not replaced here. A site that is new is added by who sees every site.
    """
    return await written(request, caller, lambda conn: _write(conn, caller, wanted, _may_make))


@router.put("/cranes/{name}", dependencies=[ADMIN])
async def change_crane(
    crane: SeenCrane, wanted: Registration, request: Request, caller: Caller
) -> CraneChanged:
    """Replace what is entered of a crane, in the form that its GET answers; a draft is completed by `draft` false.

    A changed type holds for this crane from `valid_from` on, and its other cranes keep their own; with `correct_past` the
    description of that day is corrected. Another site or type of the same name is replaced on file, which takes a
    scope of every site. Days that were counted by another description or time zone are counted anew.
    """
    if wanted.crane.name != crane.name:
        raise InvalidInput(
            f"the body is about {wanted.crane.name!r} and the path about {crane.name!r}: a crane keeps its name",
            field="crane.name",
        )
    return await written(request, caller, lambda conn: _write(conn, caller, wanted, _may_change))


def _write(
    conn: Connection[Any],
    caller: Principal,
    wanted: CraneRegistration,
    check: Callable[[Planned, bool], None],
) -> CraneChanged:
    found = planned(conn, wanted, now_utc(), caller.sites, caller.account)
    check(found, caller.sites is None)
    refuse_contradictions(conn, found.crane, now_utc())
    if found.crane.type != found.known_type:
        refuse_charts(found.crane.type)
    kept = carry_out(conn, found)
    return CraneChanged(
        crane=kept.record.crane, site=kept.record.site, counted_again=CountedAgain.of(kept.days)
    )


def _may_make(found: Planned, every_site: bool) -> None:
    name, kind = found.crane.name, found.crane.type.name
    if found.known is not None:
        raise Conflict(f"a crane named {name} is registered: choose another name, or change it by PUT")
    if found.changes_type:
        raise Conflict(
            f"the crane type {kind} is on file with other figures: name it (`type`: {kind!r}),"
            " or give yours a name of its own"
        )
    if found.changes_site:
        raise Conflict(f"the site {found.site.name} is on file otherwise: leave `site` out, or name another")
    _may_add_site(found, every_site)


def _may_change(found: Planned, every_site: bool) -> None:
    _may_add_site(found, every_site)
    if (found.changes_type or found.changes_site) and not every_site:
        what = f"type {found.crane.type.name}" if found.changes_type else f"site {found.site.name}"
        raise Refused(
            403,
            f"this would change the {what} on file, which takes every site in scope; a crane's own figures change by its descriptions",
        )


def _may_add_site(found: Planned, every_site: bool) -> None:
    if found.new_site and not every_site:
        raise NotFound(
            f"there is no site {found.site.name!r} that you may see, and adding one takes every site"
        )


@tables.get("/life-history", dependencies=[VIEWER], response_model=Page[HistoryRow])
async def list_histories(request: Request, caller: Caller) -> Page[HistoryRow]:
    """What is entered of every crane's life before its record, the most unknown years first."""

    def read(conn: Connection[Any]) -> tuple[HistoryRow, ...]:
        rows = map(history_row, histories(conn, caller.site_list))
        return tuple(sorted(rows, key=lambda row: (-row.unknown_years, row.crane)))

    return Page(items=await written(request, caller, read))


@router.post("/life-history", dependencies=[ENGINEER])
async def enter_histories(asked: HistoryAsked, request: Request, caller: Caller) -> HistoryEntered:
    """Enter the history of many cranes at once, as rows or CSV. With a problem in any of them nothing is kept.

    What is left out of an entry stays as it is on file. Used shares follow within moments.
    """

    def enter_all(conn: Connection[Any]) -> HistoryEntered:
        entries = [Placed(0, entry) for entry in asked.entries]
        if asked.csv:
            found = read_csv(asked.csv)
            refuse(found.problems)
            entries = list(found.entries)
        cranes = enter(conn, entries, now_utc(), caller.site_list, check_only=asked.check_only)
        return HistoryEntered(cranes=cranes, stored=not asked.check_only)

    return await written(request, caller, enter_all)
