"""Faults from raised to cleared, services that fall due, and faults that come with overloads."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from domain.errors import InvalidInput
from duty.faults import Episode, faults_with_overloads, pair
from duty.service import due

NOON = datetime(2026, 3, 9, 12, tzinfo=UTC)
TODAY = date(2026, 3, 9)


def at(hours: float) -> datetime:
    return NOON + timedelta(hours=hours)


def test_raised_and_cleared_make_an_episode() -> None:
    events = [
        (at(0), "A", True, "first"),
        (at(1), "B", True, ""),
        (at(2), "A", False, ""),
        (at(3), "A", True, "again"),
    ]
    assert pair(events) == [
        Episode(code="A", raised_at=at(0), cleared_at=at(2), text="first"),
        Episode(code="B", raised_at=at(1)),
        Episode(code="A", raised_at=at(3), text="again"),
    ]


def test_raised_again_while_open_is_the_same_episode() -> None:
    events = [(at(0), "A", True, ""), (at(1), "A", True, ""), (at(2), "A", False, "")]
    assert pair(events) == [Episode(code="A", raised_at=at(0), cleared_at=at(2), raised_times=2)]


def test_cleared_without_raised_leaves_nothing() -> None:
    assert pair([(at(0), "A", False, "")]) == []


def test_whichever_comes_first() -> None:
    limits = {
        "every_hours": 100.0,
        "hours_since": 60.0,
        "every_lifts": 1000,
        "lifts_since": 100,
        "every_days": 365,
    }
    by_hours = due(today=TODAY, counted_from=TODAY, **limits, hours_per_day=4.0, lifts_per_day=10.0)
    assert (by_hours.on, by_hours.by) == (TODAY + timedelta(days=10), "hours")
    by_lifts = due(today=TODAY, counted_from=TODAY, **limits, hours_per_day=0.1, lifts_per_day=90.0)
    assert (by_lifts.on, by_lifts.by) == (TODAY + timedelta(days=10), "lifts")
    by_calendar = due(today=TODAY, counted_from=TODAY - timedelta(days=300), **limits)
    assert (by_calendar.on, by_calendar.by) == (TODAY + timedelta(days=65), "calendar")
    assert by_calendar.used == pytest.approx(300 / 365)


def test_a_limit_that_is_reached_is_due_today() -> None:
    found = due(today=TODAY, counted_from=TODAY, every_hours=100.0, hours_since=130.0, hours_per_day=1.0)
    assert (found.on, found.overdue) == (TODAY, True)
    assert found.used == pytest.approx(1.3)


def test_without_use_hours_never_fall_due() -> None:
    found = due(today=TODAY, counted_from=TODAY, every_hours=100.0, hours_since=99.0)
    assert (found.on, found.overdue) == (None, False)


def test_an_association_with_its_uncertainty() -> None:
    overloads = np.repeat([1, 1, 0, 0], [12, 8, 5, 75])
    faults = np.repeat([1, 0, 1, 0], [12, 8, 5, 75])
    found = faults_with_overloads(faults, overloads)
    assert found.odds_ratio == pytest.approx(12.5 * 75.5 / (8.5 * 5.5))
    assert found.low < found.odds_ratio < found.high
    assert found.low > 1
    assert found.p_value == pytest.approx(stats.fisher_exact([[12, 8], [5, 75]]).pvalue)
    assert (found.days_with, found.days_without, found.enough) == (20, 80, True)


def test_too_few_days_are_no_association() -> None:
    assert not faults_with_overloads([1, 0], [1, 0]).enough
    assert not faults_with_overloads(np.zeros(100), np.ones(100)).enough
    with pytest.raises(InvalidInput):
        faults_with_overloads([1, 0], [1])
