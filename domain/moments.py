"""Days and instants as callers write them: written out, never a bare number; ranges of them; the moment that is answered for.

What an answer says of today it asks of `now_utc` and `today_in`. Log-ins, locks and what is compared with the database's own clock keep to
the real one.
"""

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, AwareDatetime, BeforeValidator

YEARS: Final = (1900, 2199)  # of what is entered, as the day of manufacture
RECORD_YEARS: Final = (1970, 2199)  # of what is on record and of plans
_WRITTEN_OUT: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


def written_out(value: object) -> object:
    """Refuse bare numbers, in text or not, which would be read as seconds since 1970."""
    if isinstance(value, int | float) or (isinstance(value, str) and not _WRITTEN_OUT.match(value)):
        raise ValueError("write it as 2026-03-02 or 2026-03-02T05:00:00Z")
    return value


def within_years(value: date) -> date:
    """Refuse days and instants near the ends of the calendar, where a day or a zone more cannot be told."""
    if not YEARS[0] <= value.year <= YEARS[1]:
        raise ValueError(f"write a year from {YEARS[0]} to {YEARS[1]}")
    return value


def within_record_years(value: datetime) -> datetime:
    """Refuse instants before 1970, and near the end of the calendar, where a zone more cannot be told."""
    if not RECORD_YEARS[0] <= value.year <= RECORD_YEARS[1]:
        raise ValueError(f"write a year from {RECORD_YEARS[0]} to {RECORD_YEARS[1]}")
    return value


Day = Annotated[date, BeforeValidator(written_out), AfterValidator(within_years)]
Instant = Annotated[AwareDatetime, BeforeValidator(written_out), AfterValidator(within_years)]
RecordInstant = Annotated[AwareDatetime, BeforeValidator(written_out), AfterValidator(within_record_years)]


@dataclass(frozen=True, slots=True)
class TimeRange:
    """Instants from `start` up to and without `end`, in UTC."""

    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class DayRange:
    """Local days from `first` to `last`, both included."""

    first: date
    last: date


_fixed: datetime | None = None


def now_utc() -> datetime:
    """The moment of the answer, in UTC."""
    return _fixed or datetime.now(UTC)


def today_in(zone: str = "UTC") -> date:
    """The day in a zone at that moment."""
    return now_utc().astimezone(ZoneInfo(zone)).date()


FURTHEST_EAST: Final = "Etc/GMT-14"
"""The zone in which a day begins first (UTC+14): what happened today at any site lies on its today or before."""


@contextlib.contextmanager
def answered_at(moment: datetime) -> Iterator[None]:
    """Every answer of this process that begins inside the block is that of a given moment."""
    global _fixed
    before, _fixed = _fixed, moment.astimezone(UTC)
    try:
        yield
    finally:
        _fixed = before
