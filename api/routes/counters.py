"""Counters that a crane keeps by itself: readings entered and withdrawn, and what they say about its record."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from anyio import to_thread
from fastapi import APIRouter, Path, Request
from psycopg import Connection

from api.deps import Caller, Conn, KnownCrane, SeenCrane
from api.permissions import ENGINEER, VIEWER
from api.routes.life import counter_spans
from domain.counter import CounterReadingAsked, CounterReadingRow, CountersAnswer, CounterSpanRow
from domain.errors import InvalidInput
from duty.counters import gains
from store import counters, summary
from store.access import Principal
from store.counters import READINGS
from store.reading import CraneInScope
from store.site_scope import scope_in_thread

router = APIRouter(tags=["maintenance"])
ReadingId = Annotated[
    int, Path(ge=1, le=2**31 - 1, alias="reading_id", openapi_examples={"example": {"value": 1}})
]


@router.get("/cranes/{name}/counters", dependencies=[VIEWER])
async def show_counters(crane: SeenCrane, conn: Conn) -> CountersAnswer:
    """Readings of the crane's own counters in force, and what they gained beside what was recorded."""
    found = await summary.crane_summary(conn, crane.name)
    rows = await READINGS.all_async(conn, crane_id=crane.crane_id, zone=crane.time_zone)
    spans, problems = await counter_spans(conn, crane, None if found is None else found.counting_id)
    return CountersAnswer(
        crane=crane.name,
        readings=tuple(CounterReadingRow.model_validate(row, from_attributes=True) for row in rows),
        spans=tuple(
            CounterSpanRow(
                kind=one.kind,
                after=one.after,
                upto=one.upto,
                gained=one.gained,
                recorded=one.recorded,
                agrees=one.gained <= one.recorded,
            )
            for one in spans
        ),
        problems=problems,
    )


@router.post("/cranes/{name}/counters", dependencies=[ENGINEER], status_code=201)
async def enter_counter_reading(
    crane: KnownCrane, asked: CounterReadingAsked, request: Request, caller: Caller, conn: Conn
) -> CountersAnswer:
    """Enter a reading of the crane's operating-hours or lift counter, as it stood at the end of a local day.

    A reading that makes the counter run backwards is refused, unless it says that the counter restarted. So is one of a day that
    lies ahead or before the crane was made, and one that rises by more hours than there are.
    """
    made, today = crane.crane().manufactured_on, datetime.now(ZoneInfo(crane.time_zone)).date()
    if asked.read_on > today:
        raise InvalidInput(f"{asked.read_on} lies ahead: enter the day on which it was read", field="read_on")
    if made is not None and asked.read_on < made:
        raise InvalidInput(
            f"the crane was made on {made}, after {asked.read_on}: correct one of the two", field="read_on"
        )

    def write(conn: Connection[Any]) -> None:
        before = set(gains(READINGS.all(conn, crane_id=crane.crane_id, zone=crane.time_zone))[1])
        counters.add_reading(conn, crane.crane_id, asked, caller.account)
        told = gains(READINGS.all(conn, crane_id=crane.crane_id, zone=crane.time_zone))[1]
        new = [one for one in told if one not in before]
        if new:
            raise InvalidInput("; ".join(new), field="value")

    return await _changed(request, caller, crane, conn, write)


@router.delete("/cranes/{name}/counters/{reading_id}", dependencies=[ENGINEER])
async def withdraw_counter_reading(
    crane: SeenCrane, reading_id: ReadingId, request: Request, caller: Caller, conn: Conn
) -> CountersAnswer:
    """Withdraw a reading that was entered."""
    return await _changed(
        request,
        caller,
        crane,
        conn,
        lambda own: counters.withdraw_reading(own, crane.crane_id, reading_id, caller.account),
    )


async def _changed(
    request: Request,
    caller: Principal,
    crane: CraneInScope,
    conn: Conn,
    change: Callable[[Connection[Any]], None],
) -> CountersAnswer:
    """Written on a connection of its own, read again on the request's: one more of the pool could wait for itself."""

    def write() -> None:
        with scope_in_thread(request.app.state.database_url, caller.sites) as own, own.transaction():
            change(own)

    await to_thread.run_sync(write)
    return await show_counters(crane, conn)
