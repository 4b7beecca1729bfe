"""What is on record and what is missing, with causes; counters that a crane keeps by itself: readings entered, withdrawn, and beside the record."""

from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Request
from psycopg import Connection

from answers.coverage import counters_of, coverage_of
from api.bounds import DayFrom, DayTo, day_range
from api.deps import Caller, Conn, KnownCrane, SeenCrane, written
from api.permissions import ENGINEER, PERSONAL, VIEWER
from domain.coverage_answers import CoverageAnswer
from domain.errors import InvalidInput
from domain.history import COUNTER_TEXT, CounterReadingAsked, CountersAnswer
from duty.counters import gains
from store import counters
from store.counters import READINGS
from words.remarks import listed

router = APIRouter(tags=["maintenance"])
ReadingId = Annotated[
    int, Path(ge=1, le=2**31 - 1, alias="reading_id", openapi_examples={"example": {"value": 1}})
]


@router.get("/cranes/{name}/counters", dependencies=[VIEWER, PERSONAL])
async def show_counters(crane: SeenCrane, conn: Conn) -> CountersAnswer:
    """Readings of the crane's own counters in force, and what they gained beside what was recorded."""
    return await counters_of(conn, crane)


@router.post("/cranes/{name}/counters", status_code=201, dependencies=[ENGINEER])
async def enter_counter_reading(
    crane: KnownCrane, asked: CounterReadingAsked, request: Request, caller: Caller, conn: Conn
) -> CountersAnswer:
    """Enter a reading of the crane's operating-hours or lift counter, as it stood at the end of a local day.

    A reading that makes the counter run backwards is refused, unless it says that the counter restarted. So is one of a day that
    lies ahead or before the crane was made, and one that rises by more hours than there are.
    """
    made = crane.crane().manufactured_on
    if asked.read_on > crane.today():
        raise InvalidInput(f"{asked.read_on} lies ahead: enter the day on which it was read", field="read_on")
    if made is not None and asked.read_on < made:
        raise InvalidInput(
            f"the crane was made on {made}, after {asked.read_on}: correct one of the two", field="read_on"
        )

    def write(own: Connection[Any]) -> None:
        before = gains(
            READINGS.all(own, crane_id=crane.crane_id, zone=crane.time_zone, counter_text=COUNTER_TEXT)
        )[1]
        counters.add_reading(own, crane.crane_id, asked, caller.account)
        told = gains(
            READINGS.all(own, crane_id=crane.crane_id, zone=crane.time_zone, counter_text=COUNTER_TEXT)
        )[1]
        new = [one for one in told if one not in before]
        if new:
            raise InvalidInput(listed(new), field="value")

    await written(request, caller, write)
    return await counters_of(conn, crane)


@router.delete("/cranes/{name}/counters/{reading_id}", dependencies=[ENGINEER])
async def withdraw_counter_reading(
    crane: SeenCrane, reading_id: ReadingId, request: Request, caller: Caller, conn: Conn
) -> CountersAnswer:
    """Withdraw a reading that was entered."""
    await written(
        request,
        caller,
        lambda own: counters.withdraw_reading(own, crane.crane_id, reading_id, caller.account),
    )
    return await counters_of(conn, crane)


DEFAULT_DAYS: Final = 90


@router.get("/cranes/{name}/coverage", dependencies=[VIEWER, PERSONAL])
async def show_coverage(
    crane: KnownCrane, conn: Conn, day_from: DayFrom = None, day_to: DayTo = None
) -> CoverageAnswer:
    """How much is on record, what is missing and why, the f1 that follows; last 90 days by default."""
    chosen = day_range(day_from, day_to, default_days=DEFAULT_DAYS, zone=crane.time_zone)
    return await coverage_of(conn, crane, chosen)
