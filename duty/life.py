"""How much of the design working period is used, and when a threshold will be reached.

    used share = ( f1 * sum(C_i * kQ_i)  +  f1_prior * C_prior * kQ_prior ) / (C_design * kQ_design)

In the manner of ISO 12482:2014, whose scope leaves out mobile cranes; spent at 1 (natural reading, from memory).
C * kQ of a stretch is the sum of the cubes of its lifts' peak structural shares, so light lifts hardly count and a
lift missed below the finding threshold of `duty.lifts` changes nothing that matters.

The design working period is not a guaranteed period. Monitoring replaces neither inspection nor maintenance.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from enum import Enum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.crane import DesignClass, PriorDuty
from domain.errors import InvalidInput
from duty.geometry import Floats
from duty.spectrum import design_limits
from duty.trend import kendall

SPENT_SHARE: Final = 1.0
"""Used share at which the design working period is spent (natural reading, from memory)."""

LEAST_WEEKS: Final = 13  # of record before a date is given: a quarter. This project's choice
LEAST_WORKING_WEEKS: Final = 8  # of these with any lift. This project's choice
HORIZON_YEARS: Final = 100
FUTURES: Final = 1000
SEED: Final = 12_482  # of every forecast: the same record gives the same dates everywhere
_DRAWS_AT_ONCE: Final = 64  # fixed, so that a threshold's dates do not depend on what else is asked
TREND_LEVEL: Final = 0.05  # p value below which use counts as changing
_WEEK: Final = timedelta(days=7)


class Recording(Enum):
    """How duty was recorded, with the safety factor f1 on it.

    P. Depale, M. Bennebach, Mechanics & Industry 20, 2019, 802, Table 3, doi 10.1051/meca/2019047 (read).
    """

    AUTOMATIC = 1.0  # recorder that always runs when the crane is used, or counters with a log
    DOCUMENTED_PROCESS = 1.1
    DOCUMENTED_PRODUCTION = 1.2
    UNDOCUMENTED = 1.3
    UNKNOWN = 1.5


# Least coverage for each factor: this project's convention, such that no factor is below 1 / coverage by more than 1 %
_COVERAGE_STEPS: Final = (
    (0.99, Recording.AUTOMATIC),
    (0.91, Recording.DOCUMENTED_PROCESS),
    (0.84, Recording.DOCUMENTED_PRODUCTION),
    (0.77, Recording.UNDOCUMENTED),
    (0.0, Recording.UNKNOWN),
)


class Factor(NamedTuple):
    """Safety factor on counted duty, with the sentence that explains it."""

    f1: float
    reason: str


class UsedShare(NamedTuple):
    """Shares of the design working period, factors included; spent at a total of 1."""

    counted: float
    prior: float

    @property
    def total(self) -> float:
        """Counted and prior duty together."""
        return self.counted + self.prior


class Trend(NamedTuple):
    """Whether weekly use changes: "rising", "falling" or "steady", with Kendall's tau and its two-sided p value."""

    direction: str
    tau: float
    p_value: float


class Forecast(NamedTuple):
    """Days on which the threshold is reached in 10, 50 and 90 % of futures; None beyond HORIZON_YEARS."""

    threshold: float
    early_on: date
    middle_on: date
    late_on: date | None
    weeks: int  # of record behind it
    trend: Trend


class NoForecast(NamedTuple):
    """Why no date is given."""

    reason: str
    weeks: int


class Assessment(NamedTuple):
    """When a special assessment is due, and by which rule."""

    on: date
    reason: str


def coverage(recorded_ms: float, missing_ms: float) -> float | None:
    """Share of the time with the recorder running that is on record, 0..1; None without any time."""
    if recorded_ms < 0 or missing_ms < 0:
        raise InvalidInput("recorded and missing time must be 0 or more", field="recorded_ms")
    whole = recorded_ms + missing_ms
    return recorded_ms / whole if whole > 0 else None


def f1_from_coverage(share: float | None, *, always_on: bool = True) -> Factor:
    """Safety factor f1 from the measured coverage (0..1, None where it is not known).

    An automatic recorder earns 1.0 only where it always runs when the crane is used and the operator cannot switch
    it off: pass `always_on` False where that is not so, and the factor is that of an undocumented estimate at least.
    Below the steps of the table the factor is 1 / coverage, so that what was not recorded is never treated as rest.
    """
    if share is None:
        return Factor(Recording.UNKNOWN.value, "coverage is not known")
    if not 0 <= share <= 1:
        raise InvalidInput("coverage must lie in 0..1", field="share")
    if share == 0:
        return Factor(Recording.UNKNOWN.value, "nothing is recorded")
    f1 = next(recording.value for least, recording in _COVERAGE_STEPS if share >= least)
    f1 = f1 if share >= _COVERAGE_STEPS[0][0] else max(f1, 1 / share)
    if not always_on and f1 < Recording.UNDOCUMENTED.value:
        return Factor(Recording.UNDOCUMENTED.value, "the recorder can be switched off")
    return Factor(f1, f"{100 * share:.1f} % of the time in use is on record")


