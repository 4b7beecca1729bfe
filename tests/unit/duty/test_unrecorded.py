"""Time in use that is not on record: at the pace of the 90th-percentile week, and never less than what stood there."""

from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.crane import DesignClass, Edition, RecorderRuns
from domain.errors import InvalidInput
from domain.history import CounterKind
from duty.life_status import Totals, life_status, with_unrecorded
from duty.recording import CounterSpan, Month, coverage, f1_from_coverage
from duty.unrecorded import unrecorded_use
from tests.unit.duty.invented import crane

HOUR = 3_600_000


def share(use: np.ndarray, recorded: np.ndarray, unrecorded: np.ndarray, known: np.ndarray) -> float:
    """f1 times everything, as the used share takes it, without the design that divides it."""
    told = coverage(float(recorded.sum() + unrecorded.sum()), 0.0)
    f1 = f1_from_coverage(coverage(float(recorded.sum()), float(unrecorded.sum())), told=told).f1
    return f1 * float(use.sum() + unrecorded_use(use, recorded, unrecorded, known).total)


def test_the_pace_is_that_of_the_90th_percentile_week() -> None:
    use = np.arange(1.0, 21.0)  # cubes a week, 10 h each
    found = unrecorded_use(use, np.full(20, 10 * HOUR), np.r_[5 * HOUR, np.zeros(19)])
    assert found.pace_per_hour == pytest.approx(1.9)  # the 19th of 20: index 0.9 * 19 = 17.1, the next above
    assert found.cube_sum.tolist() == [pytest.approx(9.5), *[0.0] * 19]


def test_never_less_than_what_stood_there() -> None:
    found = unrecorded_use([1.0, 1.0, 0.0], [10 * HOUR] * 3, [0, 0, HOUR], [0, 0, 7.0])
    assert found.cube_sum.tolist() == [0.0, 0.0, 7.0]


def test_a_minute_tells_no_pace_while_a_week_does() -> None:
    found = unrecorded_use([5.0, 1.0], [60_000, 10 * HOUR], [0, HOUR])
    assert found.pace_per_hour == pytest.approx(0.1)
    assert unrecorded_use([5.0], [60_000], [HOUR]).pace_per_hour == pytest.approx(300)


def test_with_nothing_on_record_it_says_so() -> None:
    assert unrecorded_use([0.0, 0.0], [0, 0], [HOUR, HOUR], [3.0, 4.0])[1:] == (None, True)
    untold = unrecorded_use([0.0, 0.0], [0, 0], [HOUR, HOUR], [3.0, 0.0])
    assert (untold.total, untold.pace_per_hour, untold.told) == (3.0, None, False)


