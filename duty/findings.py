"""What is wrong with the readings of a crane, judged from the statistics of its days: no sample is read again.

Days are judged one by one (`duty.day_findings`), and what only several can tell here: the zero of the utilisation
reading, lifts against cycles, the order of days. The load part, utilisation less what the booms cause by themselves, is
0 with an empty hook. It is read where the booms are folded (median), since there nothing on the hook has leverage; from
the valleys between lifts (5th percentile) where the booms are never seen folded; and from the valleys of utilisation
itself where no boom position is known. Thresholds and their reasons: docs/method.md.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import Final, NamedTuple, cast

import numpy as np

from domain.crane import CraneType
from domain.findings import FindingCode, Thresholds
from duty.day_findings import HOUR_MS, LEAST_MS, DayFacts, DayFinding, of_day
from duty.gaps import SHORTEST_HOLE_MS
from duty.minutes import EXTREMES
from duty.plausibility import RANGES_PCT, ZERO_PCT, Ints

WEEKS_BEFORE: Final = 26  # a week is compared with the weeks of half a year before it
DAYS_BEFORE: Final = 7 * (WEEKS_BEFORE + 1)  # a finding of a day rests on so many days before it
DAYS_AFTER: Final = 21  # and on so many after it, where days are few: a jump must last
OLDEST_WEEKS: Final = 6
LEAST_WEEKS: Final = 4
LEAST_EVENTS: Final = 30  # lifts or cycles of a week: fewer tell nothing
_CYCLES: Final = RANGES_PCT.index(15.0)
_SMALL_CYCLES: Final = RANGES_PCT.index(10.0)


_Ends = tuple[tuple[int, int], tuple[int, int]]  # boot and number of the last and of the next message


class _Week(NamedTuple):
    monday: date
    days: list[DayFacts]


def judge(
    type_on: Callable[[date], CraneType],
    days: Sequence[DayFacts],
    thresholds: Thresholds,
    *,
    day_from: date = date.min,
    day_to: date = date.max,
) -> list[DayFinding]:
    """Findings of the days from day_from to day_to, by day and code.

    type_on: what the crane was like on a day; one object for as long as it stayed the same, since zeros are compared
    within that time only. days: recorded days in order of time, without repeats; those of DAYS_BEFORE before and DAYS_AFTER after among them.
    """
    found = [
        each
        for facts in days
        if day_from <= facts.day <= day_to
        for each in of_day(type_on(facts.day), facts, thresholds)
    ]
    weeks = _weeks(days)
    jumps = dict(_jumps(days, type_on, thresholds))
    by_day = {facts.day: facts for facts in days}
    found += [_told(by_day[day], FindingCode.CALIBRATION_JUMP, size) for day, size in jumps.items()]
    found += _order_of_days(days, thresholds)
    found += _jib_not_sent(days, type_on)
    found += _zero(weeks, jumps, type_on, thresholds)
    found += _lifts_apart(weeks, thresholds)
    return sorted(each for each in found if day_from <= each.day <= day_to)


def _told(facts: DayFacts, code: FindingCode, size: float) -> DayFinding:
    channel = "" if code is FindingCode.LIFTS_APART else "utilisation_pct"
    return DayFinding(facts.day, code, channel, facts.first_ms, facts.past_ms, float(size))


def _weeks(days: Sequence[DayFacts]) -> list[_Week]:
    """Recorded days by ISO week, in order of time."""
    found: list[_Week] = []
    for facts in days:
        monday = facts.day - timedelta(days=facts.day.weekday())
        if not found or found[-1].monday != monday:
            found.append(_Week(monday, []))
        found[-1].days.append(facts)
    return found


def _level(zero: Ints, share: float) -> float:
    """The load part [%] below which a share of the samples lies."""
    place = int(np.searchsorted(np.cumsum(zero), share * int(zero.sum())))
    return ZERO_PCT[0] + ZERO_PCT[2] * (place + 0.5)


def _parked(days: Sequence[DayFacts], least: int = 60) -> float | None:
    zero = sum((facts.statistics.zero[1] for facts in days), np.zeros(1, np.int64))
    return _level(zero, 0.5) if zero.sum() >= least else None


def _valleys(days: Sequence[DayFacts]) -> float | None:
    zero = sum((facts.statistics.zero[0] for facts in days), np.zeros(1, np.int64))
    return _level(zero, 0.05) if zero.sum() >= 600 else None


def _plain(days: Sequence[DayFacts]) -> float | None:
    rows = [
        facts.statistics.channel("utilisation_pct") for facts in days if not facts.statistics.zero[0].any()
    ]
    found = [float(row["low"][EXTREMES - 1]) for row in rows if row["minutes"] >= 30]
    return float(np.median(found)) if len(found) >= 3 else None


_LEVELS: Final[Mapping[str, Callable[[Sequence[DayFacts]], float | None]]] = {
    "parked": _parked,
    "valleys": _valleys,
    "plain": _plain,
}


# What hangs on the hook moves the valleys too, and without a boom position the booms themselves.
_OFFSET_FACTOR: Final = {"parked": 1.0, "valleys": 2.0, "plain": np.inf}


def _zero(
    weeks: Sequence[_Week],
    jumps: Mapping[date, float],
    type_on: Callable[[date], CraneType],
    at: Thresholds,
) -> Iterator[DayFinding]:
    """The zero of each week by itself and against the oldest weeks before it, what jumps explain aside."""
    by_kind = {kind: {week.monday: of(week.days) for week in weeks} for kind, of in _LEVELS.items()}
    for week in weeks:
        kind = next((kind for kind, levels in by_kind.items() if levels[week.monday] is not None), "")
        levels = by_kind.get(kind, {})
        now = levels.get(week.monday)
        if now is None:
            continue
        if abs(now) >= at.zero_offset_pct * _OFFSET_FACTOR[kind]:
            yield _told(week.days[-1], FindingCode.ZERO_OFFSET, now)
        first = week.monday - timedelta(weeks=WEEKS_BEFORE)
        of = type_on(week.monday)
        known = [
            (monday, level)
            for monday, level in levels.items()
            if first <= monday < week.monday and level is not None and type_on(monday) is of
        ][:OLDEST_WEEKS]
        if len(known) < LEAST_WEEKS:
            continue
        drift = now - float(np.median([level for _, level in known]))
        jumped = sum(size for day, size in jumps.items() if known[0][0] <= day <= week.days[-1].day)
        if min(abs(drift), abs(drift - jumped)) >= at.zero_drift_pct:
            yield _told(week.days[-1], FindingCode.ZERO_DRIFT, drift)


def _jumps(
    days: Sequence[DayFacts], type_on: Callable[[date], CraneType], at: Thresholds
) -> Iterator[tuple[date, float]]:
    """Days from which on the zero of folded booms is another, for two recorded days at least on either side."""
    known = [(facts.day, level) for facts in days if (level := _parked([facts], least=20)) is not None]
    levels = np.array([level for _, level in known])
    for place in range(2, len(known) - 1):
        if known[place + 1][0] - known[place - 2][0] > timedelta(days=DAYS_AFTER):
            continue
        if type_on(known[place - 1][0]) is not type_on(known[place][0]):
            continue  # masses or rating were entered anew
        size = float(np.median(levels[place : place + 3]) - np.median(levels[max(place - 3, 0) : place]))
        step = float(levels[place] - levels[place - 1])
        if abs(size) >= at.zero_jump_pct and step * size > 0 and abs(step) >= 0.6 * abs(size):
            yield known[place][0], size


def _lifts_apart(weeks: Sequence[_Week], at: Thresholds) -> Iterator[DayFinding]:
    """Lifts of a week against the large cycles of the same week: the ledger counts the same work by another rule."""
    for week in weeks:
        lifts = sum(facts.lifts for facts in week.days)
        halves = np.sum([facts.statistics.half_cycles for facts in week.days], axis=0)
        large, small = halves[_CYCLES] / 2, halves[_SMALL_CYCLES] / 2
        many = large >= LEAST_EVENTS and large > at.lifts_apart * lifts
        few = lifts >= LEAST_EVENTS and small * 4 * at.lifts_apart < lifts
        if many or few:
            yield _told(week.days[-1], FindingCode.LIFTS_APART, (large if many else small) / max(lifts, 1))


def _jib_not_sent(days: Sequence[DayFacts], type_on: Callable[[date], CraneType]) -> Iterator[DayFinding]:
    """Days without any reading of the jib that is read on other days: an absent channel is taken for no jib."""
    for name in ("jib_deg", "jib_extension_m"):
        sent = [facts.day for facts in days if facts.statistics.channel(name)["minutes"]]
        for facts in days:
            of, recorded = type_on(facts.day), facts.statistics.sum("recorded_ms")
            if of.jib is None or facts.statistics.channel(name)["minutes"] or recorded < LEAST_MS:
                continue
            first, last = facts.day - timedelta(days=DAYS_BEFORE), facts.day + timedelta(days=DAYS_AFTER)
            near = sent[bisect_left(sent, first) : bisect_right(sent, last)]
            if any(type_on(day) is of for day in near):
                span = facts.first_ms, facts.past_ms
                yield DayFinding(facts.day, FindingCode.POSE_MISSING, name, *span, recorded / HOUR_MS)


def _order_of_days(days: Sequence[DayFacts], at: Thresholds) -> Iterator[DayFinding]:
    """From one day to the next of a boot: numbers that fall, its clock was set back by days; time left out and no number."""
    recorded = [facts for facts in days if facts.first is not None and facts.last is not None]
    for earlier, later in pairwise(recorded):
        (boot, last), (boot_now, first) = cast("_Ends", (earlier.last, later.first))
        between_ms = later.first_ms - earlier.past_ms
        if boot != boot_now:
            continue
        if first < last:
            hours = max(between_ms, 0) / HOUR_MS
            yield DayFinding(later.day, FindingCode.CLOCK_SET_BACK, "", later.first_ms, later.past_ms, hours)
        elif first <= last + 1 and between_ms >= at.hole_share * later.statistics.sum("recorded_ms"):
            span = earlier.past_ms, later.first_ms
            if between_ms >= SHORTEST_HOLE_MS:
                yield DayFinding(later.day, FindingCode.TIME_HOLE, "", *span, between_ms / HOUR_MS)
