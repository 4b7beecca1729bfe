"""Which days a crane works, and which status codes it raises: a year at a time, so that what lasts longer than a day fits.

Breakdowns and codes follow wear and abuse: their rates grow with age and with how often the operator tries
what is not allowed. The factors are invented.
"""

from datetime import date, timedelta
from functools import lru_cache
from importlib.resources import files
from typing import Final, NamedTuple

import numpy as np

from simulator.yard import YardCrane

_WORK, _CODES = 11, 12  # purposes of random streams
_WINTER_SHARE: Final = 0.9  # of the usual working days in January, against July
_BREAKDOWN_DAYS: Final = (1, 2, 3, 6)
_BREAKDOWNS_PER_YEAR: Final = 1.5
_USUAL_CODE_WEIGHT: Final = 20.0


class Code(NamedTuple):
    """A status code of the invented cranes, and how many days it may stay open."""

    code: str
    text: str
    days: tuple[int, ...]


CODES: Final = (
    Code("B-104", "Main boom angle sensor: reading jumps", (0, 0, 1, 2)),
    Code("B-117", "Extension sensor: no plausible length", (0, 1, 3)),
    Code("H-210", "Hydraulic oil: filter near its limit", (0, 2, 5, 9)),
    Code("H-233", "Hydraulic oil: temperature above working range", (0,)),
    Code("L-301", "Pressure sensor: difference between both channels", (0, 1, 4)),
    Code("R-402", "Hand-held controller: radio link interrupted", (0,)),
    Code("R-415", "Hand-held controller: battery low", (0,)),
    Code("S-506", "Stabiliser left: position switch does not answer", (0, 1, 2)),
)
BY_READING: Final = frozenset(
    {"R-402", "R-415"}
)  # `simulator.controller` raises these; drawn here, they are left out
BREAKDOWN: Final = Code("H-299", "Hydraulic pump: pressure does not build up", _BREAKDOWN_DAYS)


def invented_codes() -> str:
    """The catalogue of these codes as CSV, in the form that anyone imports theirs."""
    return files(__package__).joinpath("status_codes.csv").read_text("utf-8")


class Outage(NamedTuple):
    """A status code, raised on one working day and cleared on the same or a later one."""

    code: Code
    raised_on: date
    cleared_on: date | None  # None: not before the end of the following year
    share: float  # where in the working time of its day it is raised


def works_on(crane: YardCrane, day: date, seed: int) -> bool:
    """Whether the crane goes out on a day: weekdays only, not all of them, and not while it stands broken down."""
    return bool(_working(_key(crane), day.year, seed)[day.timetuple().tm_yday - 1])


def outages_on(crane: YardCrane, day: date, seed: int) -> tuple[list[Outage], list[Outage]]:
    """Codes raised on a working day, and codes of earlier days cleared on it."""
    key = _key(crane)
    known = [*_outages(key, day.year - 1, seed), *_outages(key, day.year, seed)]
    raised = [outage for outage in known if outage.raised_on == day]
    return raised, [outage for outage in known if outage.cleared_on == day and outage.raised_on < day]


class _Key(NamedTuple):
    """What of a crane decides its calendar."""

    number: int
    working_share: float
    abuse: float
    commissioned_on: date
    codes_per_day: float
    usual_code: str | None

    def wear(self, day: date) -> float:
        """Factor on the rates of codes and breakdowns: 1 for a new crane in careful hands."""
        return (1.0 + max((day - self.commissioned_on).days, 0) / 3650.0) * (1.0 + self.abuse)


def _key(crane: YardCrane) -> _Key:
    habit = crane.habit
    return _Key(
        crane.number,
        habit.working_share,
        4.0 * habit.bold_share * (1.0 + habit.override_share),
        crane.crane.commissioned_on,
        crane.faults.codes_per_day,
        crane.faults.usual_code,
    )


def _days_of(year: int) -> list[date]:
    first = date(year, 1, 1)
    return [first + timedelta(days=k) for k in range((date(year + 1, 1, 1) - first).days)]


@lru_cache(maxsize=4096)
def _year(key: _Key, year: int, seed: int) -> tuple[np.ndarray, tuple[tuple[int, int], ...]]:
    """(goes out on each day, breakdowns as day of the year and days standing)."""
    rng = np.random.default_rng([seed, key.number, year, _WORK])
    days = _days_of(year)
    season = np.array([-np.cos(2 * np.pi * (k - 20) / 365.25) for k in range(len(days))])
    share = key.working_share * (1.0 - (1.0 - _WINTER_SHARE) * (1.0 - season) / 2.0)
    weekday = np.array([day.weekday() < 5 for day in days])
    works = weekday & (rng.random(len(days)) < share)
    rate = _BREAKDOWNS_PER_YEAR / 250 * np.array([key.wear(day) for day in days])
    broken = np.flatnonzero(works & (rng.random(len(days)) < rate))
    breakdowns = []
    for first in broken:
        if works[first]:  # not while it still stands from the one before
            standing = int(rng.choice(_BREAKDOWN_DAYS))
            works[first + 1 : first + 1 + standing] = False
            breakdowns.append((int(first), standing))
    return works, tuple(breakdowns)


def _working(key: _Key, year: int, seed: int) -> np.ndarray:
    return _year(key, year, seed)[0]


@lru_cache(maxsize=4096)
def _outages(key: _Key, year: int, seed: int) -> tuple[Outage, ...]:
    rng = np.random.default_rng([seed, key.number, year, _CODES])
    days = [*_days_of(year), *_days_of(year + 1)]
    working = np.flatnonzero(np.concatenate([_working(key, year, seed), _working(key, year + 1, seed)]))
    weights = np.array([_USUAL_CODE_WEIGHT if code.code == key.usual_code else 1.0 for code in CODES])
    found: list[Outage] = []

    def add(code: Code, at: int, standing: int, share: float) -> None:
        later = working[working >= at + standing]
        found.append(Outage(code, days[at], days[later[0]] if len(later) else None, share))

    for at in working[working < len(_days_of(year))]:
        number = min(int(rng.poisson(key.codes_per_day * key.wear(days[at]))), 3)
        for kind in rng.choice(len(CODES), size=number, replace=False, p=weights / weights.sum()):
            standing, share = int(rng.choice(CODES[kind].days)), float(rng.uniform(0.05, 0.8))
            if CODES[kind].code not in BY_READING:
                add(CODES[kind], int(at), standing, share)
    for at, standing in _year(key, year, seed)[1]:
        add(BREAKDOWN, at, standing + 1, 0.95)
    return tuple(found)
