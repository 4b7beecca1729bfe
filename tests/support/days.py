"""Days on which what depends on the day has gone wrong somewhere: tests of such code run for each of them.

A moment is given in UTC together with the zone in which it is that day. The nights of the clock changes are entered a minute
before and a minute after the change, New Year's Eve where the yard is in the new year already and where UTC is.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

BERLIN, NEW_YORK = "Europe/Berlin", "America/New_York"


@dataclass(frozen=True)
class Moment:
    """A moment, and the zone of the yard."""

    name: str
    at: datetime
    zone: str

    @property
    def day(self) -> date:
        """The day in the yard."""
        return self.at.astimezone(ZoneInfo(self.zone)).date()


MOMENTS = tuple(
    Moment(name, datetime.fromisoformat(f"{at}+00:00").astimezone(UTC), zone)
    for name, at, zone in (
        ("a Monday", "2026-11-30T09:00", BERLIN),
        ("first of a month", "2026-07-01T00:30", BERLIN),
        ("first of a month, the last in UTC", "2026-06-30T22:30", BERLIN),
        ("before summer time in Berlin", "2026-03-29T00:59", BERLIN),
        ("after summer time in Berlin", "2026-03-29T01:01", BERLIN),
        ("before winter time in Berlin", "2026-10-25T00:59", BERLIN),
        ("after winter time in Berlin", "2026-10-25T01:01", BERLIN),
        ("before summer time in New York", "2026-03-08T06:59", NEW_YORK),
        ("after summer time in New York", "2026-03-08T07:01", NEW_YORK),
        ("before winter time in New York", "2026-11-01T05:59", NEW_YORK),
        ("after winter time in New York", "2026-11-01T06:01", NEW_YORK),
        ("29 February", "2028-02-29T12:00", BERLIN),
        ("New Year's Eve", "2026-12-31T12:00", BERLIN),
        ("New Year in Berlin, the old one in UTC", "2026-12-31T23:30", BERLIN),
        ("New Year in UTC, the old one in New York", "2027-01-01T03:00", NEW_YORK),
    )
)
on_any_day = pytest.mark.parametrize("moment", MOMENTS, ids=[moment.name for moment in MOMENTS])
