"""When a threshold of used share or damage will be reached: weeks on record, their trend, and a range of days.

A forecast compares; it does not predict. Weeks without a record are not known and left out; a year that is not seen whole,
a short record and a slow change of work widen the range, which never has no width.
"""

import math
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput
from domain.remark import Remark, coded, count
from domain.units import WEEKS_PER_YEAR
from duty.geometry import Floats

LEAST_WEEKS: Final = 13  # of record before a date is given: a quarter. This project's choice
LEAST_WORKING_WEEKS: Final = 8  # of these with any lift. This project's choice
HORIZON_YEARS: Final = 100
FUTURES: Final = 1000
SEED: Final = 12_482  # of every forecast: the same record gives the same dates everywhere
# Four choices of this project, held against invented fleets in benchmarks/forecast.py:
SEASON_SWING: Final = 0.35  # of the year's mean: how far a season that is not seen may lie above or below
SHORT_RECORD: Final = 0.7  # of the standard error of the mean, for what few blocks do not tell
DRIFT_A_YEAR: Final = 0.05  # standard deviation of a slow change of work, of its level a year
DRIFT_YEARS: Final = 10.0  # such a change goes on for so long at most
_DRAWS_AT_ONCE: Final = 64  # fixed, so that a threshold's dates do not depend on what else is asked
TREND_LEVEL: Final = 0.05  # p value below which use counts as changing
_WEEK: Final = timedelta(days=7)


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
    season_unseen: bool = False  # less than a year is on record


class NoForecast(NamedTuple):
    """Why no date is given."""

    reason: Remark
    weeks: int


