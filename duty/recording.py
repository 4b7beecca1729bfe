"""How completely duty was recorded, and the safety factor f1 that follows, month by month.

    f1 of a month = factor of its coverage, and
        where a counter of the crane spans it      at least counted over recorded (hours, lifts)
        else, by how the recorder runs, as stated  at least 1.1 (always, with the ignition) or 1.3 (else)

Nothing but a counter that runs by itself can tell a day without data from a day of rest: without one f1 is never 1.0.
Table of factors: P. Depale, M. Bennebach, Mechanics & Industry 20, 2019, 802, Table 3, doi 10.1051/meca/2019047 (read). Which row a
recorder belongs to, and that it is taken by month, is this project's convention.
"""

from collections.abc import Collection, Sequence
from datetime import date, timedelta
from enum import Enum
from itertools import pairwise
from typing import Final, NamedTuple, Protocol

from domain.crane import RecorderRuns
from domain.errors import InvalidInput
from domain.history import CounterKind
from domain.remark import Quantity, Remark, coded, count
from duty.counters import ROUNDING, Gained

HOUR_MS: Final = 3_600_000.0


class Recording(Enum):
    """How duty was recorded, with the safety factor f1 on it: the table named above."""

    AUTOMATIC = 1.0  # recorder that always runs when the crane is used, or counters with a log
    DOCUMENTED_PROCESS = 1.1
    DOCUMENTED_PRODUCTION = 1.2
    UNDOCUMENTED = 1.3
    UNKNOWN = 1.5


STATED: Final = {
    RecorderRuns.ALWAYS: (Recording.DOCUMENTED_PROCESS, coded("f1.runs_always")),
    RecorderRuns.WITH_IGNITION: (Recording.DOCUMENTED_PROCESS, coded("f1.runs_with_ignition")),
    RecorderRuns.CAN_BE_SWITCHED_OFF: (Recording.UNDOCUMENTED, coded("f1.can_be_switched_off")),
    RecorderRuns.UNKNOWN: (Recording.UNDOCUMENTED, coded("f1.not_stated")),
}

COVERAGE_UNKNOWN: Final = coded("f1.coverage_unknown")
UNCOUNTED_SHARE: Final = 0.01
"""Of the record without which coverage is still told: a hundredth is the finest step of the table below. Own choice."""
LONG_BREAK: Final = timedelta(weeks=26)
"""Without any record, from which on it is no break of the work that f1 covers: a season rests for less. Own choice."""
BLIND_SHARE: Final = 0.1
"""Of what a counter gained: less on record tells nothing about the rest. Own choice."""
SUPPORTS_SHARE: Final = 0.5
"""Of what is recorded: a counter that gained less stands still or counts something else, and supports nothing. Own choice."""
# Least coverage for each factor: this project's convention, such that no factor is below 1 / coverage by more than 1 %
_COVERAGE_STEPS: Final = (
    (0.99, Recording.AUTOMATIC),
    (0.91, Recording.DOCUMENTED_PROCESS),
    (0.84, Recording.DOCUMENTED_PRODUCTION),
    (0.77, Recording.UNDOCUMENTED),
    (0.0, Recording.UNKNOWN),
)


class Factor(NamedTuple):
    """Safety factor on counted duty, with what explains it."""

    f1: float
    reason: Remark


class Month(NamedTuple):
    """What is on record of one month, named by its first day."""

    month: date
    recorded_ms: int
    missing_ms: int
    unrecorded_ms: int = 0  # of missing_ms: in use, taken at a pace of its own
    cube_sum: float = 0.0
    uncounted_ms: int = 0  # of recorded_ms: by messages that were not counted up, see duty.gaps


class CounterSpan(NamedTuple):
    """What a counter of the crane gained over the days after `after` up to `upto`, and what was recorded in them."""

    kind: CounterKind
    after: date
    upto: date
    gained: float  # hours or lifts
    recorded: float  # hours or lifts
    idle: bool = False  # no lift is on record

    @property
    def hidden(self) -> float:
        """Hours or lifts that the counter gained and nobody recorded."""
        return max(self.gained - self.recorded, 0.0)

    @property
    def blind(self) -> bool:
        """Whether use is not on record that no factor on what is counted can make up for.

        Nothing is recorded; or, beyond what rounding makes, less than BLIND_SHARE, or no lift.
        """
        if self.recorded <= 0:
            return self.gained > 0
        return self.hidden > ROUNDING and (self.recorded < BLIND_SHARE * self.gained or self.idle)


class RecordedBetween(Protocol):
    """What was recorded between two days."""

    @property
    def working_ms(self) -> int: ...
    @property
    def lifts(self) -> int: ...


