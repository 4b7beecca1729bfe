"""Trend and forecast of weekly use."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty.forecast import (
    LEAST_WEEKS,
    Forecast,
    NoForecast,
    forecast,
    forecasts,
    trend,
    whole_weeks,
)
from words.remarks import text

TODAY = date(2026, 1, 5)


def weeks_of(seed: int, n: int, mean: float = 0.002) -> np.ndarray:
    return np.random.default_rng(seed).gamma(2.0, mean / 2, n)


def test_steady_use_reaches_the_threshold_when_arithmetic_says_so_and_never_without_a_width() -> None:
    found = forecast(np.full(52, 0.01), 0.5, 1.0, TODAY)
    assert isinstance(found, Forecast)
    assert abs(found.middle_on - (TODAY + timedelta(weeks=50))) <= timedelta(days=3)
    assert found.late_on is not None
    assert found.early_on + timedelta(weeks=1) < found.middle_on < found.late_on - timedelta(weeks=1)
    assert (found.weeks, found.season_unseen) == (52, True)
    year = forecast(np.full(53, 0.01), 0.5, 1.0, TODAY)
    assert isinstance(year, Forecast)
    assert not year.season_unseen


def test_thirteen_quiet_weeks_hold_the_year_whose_season_they_do_not_show() -> None:
    """Weeks 13 quiet, of a year that swings by 35 % to either side: the whole year's pace lies in the range."""
    weeks = np.arange(-13, 0)
    quiet = 0.01 * (1 - 0.35 * np.cos(2 * np.pi * (weeks + 6.5) / 52.18))
    found = forecast(quiet, 0.0, 3.0, TODAY)
    assert isinstance(found, Forecast)
    assert found.season_unseen
    assert found.early_on < TODAY + timedelta(weeks=300) < found.middle_on
    assert found.late_on is not None
    assert found.late_on - found.early_on > timedelta(weeks=100)


def test_a_longer_record_gives_a_narrower_range_round_the_same_middle() -> None:
    widths = []
    for n in (20, 60, 240):
        found = forecast(weeks_of(5, n), 0.2, 1.0, TODAY)
        assert isinstance(found, Forecast)
        assert found.late_on is not None
        assert found.early_on < found.middle_on < found.late_on
        widths.append((found.late_on - found.early_on).days)
    assert widths[0] > widths[1] > widths[2]


def test_the_range_holds_the_mean_of_a_law_without_seasons() -> None:
    """Records of 40 weeks from a known law; the true day, by the law's mean, lies inside."""
    truth = TODAY + timedelta(weeks=0.8 / 0.002)
    inside = 0
    for seed in range(200):
        found = forecast(weeks_of(seed, 40), 0.2, 1.0, TODAY, futures=200)
        assert isinstance(found, Forecast)
        assert found.late_on is not None
        inside += found.early_on <= truth <= found.late_on
    # nearly all: the mean is no chance, and the range also holds a season and a drift that this law has not
    assert inside / 200 >= 0.9


def test_the_same_seed_gives_the_same_dates() -> None:
    use = weeks_of(1, 60)
    assert forecast(use, 0.2, 1.0, TODAY, seed=3) == forecast(use, 0.2, 1.0, TODAY, seed=3)
    assert forecast(use, 0.2, 1.0, TODAY, seed=3) != forecast(use, 0.2, 1.0, TODAY, seed=4)


@pytest.mark.parametrize(
    "use",
    [
        np.full(LEAST_WEEKS - 1, 0.01),
        np.concatenate([np.full(7, 0.01), np.zeros(30)]),
        np.concatenate([np.full(LEAST_WEEKS - 1, 0.01), np.full(50, np.nan)]),
        [],
    ],
)
def test_too_little_data_is_said(use: np.ndarray) -> None:
    found = forecast(use, 0.2, 1.0, TODAY)
    assert isinstance(found, NoForecast)
    assert text(found.reason).startswith("too little data")


def test_a_threshold_out_of_scope_gets_no_date() -> None:
    found = forecast(weeks_of(2, 60, mean=1e-6), 0.2, 1.0, TODAY)
    assert isinstance(found, NoForecast)
    assert "100 years" in text(found.reason)