def share_of_design(design: DesignClass, cube_sum: float, f1: float = 1.0) -> float:
    """Share of the design working period that lifts use: f1 * sum (peak structural / 100)^3 / (C_design * kQ_design).

    `cube_sum` is C * kQ. Raises InvalidInput for a class without upper limit, a negative sum, or f1 below 1.
    """
    if not cube_sum >= 0:
        raise InvalidInput("the sum of cubes must be 0 or more", field="cube_sum")
    if not f1 >= 1:
        raise InvalidInput("f1 must be 1 or more", field="f1")
    cycles, factor = design_limits(design)
    return f1 * cube_sum / (cycles * factor)


def used_share(
    design: DesignClass, lifts: float, kq: float, f1: float, prior: PriorDuty | None = None
) -> UsedShare:
    """Used share of the design working period from counted lifts with their kQ, and duty before the record.

    `kq` is not looked at without lifts (it is NaN then). Prior duty carries its own f1. See the module for the formula.
    """
    counted = share_of_design(design, lifts * kq if lifts else 0.0, f1)
    before = share_of_design(design, prior.lifts * prior.kq, prior.f1) if prior else 0.0
    return UsedShare(counted, before)


def special_assessment(
    commissioned_on: date, after_years: float = 10.0, spent: Forecast | None = None
) -> Assessment:
    """The earlier of the calendar rule and the forecast of the used share, by its early (10 %) day.

    The calendar rule, 10 years unless the maker says otherwise, is the default of ISO 12482 as reported for loader
    cranes (P. Depale, M. Bennebach, Procedia Structural Integrity 38, 2022, p. 322: read). Pass as `spent` a forecast
    for the share at which the crane is to be reviewed.
    """
    due = calendar_assessment(commissioned_on, after_years)
    if spent is not None and spent.early_on < due:
        return Assessment(spent.early_on, f"used share may reach {100 * spent.threshold:g} %")
    return Assessment(due, f"{after_years:g} years after commissioning")


def calendar_assessment(commissioned_on: date, after_years: float = 10.0) -> date:
    """The day by the calendar rule alone; 28 February stands for a 29th that the year does not have."""
    years = int(after_years)
    try:
        due = commissioned_on.replace(year=commissioned_on.year + years)
    except ValueError:  # 29 February
        due = date(commissioned_on.year + years, 2, 28)
    return due + timedelta(days=round((after_years - years) * 365.25))