class MonthFactor(NamedTuple):
    """Safety factor of one month, and what it rests on."""

    month: date
    f1: float
    reason: Remark
    coverage: float | None
    by_counter: bool


def coverage(recorded_ms: float, missing_ms: float, uncounted_ms: float = 0) -> float | None:
    """Share of the time with the recorder running that is on record, 0..1.

    None without any time, and where more than UNCOUNTED_SHARE of the record is of messages that were not counted up: what
    is missing of it is not known.
    """
    if recorded_ms < 0 or missing_ms < 0 or uncounted_ms < 0:
        raise InvalidInput("recorded and missing time must be 0 or more", field="recorded_ms")
    whole = recorded_ms + missing_ms
    return recorded_ms / whole if whole > 0 and uncounted_ms <= UNCOUNTED_SHARE * recorded_ms else None


def f1_from_coverage(share: float | None, *, told: float | None = None) -> Factor:
    """Safety factor f1 from the measured coverage alone (0..1, None where it is not known).

    Below the steps of the table the factor is 1 / coverage, so that what was not recorded is never treated as rest.
    `told` is the share of the time that is on record or taken at a pace of its own (`duty.unrecorded`, never rest either):
    where it is given the reciprocal is that of `told`, and the step still that of the coverage.
    """
    if share is None:
        return Factor(Recording.UNKNOWN.value, COVERAGE_UNKNOWN)
    if not 0 <= share <= 1:
        raise InvalidInput("coverage must lie in 0..1", field="share")
    told = share if told is None else max(told, share)
    if told == 0:
        return Factor(Recording.UNKNOWN.value, coded("f1.nothing_recorded"))
    f1 = next(recording.value for least, recording in _COVERAGE_STEPS if share >= least)
    f1 = f1 if share >= _COVERAGE_STEPS[0][0] else max(f1, 1 / told)
    return Factor(f1, _on_record(share))


def spans_of(found: Sequence[Gained], recorded: Sequence[RecordedBetween]) -> list[CounterSpan]:
    """Gains of counters beside what was recorded in the same days: working time in any mode but transport, and lifts."""
    return [
        CounterSpan(
            *one,
            between.working_ms / HOUR_MS if one.kind is CounterKind.OPERATING_HOURS else between.lifts,
            idle=not between.lifts,
        )
        for one, between in zip(found, recorded, strict=True)
    ]


def months_f1(
    months: Sequence[Month], stated: RecorderRuns, spans: Sequence[CounterSpan] = ()
) -> tuple[MonthFactor, ...]:
    """The factor of every month: see the module. `spans` in time order by kind, not overlapping within a kind."""
    return tuple(_month_f1(month, stated, spans) for month in months)


def share_of(months: Sequence[Month]) -> float | None:
    """Coverage over several months."""
    return coverage(
        sum(one.recorded_ms for one in months),
        sum(one.missing_ms for one in months),
        sum(one.uncounted_ms for one in months),
    )


def overall(months: Sequence[Month], factors: Sequence[MonthFactor], stated: RecorderRuns) -> Factor:
    """One factor that gives the same counted share as the months with theirs: their mean by counted duty.

    By recorded time where no duty was counted; 1.5 without any month.
    """
    if not months:
        return Factor(Recording.UNKNOWN.value, COVERAGE_UNKNOWN)
    weights = [month.cube_sum for month in months]
    if not any(weights):
        weights = [float(month.recorded_ms) for month in months]
    if not any(weights):
        return Factor(max(one.f1 for one in factors), factors[-1].reason)
    f1 = sum(w * one.f1 for w, one in zip(weights, factors, strict=True)) / sum(weights)
    f1 = min(max(f1, min(one.f1 for one in factors)), max(one.f1 for one in factors))  # rounding
    counter = sum(one.by_counter for one in factors)
    share = share_of(months)
    recorded = COVERAGE_UNKNOWN if share is None else _on_record(share)
    if counter == len(factors):
        return Factor(f1, coded("f1.spanned", recorded=recorded))
    rests_on = {"recorded": recorded, "stated": STATED[stated][1]}
    if not counter:
        return Factor(f1, coded("f1.unsupported", **rests_on))
    supported = {"supported": count(counter), "months": count(len(factors))}
    return Factor(f1, coded("f1.supported_in_part", **rests_on, **supported))


def is_rest(day_from: date, day_to: date, spans: Sequence[CounterSpan]) -> bool:
    """Whether a counter says that the crane stood still on days without data: it gained no more than was recorded.

    Not where it gains too little to tell anything, nor where another counter shows use in these days that is not on record.
    """
    hours = [one for one in spans if one.kind is CounterKind.OPERATING_HOURS]
    if not _supports(hours) or any(
        one.blind and one.after < day_to and one.upto >= day_from for one in spans
    ):
        return False
    return any(
        span.kind is CounterKind.OPERATING_HOURS
        and span.after < day_from
        and day_to <= span.upto
        and span.gained <= span.recorded
        for span in spans
    )


