"""Counters that a crane keeps by itself: hours with the power take-off on, and lifts, over all the days of its plan.

Readings follow from the plan alone, so any day can be made by itself and its counters go on from the day before. They stand at an
assumed reading on the yard's reference day. What is lost on the way to the database is in them all the same: that is what
they are good for.
"""

from collections.abc import Hashable, Sequence
from datetime import date, timedelta
from typing import Final, NamedTuple

import numpy as np

from simulator.lifting import Mark
from simulator.machine import Floats
from simulator.shift import Session, plan_day
from simulator.signals import Signals
from simulator.yard import YardCrane

HOURS_A_YEAR: Final = 700.0  # before the reference day; assumed, as is the next
LIFTS_A_YEAR: Final = 12_000
_DAYS_PER_YEAR: Final = 365.25


class Counters(NamedTuple):
    """How both counters stand."""

    hours: float
    lifts: int


_AT_BEGIN: Final[
    dict[Hashable, dict[date, Counters]]
] = {}  # of days that follow each other, by crane and seed


def sent(
    crane: YardCrane, day: date, sessions: Sequence[Session], signals: Signals, seed: int
) -> dict[str, Floats]:
    """The counters at each sample of a day [h to a hundredth, lifts], as channels."""
    begin = at_begin(crane, day, seed)
    ended = np.sort(np.concatenate([_lifts_ended_ms(session) for session in sessions]))
    return {
        "operating_hours_h": np.floor(100 * (begin.hours + signals.passed_s / 3600)) / 100,
        "lift_counter": begin.lifts + np.searchsorted(ended, signals.t_ms, side="right").astype(float),
    }


def at_begin(crane: YardCrane, day: date, seed: int) -> Counters:
    """Both counters at the beginning of a day: each day between it and the reference day is planned once."""
    work = crane.number, crane.name, crane.machine.crane_type.name, crane.habit
    key = (*work, tuple(crane.scenarios.items()), crane.reference_day, seed)
    years = (crane.reference_day - crane.crane.commissioned_on).days / _DAYS_PER_YEAR
    known = _AT_BEGIN.setdefault(
        key,
        {crane.reference_day: Counters(round(years * HOURS_A_YEAR, 1), round(years * LIFTS_A_YEAR))},
    )
    while day not in known:
        later = day > max(known)
        edge = max(known) if later else min(known)
        worked = _worked(crane, edge if later else edge - timedelta(days=1), seed)
        sign = 1 if later else -1
        known[edge + timedelta(days=sign)] = Counters(
            known[edge].hours + sign * worked.hours, known[edge].lifts + sign * worked.lifts
        )
    return known[day]


def _worked(crane: YardCrane, day: date, seed: int) -> Counters:
    sessions = plan_day(crane, day, seed)
    lifts = sum(int((session.mark == Mark.LOAD_OFF).sum()) for session in sessions)
    return Counters(sum(session.length_s for session in sessions) / 3600, lifts)


def _lifts_ended_ms(session: Session) -> Floats:
    return np.asarray(session.start_ms + 1000 * session.knot_s[session.mark == Mark.LOAD_OFF])
