"""What routes ask for: a connection, who is asking, and the crane if they may see it."""

from collections.abc import AsyncIterator, Callable
from typing import Annotated, Any, Final, TypeVar

from anyio import to_thread
from fastapi import Depends, Path, Query, Request, Response
from psycopg import AsyncConnection, Connection

from answers.dispatch_fleet import DispatchFleet
from answers.fleet import FleetAtAGlance
from api.permissions import principal_of
from api.problems import Refused
from api.settings import ApiSettings
from api.stages import AUDIT_DETAIL
from domain.dispatch_answers import CraneState, StateCode
from domain.errors import InvalidInput, NotFound
from domain.messages import CRANE_NAME_PATTERN, CraneName
from store import reading
from store.access import Principal, Role
from store.reading import CraneInScope, CraneKnown
from store.site_scope import Pool, scope_in_thread, site_scope

CRANES_AT_ONCE: Final = 50
PDF: Final = "application/pdf"
PDF_ANSWER: Final[dict[int | str, dict[str, Any]]] = {
    200: {"content": {PDF: {"schema": {"type": "string", "format": "binary"}}}}
}
"""What a route that answers a PDF says of its answer."""
Made = TypeVar("Made")
Caller = Annotated[Principal, Depends(principal_of)]


async def get_pool(request: Request) -> Pool:
    """The pool of this api."""
    pool: Pool = request.app.state.pool
    return pool


async def get_settings(request: Request) -> ApiSettings:
    """The settings of this api."""
    settings: ApiSettings = request.app.state.settings
    return settings


async def get_conn(
    pool: Annotated[Pool, Depends(get_pool)], caller: Caller
) -> AsyncIterator[AsyncConnection[Any]]:
    """A connection in a transaction that sees the sites of the caller; committed before the answer leaves."""
    async with site_scope(pool, caller.sites, **caller.who) as conn:
        yield conn


async def get_plain_conn(pool: Annotated[Pool, Depends(get_pool)]) -> AsyncIterator[AsyncConnection[Any]]:
    """A connection in autocommit that sees nothing: for log-ins, before anybody is known."""
    async with pool.connection() as conn:
        yield conn


Conn = Annotated[AsyncConnection[Any], Depends(get_conn, scope="function")]
PlainConn = Annotated[AsyncConnection[Any], Depends(get_plain_conn, scope="function")]
Settings = Annotated[ApiSettings, Depends(get_settings)]
CraneNamePath = Annotated[
    str,
    Path(
        alias="name",
        pattern=CRANE_NAME_PATTERN,
        description="name of the crane",
        openapi_examples={"example": {"value": "heron-3"}},
    ),
]


async def get_crane(name: CraneNamePath, conn: Conn, caller: Caller) -> CraneInScope:
    """The crane of the path. One out of scope answers as one that does not exist."""
    found = await reading.crane_in_scope(conn, name, caller.site_list)
    if found is None:
        raise no_crane(name)
    return found


async def get_known_crane(name: CraneNamePath, conn: Conn, caller: Caller) -> CraneKnown:
    """The same with everything entered about it."""
    found = await reading.CRANE_KNOWN.first_async(conn, crane=name, sites=caller.site_list)
    if found is None:
        raise no_crane(name)
    return found


async def get_cranes(
    cranes: Annotated[
        list[CraneName],
        Query(
            alias="crane",
            min_length=1,
            max_length=CRANES_AT_ONCE,
            description="names of cranes",
            openapi_examples={"example": {"value": ["heron-3"]}},
        ),
    ],
    conn: Conn,
    caller: Caller,
) -> list[CraneInScope]:
    """The cranes asked for, by name; one out of scope answers as one that does not exist."""
    found = await reading.cranes_in_scope(conn, cranes, caller.site_list)
    missing = set(cranes) - {crane.name for crane in found}
    if missing:
        raise no_crane(min(missing))
    return found


async def get_at_a_glance(request: Request) -> FleetAtAGlance:
    """The fleet of this api at a glance."""
    fleet: FleetAtAGlance = request.app.state.at_a_glance
    return fleet


async def written(request: Request, caller: Principal, change: Callable[[Connection[Any]], Made]) -> Made:
    """What a change makes, done in a thread and a transaction on a connection of its own: one more of the pool could wait for itself."""

    def write() -> Made:
        url, key = request.app.state.database_url, request.app.state.settings.scope_key_text
        with scope_in_thread(url, caller.sites, key=key, **caller.who) as conn, conn.transaction():
            return change(conn)

    return await to_thread.run_sync(write)


def file_response(content: bytes, kind: str, name: str, *, inline: bool = False) -> Response:
    """A file to keep, or to look at in the browser. `name` is ASCII."""
    shown = "inline" if inline else "attachment"
    headers = {"content-disposition": f'{shown}; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def no_crane(name: str) -> NotFound:
    """What is said of a crane that is not there or not in scope."""
    return NotFound(f"no crane that you may see is named {name!r}: see the list of cranes")


SeenCrane = Annotated[CraneInScope, Depends(get_crane)]
SeenCranes = Annotated[list[CraneInScope], Depends(get_cranes)]
AtAGlance = Annotated[FleetAtAGlance, Depends(get_at_a_glance)]
KnownCrane = Annotated[CraneKnown, Depends(get_known_crane)]


async def get_dispatch_fleet(request: Request) -> DispatchFleet:
    """The fleet of this api, laid out for dispatch."""
    fleet: DispatchFleet = request.app.state.dispatch_fleet
    return fleet


Fleet = Annotated[DispatchFleet, Depends(get_dispatch_fleet)]


def overridden(
    request: Request, caller: Principal, crane: str, states: tuple[CraneState, ...], reason: str | None
) -> tuple[StateCode, ...]:
    """What a caller passes over with a reason, noted for the audit; empty where the crane needs no override.

    Raises InvalidInput without a reason, Refused where the caller's role does not cover it.
    """
    passed = [state for state in states if state.needs_override]
    if not passed:
        return ()
    what = "; ".join(state.text for state in passed)
    if not caller.role.covers(Role.ENGINEER):
        raise Refused(
            403, f"{crane}: {what}. Only an engineer may use it all the same, with an override_reason"
        )
    if reason is None:
        raise InvalidInput(
            f"{crane}: {what}. Give an override_reason, or choose another crane", field="override_reason"
        )
    detail: dict[str, Any] = {"crane": crane, "override_reason": reason, "override_states": what}
    request.scope[AUDIT_DETAIL] = detail
    return tuple(dict.fromkeys(state.code for state in passed))