weeks = st.lists(
    st.tuples(st.floats(0, 50), st.integers(1, 60), st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=60
)


def test_what_is_taken_at_a_pace_is_not_made_up_for_by_f1_once_more() -> None:
    assert f1_from_coverage(0.25).f1 == 4.0
    assert f1_from_coverage(0.25, told=1.0).f1 == 1.5
    assert (
        f1_from_coverage(0.25, told=0.5).f1 == 2.0
    )  # half of the time is neither on record nor taken at a pace
    assert f1_from_coverage(0.0, told=1.0).f1 == f1_from_coverage(0.0, told=0.0).f1 == 1.5
    assert f1_from_coverage(0.95, told=1.0).f1 == 1.1


@given(weeks)
def test_excluding_never_lowers_the_share(of_weeks: list[tuple[float, int, float, float]]) -> None:
    """Any part of any weeks, heavy or light, with any part of their duty in it."""
    use, hours, time_out, use_out = (np.array(column, float) for column in zip(*of_weeks, strict=True))
    recorded = hours * HOUR
    lost = np.where(time_out > 0, use * use_out, 0.0)
    before = share(use, recorded, np.zeros(use.size), np.zeros(use.size))
    after = share(use - lost, recorded * (1 - time_out), recorded * time_out, lost)
    assert after >= before * (1 - 1e-9)


def test_excluding_the_heaviest_week_as_false_counts_it_at_the_90th_percentile() -> None:
    use, recorded = np.array([1.0] * 10 + [2.0] * 2 + [30.0]), np.full(13, 20.0 * HOUR)
    out = np.r_[np.zeros(12), 20.0 * HOUR]
    found = unrecorded_use(np.r_[use[:12], 0.0], recorded - out, out)
    assert found.total == pytest.approx(2.0)


@pytest.mark.parametrize(
    "wrong", [([-1.0], [1], [1]), ([1.0], [-1], [1]), ([1.0, 2.0], [1, 2, 3], [1]), ([np.nan], [1], [1])]
)
def test_impossible_weeks_are_refused(wrong: tuple[list[float], list[int], list[int]]) -> None:
    with pytest.raises(InvalidInput):
        unrecorded_use(*wrong)


class Week(NamedTuple):
    """One week of record."""

    week: date
    peak_cubed_sum: float
    recorded_ms: int
    unrecorded_ms: int = 0
    known_cubed_sum: float = 0.0


def used_share_of(weeks: list[Week], runs: RecorderRuns) -> float:
    months: dict[date, list[Week]] = {}
    for one in weeks:
        months.setdefault(one.week.replace(day=1), []).append(one)
    totals = Totals(
        lifts=100,
        cube_sum=sum(one.peak_cubed_sum for one in weeks),
        recorded_ms=sum(one.recorded_ms for one in weeks),
        missing_ms=sum(one.unrecorded_ms for one in weeks),
        months=[
            Month(
                month,
                sum(one.recorded_ms for one in mine),
                sum(one.unrecorded_ms for one in mine),
                sum(one.unrecorded_ms for one in mine),
                sum(one.peak_cubed_sum for one in mine),
            )
            for month, mine in months.items()
        ],
        weeks={one.week: one.peak_cubed_sum for one in weeks},
        first_day=weeks[0].week,
        last_day=weeks[-1].week + timedelta(days=6),
    )
    design = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q2")
    entered = crane().model_copy(update={"design": design, "recorder_runs": runs})
    used = life_status(entered, with_unrecorded(totals, weeks)).used
    assert used is not None
    return used.total


@settings(max_examples=40, deadline=None)
@given(weeks, st.sampled_from(RecorderRuns))
def test_excluding_never_lowers_the_used_share_with_factors_by_month(
    of_weeks: list[tuple[float, int, float, float]], runs: RecorderRuns
) -> None:
    before, after = [], []
    for place, (use, hours, time_out, use_out) in enumerate(of_weeks):
        monday = date(2025, 1, 6) + timedelta(weeks=place)
        out_ms, lost = int(hours * HOUR * time_out), use * use_out
        before.append(Week(monday, use, hours * HOUR))
        if out_ms == 0:
            after.append(before[-1])
        else:
            after.append(Week(monday, use - lost, hours * HOUR - out_ms, out_ms, lost + 1e-9))
    assert used_share_of(after, runs) >= used_share_of(before, runs) * (1 - 1e-9)


def test_the_larger_of_two_counters_is_taken_where_both_tell_of_the_same_days() -> None:
    """One recorded week of 10 h and a sum of 5 in 20 lifts: 0.5 an hour, 0.25 a lift."""
    week = Week(date(2026, 3, 2), 5.0, 10 * HOUR)
    recorded = Totals(lifts=20, cube_sum=5.0, recorded_ms=10 * HOUR, weeks={week.week: 5.0})
    april = CounterSpan(CounterKind.OPERATING_HOURS, date(2026, 3, 31), date(2026, 4, 30), 100.0, 0.0)
    lifts = april._replace(kind=CounterKind.LIFTS)
    may = lifts._replace(after=date(2026, 4, 30), upto=date(2026, 5, 31), gained=1000.0)

    def taken(*spans: CounterSpan) -> float:
        return with_unrecorded(replace(recorded, counters=spans), [week]).unrecorded_cube_sum

    assert taken(april) == pytest.approx(100 * 0.5)
    assert taken(april, lifts) == pytest.approx(50)  # 100 lifts would be 25
    assert taken(april, lifts._replace(gained=1000.0)) == pytest.approx(250)
    assert taken(april, may) == pytest.approx(50 + 250)
    # half of the days of the hours belong to each of two spans of lifts
    parts = (
        lifts._replace(upto=date(2026, 4, 15), gained=180.0),
        lifts._replace(after=date(2026, 4, 15), gained=20.0),
    )
    assert taken(april, *parts) == pytest.approx(50 + (45 - 25))
    # 90 of 100 h of idle engine are no record of the rest
    assert taken(april._replace(recorded=90.0, idle=True)) == pytest.approx(10 * 0.5)