def blank_days(weeks: Collection[date], spans: Sequence[CounterSpan]) -> int:
    """Days of long breaks in the record that no counter of the crane spans: nobody knows what it did in them.

    weeks: Mondays of the weeks with a record. A break is long from LONG_BREAK on; shorter ones are covered by f1.
    """
    found = 0
    for before, after in pairwise(sorted(weeks)):
        first = before + timedelta(days=7)
        if after - first < LONG_BREAK:
            continue
        for span in sorted(spans, key=lambda one: one.after):
            if span.upto >= first and span.after < after:
                found += max((span.after - first).days + 1, 0)
                first = span.upto + timedelta(days=1)
        found += max((after - first).days, 0)
    return found


def span_f1(
    first: date, last: date, record: Month, stated: RecorderRuns, spans: Sequence[CounterSpan] = ()
) -> MonthFactor:
    """The factor of the days from first to last, with what is on record of them: see the module."""
    share = share_of([record])
    known = coverage(record.recorded_ms, record.missing_ms)
    told = coverage(
        record.recorded_ms + record.unrecorded_ms, max(record.missing_ms - record.unrecorded_ms, 0)
    )
    by_coverage = f1_from_coverage(known, told=told)
    if share is None and known is not None:
        by_coverage = Factor(max(by_coverage.f1, Recording.UNKNOWN.value), coded("f1.not_counted_up"))
    counted, silent = [], []
    for kind in CounterKind:
        mine = [one for one in spans if one.kind is kind and one.upto >= first and one.after <= last]
        if not mine or not _spanned(first, last, mine):
            continue
        if not _supports(mine):
            silent = [coded(f"f1.silent_{kind}")]
            continue
        least_f1 = 1.0 if known is None else f1_from_coverage(known, told=told).f1
        counted.append(_counted(first, by_coverage.reason, least_f1, share, mine))
    if counted:  # where two counters tell different things, the one that shows more use
        return max(counted, key=lambda one: one.f1)
    if known is None:
        return MonthFactor(first, by_coverage.f1, by_coverage.reason, share, by_counter=False)
    least, statement = STATED[stated]
    f1 = max(by_coverage.f1, least.value)
    reason = coded("f1.month_unsupported", recorded=by_coverage.reason, stated=statement, silent=silent)
    return MonthFactor(first, f1, reason, share, by_counter=False)


def _month_f1(month: Month, stated: RecorderRuns, spans: Sequence[CounterSpan]) -> MonthFactor:
    last = (month.month + timedelta(days=32)).replace(day=1) - timedelta(days=1)
    return span_f1(month.month, last, month, stated, spans)


def _spanned(first: date, last: date, spans: Sequence[CounterSpan]) -> bool:
    """Whether spans follow each other without a break from before the first day to the last."""
    reached = first - timedelta(days=1)
    for span in sorted(spans, key=lambda one: one.after):
        if span.after <= reached:
            reached = max(reached, span.upto)
    return reached >= last


def _supports(spans: Sequence[CounterSpan]) -> bool:
    """Whether what a counter gained is enough of what was recorded to be a count of the same use."""
    recorded = sum(one.recorded for one in spans)
    return sum(one.gained for one in spans) + ROUNDING >= SUPPORTS_SHARE * recorded


def _on_record(share: float) -> Remark:
    return coded("f1.on_record", share=Quantity(value=100 * share, unit="%", decimals=1))


def _counted(
    month: date, recorded_reason: Remark, least_f1: float, share: float | None, spans: Sequence[CounterSpan]
) -> MonthFactor:
    # together: a counter that a crane sends daily is off by parts of days. Spans without a record are duty of their own
    known = [one for one in spans if not one.blind]
    recorded = sum(one.recorded for one in known)
    ratio = max(sum(one.gained for one in known) / recorded, 1.0) if recorded else 1.0
    f1 = max(least_f1, ratio)
    shows, kind = Quantity(value=ratio, unit="1", decimals=2), spans[0].kind
    reason = coded(f"f1.shows_no_more_{kind}") if ratio == 1 else coded(f"f1.shows_{kind}", ratio=shows)
    if len(known) < len(spans):
        reason = coded("f1.but_for_unrecorded", shown=reason)
    reason = coded("f1.by_counter", recorded=recorded_reason, shown=reason)
    return MonthFactor(month, f1, reason, share, by_counter=True)