def whole_weeks(
    mondays: Sequence[date],
    use: ArrayLike,
    today: date,
    rested: Callable[[date], bool] = lambda monday: False,
) -> Floats:
    """Use of every whole week for `forecast`, from recorded weeks named by their Mondays, in any order.

    The first week is left out because the record begins inside it, and weeks that are not over by `today`. A week between
    without an entry is not known (NaN), unless `rested` says of its Monday that the crane stood still: then it is 0.
    """
    found = dict(zip(mondays, np.asarray(use, np.float64).tolist(), strict=True))
    over = sorted(week for week in found if week + _WEEK <= today)[1:]
    if not over:
        return np.empty(0)
    first = min(found)
    between = (first + (k + 1) * _WEEK for k in range((over[-1] - first) // _WEEK))
    row = np.array([0.0 if week not in found and rested(week) else np.nan for week in between])
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
    short record leaves. Its pace is then divided by what the record may have missed (see `_pace`): a season, blocks, a slow
    change of work. A change that began is no part of it: look at the trend. Same seed, same dates, whichever thresholds
    are asked for together.

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
            coded(
                "forecast.too_little",
                weeks=count(weeks),
                working=count(working),
                least_weeks=count(LEAST_WEEKS),
                least_working=count(LEAST_WORKING_WEEKS),
            ),
            weeks,
        )
        return [short] * len(thresholds)
    found = trend(use)
    needed = np.array([threshold - used_now for threshold in thresholds], np.float64)
    rng = np.random.default_rng(seed)
    needed = np.maximum(needed, 0.0)
    row = _weeks_to(needed[:, None] / _pace(needed, use, rng, futures), use, rng, futures)
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
        return NoForecast(coded("forecast.not_reached", years=count(HORIZON_YEARS)), weeks)
    return Forecast(
        threshold,
        start + early * _WEEK,
        start + middle * _WEEK,
        start + late * _WEEK if np.isfinite(late) else None,
        weeks,
        found,
        weeks < WEEKS_PER_YEAR,
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


def _pace(needed: Floats, use: Floats, rng: np.random.Generator, futures: int) -> Floats:
    """Factors on the pace of each future for what n weeks of record cannot tell, shape (needed, futures).

    A season: a yearly swing of SEASON_SWING with unknown phase leaves the mean of n weeks off by up to swing * |sin(pi x) / (pi x)|,
    x in years, which vanishes over whole years. A short record: the spread between its blocks is known from few of them. A
    slow change of work: a yearly growth or decline of DRIFT_A_YEAR (standard deviation) from the first day on.
    """
    phase = rng.uniform(0.0, 2 * np.pi, futures)
    chance = rng.standard_normal((2, futures))
    off = SEASON_SWING * abs(np.sinc(use.size / WEEKS_PER_YEAR))
    season = 1.0 / (1.0 + off * np.cos(phase))
    block = _block(use.size)
    means = use[use.size % block :].reshape(-1, block).mean(axis=1)
    error = float(means.std(ddof=1)) / float(use.mean()) / np.sqrt(means.size)
    years = needed / float(use.mean()) / WEEKS_PER_YEAR
    return np.asarray(season * np.exp(SHORT_RECORD * error * chance[0]) * _drift(years, chance[1]))


def _drift(years: Floats, chance: Floats) -> Floats:
    """Years at an even pace over the years that a drifting one takes, shape (years, chance)."""
    growth = DRIFT_A_YEAR * np.where(chance == 0, 1e-12, chance)
    done = np.expm1(growth * DRIFT_YEARS) / growth  # years' worth when the change ends
    even = np.maximum(years[:, None], 1e-9)
    inside = np.log1p(growth * np.minimum(even, done)) / growth
    return np.asarray(even / (inside + np.maximum(even - done, 0.0) / np.exp(growth * DRIFT_YEARS)))


def _weeks_to(needed: Floats, use: Floats, rng: np.random.Generator, futures: int) -> Floats:
    """Weeks until each future has added what it needs, shape (thresholds, futures) as `needed`; inf beyond the horizon."""
    weeks, block = use.size, _block(use.size)
    # weeks a history, rounded up to whole blocks; blocks wrap around so that every week is drawn equally often
    starts = rng.integers(0, weeks, (futures, -(-weeks // block)))
    until = np.concatenate([[0.0], np.cumsum(np.resize(use, weeks + block))])
    places = starts.shape[1]
    size = places * block
    follows = np.roll(starts, -1, axis=1)
    ends, begins = until[starts + block].ravel(), until[follows].ravel()
    starts, follows = starts.ravel(), follows.ravel()
    draws = int(np.ceil(HORIZON_YEARS * WEEKS_PER_YEAR / block))
    found = np.where(needed > 0, np.inf, 0.0)
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
        for waiting, goals in zip(found, needed[:, open_rows], strict=True):
            now = np.flatnonzero(np.isinf(waiting[open_rows]) & (total[:, -1] >= goals))
            goal = goals[now]
            at = (total[now] >= goal[:, None]).argmax(axis=1)
            ahead = np.where(at > 0, total[now, at - 1], before[open_rows[now]])
            inside = (goal - ahead) / drawn[now, at]  # evenly within the block
            reached = np.round(
                block * (first + at + inside), 6
            )  # a millionth of a week is rounding, not time
            waiting[open_rows[now]] = np.where(first + at < draws, reached, np.inf)
        before[open_rows] = total[:, -1]
    return found


LARGEST_EXACT: Final = 33  # values; beyond it the normal approximation is used, as scipy does


class Tau(NamedTuple):
    """Kendall's tau-b of a series against its order, and the two-sided p value."""

    tau: float
    p_value: float


def kendall(values: ArrayLike) -> Tau:
    """Test of Mann and Kendall whether a series of shape (n,) in time order, all finite, rises or falls. Without any order in it: tau 0, p 1.

    Sources: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods, 1948: exact distribution
    without ties, normal approximation with the correction for ties otherwise (from memory, checked against scipy in the
    tests). Own code, because the library that has it takes a second to import and every process that answers needs it.
    """
    series = np.asarray(values, np.float64)
    n = series.size
    pairs = n * (n - 1) // 2
    rising = np.sign(series[None, :] - series[:, None])[np.triu_indices(n, 1)]
    score = int(rising.sum())
    _, repeats = np.unique(series, return_counts=True)
    tied = int((repeats * (repeats - 1) // 2).sum())
    if pairs == tied:
        return Tau(0.0, 1.0)
    tau = score / math.sqrt(pairs) / math.sqrt(pairs - tied)
    if tied == 0 and n <= LARGEST_EXACT:
        return Tau(tau, _exact(n, (pairs - abs(score)) // 2))
    spread = (n * (n - 1) * (2 * n + 5) - int((repeats * (repeats - 1) * (2 * repeats + 5)).sum())) / 18
    return Tau(tau, math.erfc(abs(score) / math.sqrt(2 * spread)))


def _exact(n: int, inversions: int) -> float:
    """Chance of a random order with so few inversions or so many, by the generating function of their number."""
    counts: NDArray[np.float64] = np.ones(1)
    for size in range(2, n + 1):
        counts = np.convolve(counts, np.full(size, 1 / size))
    return min(1.0, 2 * float(counts[: inversions + 1].sum()))
