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
