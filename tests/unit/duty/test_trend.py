"""Kendall's test against scipy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau

from duty.forecast import kendall


@given(st.lists(st.integers(0, 20), min_size=3, max_size=60))
def test_it_is_what_scipy_answers_with_ties(values: list[int]) -> None:
    expected = kendalltau(np.arange(len(values)), values)
    found = kendall(values)
    if np.isnan(expected.statistic):
        assert found == (0.0, 1.0)
    else:
        assert found == (pytest.approx(expected.statistic), pytest.approx(expected.pvalue, abs=1e-12))


@pytest.mark.parametrize("size", [3, 4, 10, 32, 33, 34, 80])
def test_it_is_what_scipy_answers_without_ties(size: int) -> None:
    for seed in range(20):
        values = np.random.default_rng(seed).random(size) + (seed % 3) * 0.05 * np.arange(size)
        expected = kendalltau(np.arange(size), values)
        found = kendall(values)
        assert found.tau == pytest.approx(expected.statistic)
        assert found.p_value == pytest.approx(expected.pvalue, abs=1e-12)