def whole_weeks(mondays: Sequence[date], use: ArrayLike, today: date) -> Floats:
    """Use of every whole week on record for `forecast`, from weeks named by their Mondays, in any order.

    The first week is left out because the record begins inside it, and weeks that are not over by `today`. A week
    between without an entry is 0: the crane stood still. For a week that is known to be missing pass NaN.
    """
    found = dict(zip(mondays, np.asarray(use, np.float64).tolist(), strict=True))
    over = sorted(week for week in found if week + _WEEK <= today)[1:]
    if not over:
        return np.empty(0)
    first = min(found)
    row = np.zeros((over[-1] - first) // _WEEK)
    for week in over:
        row[(week - first) // _WEEK - 1] = found[week]
    return row


def trend(weekly_use: ArrayLike) -> Trend:
    """Mann and Kendall's test on weekly use in time order; NaN weeks are left out.

    Weeks of a job resemble each other, which would make chance look like a trend, so the test runs on means of
    neighbouring weeks (n^(1/3) at a time, the block of the forecast).
    """
    use = _known(weekly_use)
    block = _block(use.size)
    whole = use.size // block * block
    means = use[use.size - whole :].reshape(-1, block).mean(axis=1)
    if means.size < 3 or np.ptp(means) == 0:
        return Trend("steady", 0.0, 1.0)
    tau, p_value = kendall(means)
    if p_value >= TREND_LEVEL:
        return Trend("steady", tau, p_value)
    return Trend("rising" if tau > 0 else "falling", tau, p_value)


def forecast(
    weekly_use: ArrayLike,
    used_now: float,
    threshold: float,
    start: date,
    *,
    seed: int = SEED,
    futures: int = FUTURES,
) -> Forecast | NoForecast:
    """When a share reaches one threshold: see `forecasts`."""
    return forecasts(weekly_use, used_now, (threshold,), start, seed=seed, futures=futures)[0]


def forecasts(
    weekly_use: ArrayLike,
    used_now: float,
    thresholds: Sequence[float],
    start: date,
    *,
    seed: int = SEED,
    futures: int = FUTURES,
) -> list[Forecast | NoForecast]:
    """When a share that grows by `weekly_use` a week reaches each threshold, by block bootstrap.

    Parameters
    ----------
    weekly_use
        share (or damage) added in each whole week of record, in time order, shape (n,): 0 for a recorded week without
        use, NaN for a week that was not recorded, which is left out
    used_now, thresholds
        share used at `start`, and the shares asked for
    start
        first day of the future

    Each future first draws a history of n weeks from the record, in blocks of n^(1/3) neighbouring weeks, and then its
    weeks from that history: so the range holds both the chance of weeks to come and the doubt about the mean that a
    short record leaves. It holds no change of work: look at the trend. Same seed, same dates, whichever thresholds are
    asked for together.

    Gives NoForecast where the record is shorter than LEAST_WEEKS, or has fewer than LEAST_WORKING_WEEKS with any use,
    or half of the futures do not reach the threshold within HORIZON_YEARS. Method: H. R. Kuensch, Annals of Statistics
    17 (1989) 1217 (moving blocks, from memory).
    """
    use = _known(weekly_use)
    if not used_now >= 0:
        raise InvalidInput("the used share must be 0 or more", field="used_now")
    weeks, working = use.size, int(np.count_nonzero(use))
    if weeks < LEAST_WEEKS or working < LEAST_WORKING_WEEKS:
        short = NoForecast(
            f"too little data: {weeks} weeks of record, {working} of them with lifts; a date is given from "
            f"{LEAST_WEEKS} weeks with {LEAST_WORKING_WEEKS} working ones",
            weeks,
        )
        return [short] * len(thresholds)
    found = trend(use)
    needed = np.array([threshold - used_now for threshold in thresholds], np.float64)
    row = _weeks_to(np.maximum(needed, 0.0), use, np.random.default_rng(seed), futures)
    return [
        _dated(threshold, weeks_needed, start, weeks, found)
        for threshold, weeks_needed in zip(thresholds, row, strict=True)
    ]


def _dated(
    threshold: float, weeks_needed: Floats, start: date, weeks: int, found: Trend
) -> Forecast | NoForecast:
    # the counted quantile, since a future may need infinitely many weeks
    early, middle, late = np.quantile(weeks_needed, [0.1, 0.5, 0.9], method="inverted_cdf")
    if not np.isfinite(middle):
        return NoForecast(f"not reached within {HORIZON_YEARS} years at the use on record", weeks)
    return Forecast(
        threshold,
        start + early * _WEEK,
        start + middle * _WEEK,
        start + late * _WEEK if np.isfinite(late) else None,
        weeks,
        found,
    )


def _known(weekly_use: ArrayLike) -> Floats:
    use = np.asarray(weekly_use, np.float64)
    if use.ndim != 1:
        raise InvalidInput("weekly use must be one row of weeks", field="weekly_use")
    use = use[~np.isnan(use)]
    if (use < 0).any() or np.isinf(use).any():
        raise InvalidInput("weekly use must be 0 or more", field="weekly_use")
    return use


def _block(weeks: int) -> int:
    """Weeks a block: the cube root of their number, the usual order for a mean."""
    return max(1, round(float(np.cbrt(weeks))))


def _weeks_to(needed: Floats, use: Floats, rng: np.random.Generator, futures: int) -> Floats:
    """Weeks until each future has added each of `needed`, shape (needed, futures); inf beyond the horizon."""
    weeks, block = use.size, _block(use.size)
    # weeks a history, rounded up to whole blocks; blocks wrap around so that every week is drawn equally often
    starts = rng.integers(0, weeks, (futures, -(-weeks // block)))
    until = np.concatenate([[0.0], np.cumsum(np.resize(use, weeks + block))])
    places = starts.shape[1]
    size = places * block
    follows = np.roll(starts, -1, axis=1)
    ends, begins = until[starts + block].ravel(), until[follows].ravel()
    starts, follows = starts.ravel(), follows.ravel()
    draws = int(np.ceil(HORIZON_YEARS * 365.25 / 7 / block))
    found = np.where(needed[:, None] > 0, np.inf, np.zeros((1, futures)))
    before = np.zeros(futures)
    for first in range(0, draws, _DRAWS_AT_ONCE):
        open_rows = np.flatnonzero(np.isinf(found).any(axis=0))
        if not open_rows.size:
            break
        # drawn for every future, also for those that are there, so that none depends on the others
        weeks_drawn = rng.integers(0, size, (futures, _DRAWS_AT_ONCE))[open_rows]
        place = weeks_drawn // block
        offset = weeks_drawn - place * block
        place += open_rows[:, None] * places
        # a block of the history: the rest of one drawn block and the beginning of the next
        here, after = starts.take(place) + offset, follows.take(place) + offset
        drawn = ends.take(place) - until.take(here) + until.take(after) - begins.take(place)
        drawn = np.maximum(drawn, 0.0)
        total = before[open_rows, None] + np.cumsum(drawn, axis=1)
        for waiting, goal in zip(found, needed, strict=True):
            now = np.flatnonzero(np.isinf(waiting[open_rows]) & (total[:, -1] >= goal))
            at = (total[now] >= goal).argmax(axis=1)
            ahead = np.where(at > 0, total[now, at - 1], before[open_rows[now]])
            inside = (goal - ahead) / drawn[now, at]  # evenly within the block
            reached = np.round(
                block * (first + at + inside), 6
            )  # a millionth of a week is rounding, not time
            waiting[open_rows[now]] = np.where(first + at < draws, reached, np.inf)
        before[open_rows] = total[:, -1]
    return found
