"""What the counted totals of one crane mean: the one definition behind the fleet's figures and the life of a crane.

    coverage -> f1 -> used share; weekly use -> the days on which the review share and the whole are reached

Forecasts begin the day after the last recorded day, whenever they are made: the same record gives the same dates. Recorded
weeks without lifts count as 0. What a crane did in weeks without a record, or after the last one, is not known and not taken
for rest, unless a counter of its own says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final, Protocol

import numpy as np

from domain.crane import Crane
from domain.errors import InvalidInput
from domain.history import CounterKind
from domain.remark import Remark, coded
from domain.units import DAYS_PER_YEAR
from duty import life
from duty.assessment import Assessment, special_assessment
from duty.forecast import Forecast, NoForecast, forecasts, whole_weeks
from duty.geometry import Floats
from duty.life import DesignYears, PriorYears, UsedShare
from duty.life_records import NOTHING_NOTED, Noted, begins_sum
from duty.recording import (
    HOUR_MS,
    CounterSpan,
    Factor,
    Month,
    MonthFactor,
    blank_days,
    coverage,
    is_rest,
    months_f1,
    overall,
)
from duty.uncertainty import BiasPart, bias_parts, raised
from duty.unrecorded import unrecorded_use

NO_DESIGN: Final = coded("life.no_design")
NO_RECORD: Final = coded("life.no_record")
AS_ASKED: Final = coded("f1.as_asked")
NO_PACE: Final = coded("life.no_pace")


@dataclass(frozen=True, kw_only=True)
class Totals:
    """Counted duty of one crane over its whole record, and what the records of its life say beside it."""

    lifts: int = 0
    cube_sum: float = 0.0  # sum of the cubes of the lifts' peak structural shares: C * kQ
    recorded_ms: int = 0
    missing_ms: int = 0
    months: Sequence[Month] = ()  # of record, in time order
    counters: Sequence[CounterSpan] = ()  # readings of the crane's own counters against the record
    counter_problems: tuple[Remark, ...] = ()  # readings of them that contradict each other
    weeks: Mapping[date, float]  # cube_sum by the Monday of its week; weeks without a record absent
    first_day: date | None = None  # first recorded day
    last_day: date | None = None  # last recorded local day
    unrecorded_ms: int = 0  # of missing_ms: in use without a record, taken at a pace of its own
    unrecorded_cube_sum: float = 0.0  # C * kQ of time in use without a record
    unrecorded_told: bool = True  # False: nothing tells the pace
    noted: Noted = NOTHING_NOTED


class WeekOfRecord(Protocol):
    """One ISO week, named by its Monday: what `unrecorded_use` needs of it."""

    @property
    def week(self) -> date: ...
    @property
    def peak_cubed_sum(self) -> float: ...
    @property
    def recorded_ms(self) -> int: ...
    @property
    def unrecorded_ms(self) -> int: ...
    @property
    def known_cubed_sum(self) -> float: ...


def with_unrecorded(totals: Totals, weeks: Sequence[WeekOfRecord]) -> Totals:
    """Totals with the time in use that is not on record, whose weeks are no rest in the forecast either.

    That is time excluded or not to be told, and what a counter of the crane gained over days with no record that tells of it:
    hours at the same pace, lifts at the mean kQ. Where both counters tell of the same days, the larger of both.
    """
    blind = [one for one in totals.counters if one.blind]
    hours = [one for one in blind if one.kind is CounterKind.OPERATING_HOURS]
    lifts = [one for one in blind if one.kind is CounterKind.LIFTS]
    if not weeks or not (blind or any(one.unrecorded_ms for one in weeks)):
        return totals
    nothing = [0.0] * len(hours)
    found = unrecorded_use(
        [*(one.peak_cubed_sum for one in weeks), *nothing],
        [*(one.recorded_ms for one in weeks), *nothing],
        [*(one.unrecorded_ms for one in weeks), *(one.hidden * HOUR_MS for one in hours)],
        [*(one.known_cubed_sum for one in weeks), *nothing],
    )
    extra = {one.week: float(more) for one, more in zip(weeks, found.cube_sum, strict=False)}
    by_hours = list(zip(hours, found.cube_sum[len(weeks) :].tolist(), strict=True))
    mean_cube = totals.cube_sum / totals.lifts if totals.lifts else 1.0
    return replace(
        totals,
        unrecorded_ms=sum(one.unrecorded_ms for one in weeks),
        unrecorded_cube_sum=found.total
        + sum(max(mean_cube * one.hidden - _told_by_hours(one, by_hours), 0.0) for one in lifts),
        unrecorded_told=found.told,
        weeks={week: use + extra.get(week, 0.0) for week, use in totals.weeks.items()},
    )


def _told_by_hours(lifts: CounterSpan, hours: Sequence[tuple[CounterSpan, float]]) -> float:
    """Of the cube sums that spans of hours are taken at, what falls on the days of a span of lifts, evenly by day."""
    shared = [(min(lifts.upto, one.upto) - max(lifts.after, one.after)).days for one, _ in hours]
    return sum(
        cubes * max(days, 0) / (one.upto - one.after).days
        for (one, cubes), days in zip(hours, shared, strict=True)
    )


@dataclass(frozen=True, kw_only=True)
class LifeStatus:
    """How a crane stands. `used`, `review` and `spent` are None where it cannot be told; `reason` says why."""

    crane: Crane
    totals: Totals
    coverage: float | None
    factor: Factor  # gives the same counted share as the months with theirs
    months: tuple[MonthFactor, ...]
    design_years: DesignYears
    prior: PriorYears | None  # None without a record
    prior_unknown: float  # share of the design working period for unknown years; needs no design class
    blank_years: float  # of long breaks in the record that no counter spans: see `recording.blank_days`
    contradictions: tuple[Remark, ...]
    used: UsedShare | None
    reason: Remark | None  # None where `used` can be told
    assessment: Assessment
    start: date  # first day of the forecasts
    weekly_share: Floats  # share of the design working period of each whole week of record
    review: Forecast | NoForecast | None  # at the crane's review share
    spent: Forecast | NoForecast | None  # at life.SPENT_SHARE

    @property
    def kq(self) -> float | None:
        """Mean cube of the lifts' peak structural share; None without lifts."""
        return self.totals.cube_sum / self.totals.lifts if self.totals.lifts else None

    @property
    def unknown_years(self) -> float:
        """Years before the record of which nothing is known; 0 without a record."""
        return 0.0 if self.prior is None else self.prior.unknown

    @property
    def forecast_reason(self) -> Remark | None:
        """Why there is no date of being spent; None where there is one."""
        if self.spent is None:
            return self.reason or NO_DESIGN
        return self.spent.reason if isinstance(self.spent, NoForecast) else None

    @property
    def weeks(self) -> Mapping[date, float]:
        """Duty by week, with what calibrations proved readings too low by: see `uncertainty.raised`."""
        return raised(self.totals.noted.calibrations, self.totals.weeks)

    @property
    def read_low_cube_sum(self) -> float:
        """C * kQ that readings were too low by, as calibrations proved."""
        return max(sum(self.weeks.values()) - sum(self.totals.weeks.values()), 0.0)

    @property
    def read_low(self) -> float:
        """Share of the design working period for it, in `used.unrecorded`; 0 where no share is known."""
        if self.used is None or self.crane.design is None:
            return 0.0
        return life.share_of_design(self.crane.design, self.read_low_cube_sum, _unrecorded_f1(self))

    @property
    def bias(self) -> tuple[BiasPart, ...]:
        """How far the structural percent may be off, by parts of the duty as taken: see `uncertainty.bias_parts`."""
        return bias_parts(self.crane, self.totals.noted.calibrations, self.weeks, taken=True)

    @property
    def blank_share(self) -> float:
        """Share of the design working period for the long breaks in the record: taken as unknown years are."""
        return life.unknown_share(self.blank_years, self.design_years.years)

    def counted_since(self, detail: str) -> date | None:
        """Day with which the damage sum of a detail that was changed begins again; None: that of the whole record."""
        changed_on = self.totals.noted.changed_details.get(detail)
        return changed_on if begins_sum(changed_on, self.totals.first_day) else None

    def carried_damage(self, counted: float, allowed_sum: float = 1.0, *, changed: bool = False) -> float:
        """Miner sum of a detail for what was not counted: see `life.carried_damage`.

        changed: during the record, so that nothing before the record is carried for it.
        """
        used, unknown = self.used, self.prior_unknown + self.blank_share
        if changed:
            used = None if used is None else used._replace(prior_entered=0.0, prior_unknown=0.0)
            unknown = self.blank_share
        if used is not None:
            return life.carried_damage(counted, used, unknown, allowed_sum)
        recorded = sum(self.totals.weeks.values())
        more = counted * self.read_low_cube_sum / recorded if recorded > 0 else 0.0
        return life.carried_damage(counted, used, unknown, allowed_sum) + more


