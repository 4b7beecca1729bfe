"""Trend test, bootstrap and intervals of the life figures against scipy.stats, written by others."""

import math

import numpy as np
import pytest
from scipy import stats

from duty.forecast import _block, _weeks_to, kendall
from duty.rates import rate, share


@pytest.mark.parametrize("ties", [False, True])
@pytest.mark.parametrize("n", [5, 12, 33, 34, 80, 200])
def test_mann_and_kendall_agree_with_scipy(n: int, ties: bool) -> None:
    rng = np.random.default_rng(n)
    for slope in (0.0, 0.01, -0.03):
        series = slope * np.arange(n) + rng.normal(0, 1, n)
        if ties:
            series = np.round(series)
        found = kendall(series)
        expected = stats.kendalltau(np.arange(n), series)
        assert found.tau == pytest.approx(expected.statistic, abs=1e-12)
        assert found.p_value == pytest.approx(expected.pvalue, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("n", [27, 64])
def test_the_pace_of_block_bootstrapped_futures_agrees_with_scipy(n: int) -> None:
    """Far away, a future's pace is the mean of its history: n / block means of circular blocks, drawn with replacement."""
    rng = np.random.default_rng(3)
    use = rng.gamma(2.0, 0.5, n)
    block = _block(n)
    weeks = _weeks_to(np.full((1, 4000), 4000.0), use, np.random.default_rng(1), 4000)[0]
    means = np.array([np.take(use, np.arange(k, k + block), mode="wrap").mean() for k in range(n)])
    drawn = -(-n // block)  # blocks of a history
    expected = stats.bootstrap(
        (means,),
        lambda data, axis: np.take(data, np.arange(drawn), axis=axis).mean(axis=axis),
        confidence_level=0.8,
        n_resamples=20_000,
        method="percentile",
        rng=np.random.default_rng(2),
    ).confidence_interval
    low, high = 4000.0 / np.quantile(weeks, [0.9, 0.1])
    spread = expected.high - expected.low
    assert low == pytest.approx(expected.low, abs=0.1 * spread)
    assert high == pytest.approx(expected.high, abs=0.1 * spread)


@pytest.mark.parametrize("count", [0, 1, 3, 17, 240])
def test_poisson_intervals_are_garwoods(count: int) -> None:
    found = rate(count, 40.0, confidence=0.9)
    low = stats.chi2.ppf(0.05, 2 * count) / 2 if count else 0.0
    assert found.low == pytest.approx(low / 40.0)
    assert found.high == pytest.approx(stats.chi2.ppf(0.95, 2 * count + 2) / 2 / 40.0)
    # by its definition: counts this small or this large have 5 % each
    assert stats.poisson.cdf(count, 40.0 * found.high) == pytest.approx(0.05)
    assert math.isclose(stats.poisson.sf(count - 1, 40.0 * found.low), 0.05, rel_tol=1e-9) or count == 0


@pytest.mark.parametrize(("count", "of"), [(0, 30), (3, 30), (17, 240), (30, 30)])
def test_shares_have_wilsons_interval(count: int, of: int) -> None:
    found = share(count, of, confidence=0.9)
    expected = stats.binomtest(count, of).proportion_ci(0.9, method="wilson")
    assert (found.low, found.high) == (
        pytest.approx(expected.low, abs=1e-12),
        pytest.approx(expected.high, abs=1e-12),
    )
