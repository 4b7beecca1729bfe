"""What the counted totals of one crane mean: the one definition behind the fleet's figures and the life of a crane.

    coverage -> f1 -> used share; weekly use -> the days on which the review share and the whole are reached

Forecasts begin the day after the last recorded day, whenever they are made: the same record gives the same dates. Weeks of
the record without lifts count as 0; what a crane did after its last record is not known and not taken for rest.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from domain.crane import Crane
from domain.errors import InvalidInput
from duty import life
from duty.geometry import Floats
from duty.life import Factor, Forecast, NoForecast, UsedShare

NO_DESIGN = "enter the design class from the crane's manual: there is no default"


@dataclass(frozen=True, kw_only=True)
class Totals:
    """Counted duty of one crane over its whole record."""

    lifts: int = 0
    cube_sum: float = 0.0  # sum of the cubes of the lifts' peak structural shares: C * kQ
    recorded_ms: int = 0
    missing_ms: int = 0
    weeks: Mapping[date, float]  # cube_sum by the Monday of its week; weeks without a record absent
    last_day: date | None = None  # last recorded local day


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How a crane stands. `used`, `review` and `spent` are None without a design class; `reason` says so."""

    crane: Crane
    totals: Totals
    coverage: float | None
    factor: Factor
    used: UsedShare | None
    reason: str
    start: date  # first day of the forecasts
    weekly_share: Floats  # share of the design working period of each whole week of record
    review: Forecast | NoForecast | None  # at the crane's review share
    spent: Forecast | NoForecast | None  # at life.SPENT_SHARE

    @property
    def kq(self) -> float | None:
        """Mean cube of the lifts' peak structural share; None without lifts."""
        return self.totals.cube_sum / self.totals.lifts if self.totals.lifts else None

    @property
    def forecast_reason(self) -> str:
        """Why there is no date of being spent; empty where there is one."""
        if self.spent is None:
            return self.reason or NO_DESIGN
        return self.spent.reason if isinstance(self.spent, NoForecast) else ""


def standing(crane: Crane, totals: Totals, f1: float | None = None) -> Standing:
    """Coverage, f1, used share and forecasts from counted totals.

    f1: another factor on counted duty than the one that the coverage gives, to see what it does; 1 or more.
    """
    coverage = life.coverage(totals.recorded_ms, totals.missing_ms)
    factor = life.f1_from_coverage(coverage) if f1 is None else Factor(f1, "as asked")
    start = crane.commissioned_on if totals.last_day is None else totals.last_day + timedelta(days=1)
    unjudged = Standing(
        crane=crane,
        totals=totals,
        coverage=coverage,
        factor=factor,
        used=None,
        reason=NO_DESIGN,
        start=start,
        weekly_share=np.empty(0),
        review=None,
        spent=None,
    )
    if crane.design is None:
        return unjudged
    try:
        kq = totals.cube_sum / totals.lifts if totals.lifts else 0.0
        used = life.used_share(crane.design, totals.lifts, kq, factor.f1, crane.prior_duty)
    except InvalidInput as problem:
        return replace(unjudged, reason=str(problem))
    unit = life.share_of_design(crane.design, 1.0, factor.f1)
    weekly = unit * life.whole_weeks(list(totals.weeks), list(totals.weeks.values()), start)
    thresholds = (crane.review_at_share, life.SPENT_SHARE)
    review, spent = life.forecasts(weekly, used.total, thresholds, start)
    return replace(unjudged, used=used, reason="", weekly_share=weekly, review=review, spent=spent)