def life_status(crane: Crane, totals: Totals, f1: float | None = None) -> LifeStatus:
    """Coverage, f1, used share and forecasts from counted totals.

    f1: another factor on counted duty than the one that the coverage gives, to see what it does; 1 or more.
    """
    unjudged = _unjudged(crane, totals, f1)
    if totals.first_day is None:
        return replace(unjudged, reason=NO_RECORD)
    if crane.design is None:
        return unjudged
    if not totals.unrecorded_told:
        return replace(unjudged, reason=NO_PACE)
    f1 = unjudged.factor.f1
    try:
        used = life.used_share(
            crane.design,
            totals.lifts,
            unjudged.kq or 0.0,
            f1,
            crane.prior_duty,
            prior_unknown=unjudged.prior_unknown,
            unrecorded_cube_sum=totals.unrecorded_cube_sum + unjudged.read_low_cube_sum,
            unrecorded_f1=_unrecorded_f1(unjudged),
            blank=unjudged.blank_share,
        )
    except InvalidInput as problem:
        return replace(unjudged, reason=coded("life.no_share", why=str(problem)))
    unit = life.share_of_design(crane.design, 1.0, f1)
    start = unjudged.start
    weekly = unit * whole_weeks(
        list(totals.weeks),
        list(unjudged.weeks.values()),
        start,
        rested=lambda monday: is_rest(monday, monday + timedelta(days=6), totals.counters),
    )
    thresholds = (crane.review_at_share, life.SPENT_SHARE)
    review, spent = forecasts(weekly, used.total, thresholds, start)
    due = special_assessment(
        crane, defects=totals.noted.defects, used_share=used.total, review=review, start=start
    )
    return replace(
        unjudged, used=used, reason=None, assessment=due, weekly_share=weekly, review=review, spent=spent
    )