def test_some_futures_beyond_the_horizon_leave_the_late_day_open() -> None:
    use = np.zeros(60)
    use[:8] = 0.8 / 3500 * 60 / 8
    found = forecast(use, 0.2, 1.0, TODAY)
    assert isinstance(found, Forecast)
    assert found.late_on is None


def test_a_threshold_already_passed_is_reached_today() -> None:
    found = forecast(weeks_of(3, 30), 0.97, 0.95, TODAY)
    assert isinstance(found, Forecast)
    assert (found.early_on, found.late_on) == (TODAY, TODAY)


def test_idle_weeks_push_the_day_out_and_unrecorded_weeks_do_not() -> None:
    use = weeks_of(4, 40)
    busy = forecast(use, 0.2, 1.0, TODAY)
    idle = forecast(np.concatenate([use, np.zeros(40)]), 0.2, 1.0, TODAY)
    blind = forecast(np.concatenate([use, np.full(40, np.nan)]), 0.2, 1.0, TODAY)
    assert isinstance(busy, Forecast)
    assert isinstance(idle, Forecast)
    assert blind == busy
    assert (idle.middle_on - TODAY).days == pytest.approx(2 * (busy.middle_on - TODAY).days, rel=0.1)


def test_weeks_without_a_record_are_not_known_unless_a_counter_says_rest() -> None:
    monday = date(2026, 1, 5)
    weeks = [monday + timedelta(weeks=k) for k in (0, 1, 4, 5)]
    use = [9.0, 0.1, float("nan"), 0.3]
    found = whole_weeks(weeks, use, today=monday + timedelta(weeks=6))
    np.testing.assert_array_equal(found, [0.1, np.nan, np.nan, np.nan, 0.3])
    rested = whole_weeks(
        weeks, use, monday + timedelta(weeks=6), lambda week: week == monday + timedelta(weeks=2)
    )
    np.testing.assert_array_equal(rested, [0.1, 0.0, np.nan, np.nan, 0.3])
    running = whole_weeks(weeks, use, today=monday + timedelta(weeks=6, days=-1))
    np.testing.assert_array_equal(running, [0.1, np.nan, np.nan, np.nan])
    assert whole_weeks(weeks[:1], use[:1], today=date(2027, 1, 1)).size == 0
    assert whole_weeks([], [], today=monday).size == 0


def test_changing_use_is_seen_and_chance_is_not() -> None:
    rng = np.random.default_rng(0)
    rising = np.linspace(0.5, 1.5, 80) + rng.normal(0, 0.1, 80)
    assert trend(rising).direction == "rising"
    assert trend(rising[::-1]).direction == "falling"
    assert trend(np.full(50, 0.3)).direction == "steady"
    assert trend([1.0, 2.0]).direction == "steady"
    alarms = sum(trend(weeks_of(seed, 60)).direction != "steady" for seed in range(300))
    assert alarms / 300 < 0.10


@pytest.mark.parametrize("use", [[[0.1]], [-0.1] * 20, [float("inf")] * 20])
def test_use_that_cannot_be_is_refused(use: list[float]) -> None:
    with pytest.raises(InvalidInput):
        forecast(use, 0.1, 1.0, TODAY)
    with pytest.raises(InvalidInput):
        forecast([0.1] * 20, -0.1, 1.0, TODAY)


@given(st.integers(2, 40), st.floats(0.3, 0.9))
def test_a_threshold_gets_the_same_dates_alone_and_with_others(seed: int, review: float) -> None:
    use = weeks_of(seed, 40)
    together = forecasts(use, 0.2, (review, 1.0), TODAY, futures=100)
    assert together == [forecast(use, 0.2, share, TODAY, futures=100) for share in (review, 1.0)]
    assert isinstance(together[0], Forecast)
    assert isinstance(together[1], Forecast)
    assert together[0].middle_on <= together[1].middle_on


def test_the_future_adds_up_what_the_record_added() -> None:
    """Mean of many futures against the mean of the record, on a record of strong weeks and idle ones."""
    use = np.tile([0.004, 0.0, 0.001, 0.003, 0.002, 0.0], 20)
    found = forecast(use, 0.0, 1.0, TODAY)
    assert isinstance(found, Forecast)
    assert (found.middle_on - TODAY).days / 7 == pytest.approx(1 / use.mean(), rel=0.03)
