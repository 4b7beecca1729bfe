"""When a service falls due: by operating hours, lifts or calendar, whichever comes first."""

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal, Protocol

By = Literal["hours", "lifts", "calendar"]
HORIZON_DAYS: Final = 3650


@dataclass(frozen=True, slots=True)
class Due:
    """The day a service falls due, what brings it, and how much of the interval is used (1: due)."""

    on: date | None  # None: beyond ten years at the present use
    by: By | None
    used: float

    @property
    def overdue(self) -> bool:
        """Whether the interval is used up."""
        return self.used >= 1


def due(
    *,
    today: date,
    counted_from: date,
    every_hours: float | None = None,
    hours_since: float = 0.0,
    hours_per_day: float = 0.0,
    every_lifts: int | None = None,
    lifts_since: int = 0,
    lifts_per_day: float = 0.0,
    every_days: int | None = None,
) -> Due:
    """Earliest due day over the limits that are set, at the use of late.

    hours_since [h], lifts_since: use since counted_from. hours_per_day, lifts_per_day: mean use per calendar day of
    late; the forecast goes on at that pace. A limit that is already reached is due today, and `used` tells by how much.
    """
    found: list[tuple[float, By, float]] = []
    if every_hours is not None:
        found.append(
            (_days_left(every_hours - hours_since, hours_per_day), "hours", hours_since / every_hours)
        )
    if every_lifts is not None:
        found.append(
            (_days_left(every_lifts - lifts_since, lifts_per_day), "lifts", lifts_since / every_lifts)
        )
    if every_days is not None:
        age = (today - counted_from).days
        found.append((float(max(0, every_days - age)), "calendar", age / every_days))
    if not found:
        return Due(None, None, 0.0)
    days, by, _ = min(found)
    used = max(share for _, _, share in found)
    if days > HORIZON_DAYS:
        return Due(None, None, used)
    return Due(today + timedelta(days=math.ceil(days)), by, used)


class Interval(Protocol):
    """An interval of service, with the use since it was last done and the use of late."""

    @property
    def counted_from(self) -> datetime: ...
    @property
    def every_hours(self) -> float | None: ...
    @property
    def every_lifts(self) -> int | None: ...
    @property
    def every_days(self) -> int | None: ...
    @property
    def hours_since(self) -> float: ...
    @property
    def lifts_since(self) -> int: ...
    @property
    def hours_of_late(self) -> float: ...
    @property
    def lifts_of_late(self) -> int: ...
    @property
    def late_days(self) -> int: ...


def interval_due(interval: Interval, today: date) -> Due:
    """When one interval falls due at the use of late, the last `late_days` days."""
    return due(
        today=today,
        counted_from=interval.counted_from.date(),
        every_hours=interval.every_hours,
        hours_since=interval.hours_since,
        hours_per_day=interval.hours_of_late / interval.late_days,
        every_lifts=interval.every_lifts,
        lifts_since=interval.lifts_since,
        lifts_per_day=interval.lifts_of_late / interval.late_days,
        every_days=interval.every_days,
    )


def _days_left(left: float, per_day: float) -> float:
    if left <= 0:
        return 0.0
    return left / per_day if per_day > 0 else math.inf