def _unrecorded_f1(found: LifeStatus) -> float:
    """The largest factor of the months with time in use that is not on record: excluding readings lowers nothing."""
    months = zip(found.totals.months, found.months, strict=True)
    mine = [factor.f1 for month, factor in months if month.unrecorded_ms and found.factor.reason != AS_ASKED]
    return max([found.factor.f1, *mine])


def _unjudged(crane: Crane, totals: Totals, f1: float | None) -> LifeStatus:
    """What can be told without a design class."""
    months = months_f1(totals.months, crane.recorder_runs, totals.counters)
    factor = overall(totals.months, months, crane.recorder_runs) if f1 is None else Factor(f1, AS_ASKED)
    years = life.design_years(crane)
    prior = None if totals.first_day is None else life.prior_years(crane, totals.first_day)
    return LifeStatus(
        crane=crane,
        totals=totals,
        coverage=coverage(
            totals.recorded_ms, totals.missing_ms, sum(one.uncounted_ms for one in totals.months)
        ),
        factor=factor,
        months=months,
        design_years=years,
        prior=prior,
        prior_unknown=0.0 if prior is None else life.unknown_share(prior.unknown, years.years),
        blank_years=blank_days(totals.weeks, totals.counters) / DAYS_PER_YEAR,
        contradictions=(
            *(one.remark for one in life.contradictions(crane, totals.first_day)),
            *totals.counter_problems,
        ),
        used=None,
        reason=NO_DESIGN,
        assessment=special_assessment(crane, defects=totals.noted.defects),
        start=crane.commissioned_on if totals.last_day is None else totals.last_day + timedelta(days=1),
        weekly_share=np.empty(0),
        review=None,
        spent=None,
    )
