"""Rates and shares with their confidence, against scipy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from domain.errors import InvalidInput
from duty import rates


@given(count=st.integers(0, 500), hours=st.floats(0.1, 10_000))
def test_the_poisson_interval_is_exact(count: int, hours: float) -> None:
    """At the ends of the interval the count seen has a tail of 5 % (F. Garwood's definition)."""
    found = rates.rate(count, hours)
    assert found.low <= count / hours <= found.high
    assert stats.poisson.cdf(count, found.high * hours) == pytest.approx(0.05, abs=1e-9)
    if count:
        assert stats.poisson.sf(count - 1, found.low * hours) == pytest.approx(0.05, abs=1e-9)


@given(of=st.integers(1, 2000), data=st.data())
def test_the_share_interval_is_that_of_scipy(of: int, data: st.DataObject) -> None:
    count = data.draw(st.integers(0, of))
    found = rates.share(count, of)
    reference = stats.binomtest(count, of).proportion_ci(confidence_level=0.90, method="wilson")
    assert (found.low, found.high) == pytest.approx((reference.low, reference.high), abs=1e-9)


def test_few_hours_are_not_a_rate() -> None:
    few, many = rates.rate(1, 0.5), rates.rate(100, 200.0)
    assert few.value == 2.0
    assert not few.enough
    assert many.enough
    assert many.low > few.low  # ranked by low, one stop in half an hour does not lead
    assert not rates.share(3, 4).enough


def test_nothing_recorded_is_no_rate() -> None:
    assert rates.rate(0, 0.0) == rates.Estimate(None, 0.0, math.inf, enough=False)
    assert rates.share(0, 0) == rates.Estimate(None, 0.0, 1.0, enough=False)


@pytest.mark.parametrize(("count", "of"), [(-1, 3), (3, -1), (4, 3)])
def test_impossible_counts_are_refused(count: int, of: int) -> None:
    with pytest.raises(InvalidInput):
        rates.share(count, of)


@given(st.integers(0, 200), st.floats(1, 500), st.integers(0, 200), st.floats(1, 500))
def test_the_ratio_interval_is_the_exact_conditional_one(
    now: int, hours: float, then: int, before: float
) -> None:
    found = rates.rate_change(now, hours, then, before)
    if now + then == 0:
        assert found.word == "unknown"
        return
    exact = stats.binomtest(now, now + then).proportion_ci(confidence_level=0.90, method="exact")
    low, high = exact.low / (1 - exact.low), exact.high / (1 - exact.high) if exact.high < 1 else math.inf
    assert (found.low, found.high) == pytest.approx((low * before / hours, high * before / hours), rel=1e-6)
    mirrored = rates.rate_change(then, before, now, hours)
    if found.low > 0 and found.high < math.inf:
        assert mirrored.low == pytest.approx(1 / found.high)
    words = {"more": "less", "less": "more", "no clear change": "no clear change"}
    assert mirrored.word == words[found.word]


def test_the_difference_of_shares_is_newcombes_example() -> None:
    """56 of 70 against 48 of 80 at 95 %: 0.0524 to 0.3339 (Newcombe 1998, table II, example a, method 10)."""
    found = rates.share_change(56, 70, 48, 80, confidence=0.95)
    assert found.value == pytest.approx(0.2)
    assert (found.low, found.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)
    assert found.word == "more"
    assert rates.share_change(48, 80, 56, 70, confidence=0.95).word == "less"
    assert rates.share_change(5, 9, 4, 9).word == "no clear change"
    assert rates.share_change(0, 0, 4, 9).word == "unknown"
