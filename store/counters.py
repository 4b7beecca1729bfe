"""Readings of the counters that a crane keeps by itself, and the record month by month that they are held against."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Literal

from psycopg import Connection

from domain.errors import Conflict, NotFound
from domain.history import CounterReadingAsked
from store.sql import query
from store.statement import Statement, run


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingRow:
    """One reading in force; `reading_id` None where the crane sent it.

    `value` is the last of its day, `low` and `high` the least and the largest.
    """

    reading_id: int | None
    kind: str  # as CounterKind
    read_on: date
    value: float
    low: float
    high: float
    restarted: bool
    note: str
    source: Literal["typed", "event", "samples"]
    entered_at: datetime
    entered_by: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MonthRecord:
    """What is on record of one month, named by its first day."""

    month: date
    recorded_ms: int
    missing_ms: int
    unrecorded_ms: int
    cube_sum: float
    uncounted_ms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Recorded:
    """What was recorded between two days: working time in any mode but transport, and lifts."""

    working_ms: int
    lifts: int


READINGS: Final = Statement("counter_readings", ReadingRow)
MONTHLY_RECORD: Final = Statement("monthly_record", MonthRecord)
RECORDED_BETWEEN: Final = Statement("recorded_between", Recorded)


def add_reading(conn: Connection[Any], crane_id: int, asked: CounterReadingAsked, account: str) -> int:
    """Enter a reading, in the transaction of the caller; its number. The same reading again changes nothing.

    Raises Conflict where another reading of that counter and day is in force.
    """
    given = asked.model_dump()
    row = conn.execute(
        query("counter_reading_added"), {**given, "crane_id": crane_id, "account": account}
    ).fetchone()
    if row is None:
        found = conn.execute(query("counter_reading_of_day"), {**given, "crane_id": crane_id}).fetchone()
        if found is None or (found[1], found[2]) != (asked.value, asked.restarted):
            raise Conflict(f"a reading of {asked.read_on} is entered: withdraw it before you enter another")
        return int(found[0])
    run(conn, "summary_outdated", crane_id=crane_id)
    return int(row[0])


def withdraw_reading(conn: Connection[Any], crane_id: int, reading_id: int, account: str) -> None:
    """Take a reading back. Raises NotFound where there is none in force."""
    params = {"crane_id": crane_id, "reading_id": reading_id, "account": account}
    if conn.execute(query("counter_reading_withdrawn"), params).fetchone() is None:
        raise NotFound(f"this crane has no reading {reading_id} in force: see its list of readings")
    run(conn, "summary_outdated", crane_id=crane_id)
