"""The safety factor f1 by month: coverage, what the owner states, and counters that run by themselves."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.crane import RecorderRuns
from domain.errors import InvalidInput
from domain.history import CounterKind
from duty.recording import (
    CounterSpan,
    Month,
    blank_days,
    coverage,
    f1_from_coverage,
    is_rest,
    months_f1,
    overall,
)
from words.remarks import text

HOURS = CounterKind.OPERATING_HOURS
H = 3_600_000
MAY, JUNE = date(2026, 5, 1), date(2026, 6, 1)


@pytest.mark.parametrize(
    ("share", "f1"),
    [
        *[(1.0, 1.0), (0.99, 1.0), (0.989, 1.1), (0.91, 1.1), (0.909, 1.2), (0.84, 1.2), (0.77, 1.3)],
        *[(0.76, 1.5), (0.5, 2.0), (0.1, 10.0), (0.0, 1.5), (None, 1.5)],
    ],
)
def test_f1_follows_the_coverage(share: float | None, f1: float) -> None:
    assert f1_from_coverage(share).f1 == pytest.approx(f1)


@given(st.floats(0.01, 1))
def test_what_was_not_recorded_is_never_taken_for_rest(share: float) -> None:
    assert f1_from_coverage(share).f1 * share >= 0.99


def test_coverage_is_recorded_over_recorded_and_missing() -> None:
    assert coverage(90.0, 10.0) == 0.9
    assert coverage(0.0, 0.0) is None
    with pytest.raises(InvalidInput):
        coverage(-1.0, 0.0)
    with pytest.raises(InvalidInput):
        f1_from_coverage(1.1)


@pytest.mark.parametrize(
    ("stated", "f1"),
    [
        (RecorderRuns.ALWAYS, 1.1),
        (RecorderRuns.WITH_IGNITION, 1.1),
        (RecorderRuns.CAN_BE_SWITCHED_OFF, 1.3),
        (RecorderRuns.UNKNOWN, 1.3),
    ],
)
def test_a_complete_record_earns_one_only_by_a_counter(stated: RecorderRuns, f1: float) -> None:
    months = [Month(MAY, 100 * H, 0, 0, 5.0)]
    (found,) = months_f1(months, stated)
    assert (found.f1, found.by_counter) == (f1, False)
    assert "nothing independent supports it" in text(overall(months, [found], stated).reason)
    agrees = [CounterSpan(HOURS, date(2026, 4, 20), date(2026, 6, 3), 130.0, 150.0)]
    (found,) = months_f1(months, stated, agrees)
    assert (found.f1, found.by_counter) == (1.0, True)
    more = [agrees[0]._replace(gained=300.0)]
    assert months_f1(months, stated, more)[0].f1 == pytest.approx(2.0)


def test_a_month_without_coverage_counts_as_unknown() -> None:
    (found,) = months_f1([Month(MAY, 0, 0)], RecorderRuns.ALWAYS)
    assert found.f1 == 1.5


def test_numbers_that_do_not_count_up_leave_coverage_unknown() -> None:
    untold = Month(MAY, 100 * H, 0, 0, 5.0, uncounted_ms=2 * H)
    (found,) = months_f1([untold], RecorderRuns.ALWAYS)
    assert (found.coverage, found.f1) == (None, 1.5)
    assert "do not count up" in text(found.reason)
    assert text(overall([untold], [found], RecorderRuns.ALWAYS).reason).startswith("coverage is not known")
    assert months_f1([untold._replace(missing_ms=100 * H)], RecorderRuns.ALWAYS)[0].f1 == 2.0
    assert months_f1([untold._replace(uncounted_ms=H // 2)], RecorderRuns.ALWAYS)[0].f1 == 1.1
    counter = CounterSpan(HOURS, date(2026, 4, 20), date(2026, 6, 3), 130.0, 100.0)
    (found,) = months_f1([untold], RecorderRuns.ALWAYS, [counter])
    assert (found.coverage, found.f1) == (None, pytest.approx(1.3))
    with pytest.raises(InvalidInput):
        coverage(1, 1, -1)


def test_a_counter_has_to_span_the_whole_month() -> None:
    months = [Month(MAY, 100 * H, 0), Month(JUNE, 100 * H, 0)]
    part = [
        CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 15), 50.0, 50.0),
        CounterSpan(HOURS, date(2026, 5, 15), date(2026, 6, 20), 50.0, 50.0),
    ]
    assert [one.f1 for one in months_f1(months, RecorderRuns.UNKNOWN, part)] == [1.0, 1.3]
    late = [part[0]._replace(after=date(2026, 5, 1)), part[1]]
    assert [one.f1 for one in months_f1(months, RecorderRuns.UNKNOWN, late)] == [1.3, 1.3]


def test_a_poor_coverage_counts_beside_a_counter_that_agrees() -> None:
    months = [Month(MAY, 50 * H, 50 * H)]
    agrees = [CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 31), 50.0, 50.0)]
    assert months_f1(months, RecorderRuns.ALWAYS, agrees)[0].f1 == 2.0


def test_one_factor_gives_the_same_share_as_the_months() -> None:
    months = [Month(MAY, 100 * H, 0, 0, 30.0), Month(JUNE, 50 * H, 50 * H, 0, 10.0)]
    found = months_f1(months, RecorderRuns.UNKNOWN)
    assert [one.f1 for one in found] == [1.3, 2.0]
    assert overall(months, found, RecorderRuns.UNKNOWN).f1 == pytest.approx((1.3 * 30 + 2.0 * 10) / 40)
    assert overall([], [], RecorderRuns.ALWAYS).f1 == 1.5


def test_only_a_counter_that_gained_no_more_than_was_recorded_tells_rest() -> None:
    week = date(2026, 5, 4), date(2026, 5, 10)
    agrees = CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 31), 50.0, 50.0)
    assert is_rest(*week, [agrees])
    assert not is_rest(*week, [agrees._replace(gained=51.0)])
    assert not is_rest(*week, [agrees._replace(after=date(2026, 5, 4))])
    assert not is_rest(*week, [])


def test_long_breaks_that_no_counter_spans_are_blank() -> None:
    """Weeks of 2 March 2015 and 2 March 2026 alone: from 9 March 2015 to 1 March 2026 there are 4011 days."""
    old, new = date(2015, 3, 2), date(2026, 3, 2)
    whole = (new - old).days - 7
    assert whole == 4011
    assert blank_days([new, old], []) == whole
    assert blank_days([old], []) == blank_days([], []) == 0
    assert blank_days([old, old + timedelta(weeks=26)], []) == 0
    assert blank_days([old, old + timedelta(weeks=27)], []) == 26 * 7
    # readings at the ends of 31 December 2015 and 2020 tell of the five years between, whatever the other counter says
    span = CounterSpan(HOURS, date(2015, 12, 31), date(2020, 12, 31), 900.0, 0.0)
    five = (span.upto - span.after).days
    assert blank_days([old, new], [span]) == whole - five
    inside = span._replace(kind=CounterKind.LIFTS, after=date(2016, 5, 1), upto=date(2019, 5, 1))
    assert blank_days([old, new], [inside, span]) == whole - five
    assert blank_days([old, new], [span._replace(after=date(2015, 3, 8), upto=new)]) == 0


def test_of_two_counters_the_one_that_shows_more_use_holds() -> None:
    months = [Month(MAY, 100 * H, 0, 0, 5.0)]
    hours = CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 31), 100.0, 100.0)
    lifts = hours._replace(kind=CounterKind.LIFTS, gained=900.0, recorded=300.0)
    for spans in ([hours, lifts], [hours._replace(gained=300.0), lifts._replace(gained=300.0)]):
        assert months_f1(months, RecorderRuns.ALWAYS, spans)[0].f1 == pytest.approx(3.0)


def test_a_counter_that_stands_still_supports_nothing() -> None:
    months = [Month(MAY, 100 * H, 0, 0, 5.0)]
    still = CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 31), 0.0, 100.0)
    (found,) = months_f1(months, RecorderRuns.UNKNOWN, [still])
    assert (found.f1, found.by_counter) == (1.3, False)
    assert "it stands still or counts something else" in text(found.reason)
    week = date(2026, 6, 8), date(2026, 6, 14)
    quiet = CounterSpan(HOURS, date(2026, 5, 31), date(2026, 6, 30), 0.0, 0.0)
    assert is_rest(*week, [quiet])
    assert not is_rest(*week, [still, quiet])
    # nor is it rest where the other counter went on
    assert not is_rest(*week, [quiet, quiet._replace(kind=CounterKind.LIFTS, gained=40.0)])


def test_use_beside_next_to_no_record_is_blind_and_makes_no_factor() -> None:
    """160 h by the counter, two minutes on record: a factor of 4800 on no lift at all would come to nothing."""
    span = CounterSpan(HOURS, date(2026, 4, 30), date(2026, 5, 31), 160.0, 2 / 60)
    assert (span.blind, span.hidden) == (True, pytest.approx(160 - 2 / 60))
    assert not span._replace(recorded=16.0).blind
    assert span._replace(recorded=100.0, idle=True).blind
    assert not span._replace(gained=100.5, recorded=100.0, idle=True).blind  # rounding
    (found,) = months_f1([Month(MAY, H // 30, 0)], RecorderRuns.ALWAYS, [span])
    assert (found.f1, found.by_counter) == (1.0, True)
    assert "taken at a pace of its own" in text(found.reason)
