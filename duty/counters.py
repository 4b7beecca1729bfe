"""Counters that a crane keeps by itself: what a day knows of one, and what they gained from reading to reading.

A reading stands for the end of its local day, whoever gave it: typed by a person, sent as an event, or sent in samples. Readings
of one day are one where they agree. Where they do not, or where a counter ran backwards, nothing is reckoned over that day
and the reader is told: none of the two is preferred.
"""

from collections.abc import Sequence
from datetime import date
from itertools import groupby, pairwise
from operator import attrgetter
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike

from domain.history import CounterKind
from domain.remark import Remark, coded, count, significant

HOURS_A_DAY: Final = 24
ROUNDING: Final = 1.0
"""Hours or lifts by which readings may differ and still agree: people read off whole numbers. Own choice."""


class CounterReading(Protocol):
    """One reading of a counter, as it stood at the end of a day: `value`; least and largest of the day beside it."""

    @property
    def kind(self) -> str: ...
    @property
    def read_on(self) -> date: ...
    @property
    def value(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def restarted(self) -> bool: ...


class Gained(NamedTuple):
    """What a counter gained between two readings that follow each other."""

    kind: CounterKind
    after: date
    upto: date
    gained: float


class DayReadings(NamedTuple):
    """Least, largest and last reading of a counter on one day."""

    low: float
    high: float
    last: float


class _Day(NamedTuple):
    """The readings of one counter and day as one. `doubted`: nothing may be reckoned over it."""

    read_on: date
    value: float
    low: float
    restarted: bool
    doubted: bool


def day_readings(readings: ArrayLike) -> DayReadings | None:
    """What a day knows of a counter, from its samples in time order, NaN where none was sent; None without any."""
    values = np.asarray(readings, np.float64)
    values = values[np.isfinite(values)]
    if not values.size:
        return None
    return DayReadings(float(values.min()), float(values.max()), float(values[-1]))


def gains(readings: Sequence[CounterReading]) -> tuple[list[Gained], list[Remark]]:
    """What counters gained from reading to reading, and readings that contradict each other, with what to do.

    Nothing is reckoned over a counter that restarted, nor from or to a reading that is contradicted: there nothing
    independent tells.
    """
    found: list[Gained] = []
    problems: list[Remark] = []
    for kind in CounterKind:
        mine = sorted((one for one in readings if CounterKind(one.kind) is kind), key=attrgetter("read_on"))
        days = [_one_day(kind, list(group), problems) for _, group in groupby(mine, attrgetter("read_on"))]
        doubted = {day.read_on for day in days if day.doubted}
        for before, after in pairwise(days):
            wrong = _too_many_hours(kind, before, after)
            if wrong is not None:
                problems.append(wrong)
                doubted |= {before.read_on, after.read_on}
            elif not after.restarted and after.low < before.value - ROUNDING:
                problems.append(
                    coded(
                        "counter.fell",
                        counter=coded(f"counter.{kind}"),
                        before=significant(before.value),
                        before_day=before.read_on,
                        after=significant(after.low),
                        after_day=after.read_on,
                    )
                )
                doubted |= {before.read_on, after.read_on}
        found += [
            Gained(kind, before.read_on, after.read_on, max(after.value - before.value, 0.0))
            for before, after in pairwise(days)
            if not after.restarted and not doubted & {before.read_on, after.read_on}
        ]
    return found, problems


def short(problems: Sequence[Remark], most: int = 3) -> tuple[Remark, ...]:
    """The newest problems of many, and how many more there are."""
    more = len(problems) - most
    return (*problems[-most:], *((coded("counter.more", count=count(more)),) if more > 0 else ()))


def _one_day(kind: CounterKind, readings: Sequence[CounterReading], problems: list[Remark]) -> _Day:
    """The readings of one day as one; what is wrong with them is added to problems."""
    day = readings[0].read_on
    begun = [one.value for one in readings if one.restarted]
    if begun:  # what was read before the restart, on the same day, may be anything
        return _Day(day, min(begun), min(begun), restarted=True, doubted=False)
    before = len(problems)
    if max(one.low for one in readings) - min(one.high for one in readings) > ROUNDING:
        problems.append(
            coded(
                "counter.contradicts",
                counter=coded(f"counter.{kind}"),
                day=day,
                least=significant(min(one.value for one in readings)),
                most=significant(max(one.value for one in readings)),
            )
        )
    fallen = next((one for one in readings if one.value < one.high - ROUNDING), None)
    if fallen is not None:
        problems.append(
            coded(
                "counter.fell_on_day",
                counter=coded(f"counter.{kind}"),
                day=day,
                high=significant(fallen.high),
                last=significant(fallen.value),
            )
        )
    value, low = max(one.value for one in readings), min(one.low for one in readings)
    return _Day(day, value, low, restarted=False, doubted=len(problems) > before)


def _too_many_hours(kind: CounterKind, before: _Day, after: _Day) -> Remark | None:
    """What is told of a counter of hours that gained more than there are; None where it did not."""
    there_are = HOURS_A_DAY * (
        (after.read_on - before.read_on).days + 1
    )  # readings may be of any hour of their days
    gained = after.value - before.value
    if kind is not CounterKind.OPERATING_HOURS or after.restarted or gained <= there_are + ROUNDING:
        return None
    return coded(
        "counter.too_many_hours",
        counter=coded(f"counter.{kind}"),
        gained=significant(gained),
        after=before.read_on,
        upto=after.read_on,
    )
