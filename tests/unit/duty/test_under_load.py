"""Time under load: one kind of time above and below the near-limit share, wherever days and lifts begin and end."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty.under_load import from_bytes, light_runs, loaded_ms, to_bytes

MIDNIGHT = 86_400_000 * 20_000


@st.composite
def records(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Samples around a midnight, by time, step and utilisation, and lifts somewhere among them."""
    n = draw(st.integers(0, 60))
    ahead = np.array(draw(st.lists(st.sampled_from([1, 2, 2, 2, 40]), min_size=n, max_size=n)), np.int64)
    at = MIDNIGHT - 60 + np.cumsum(ahead)
    step = np.minimum(2, np.diff(at, append=MIDNIGHT + 10_000))
    used = np.array(draw(st.lists(st.sampled_from([10.0, 95.0, 90.0, np.nan]), min_size=n, max_size=n)))
    ends = sorted(draw(st.lists(st.integers(-100, 300), max_size=8)))
    return at, step, used, MIDNIGHT + np.array(ends[: len(ends) // 2 * 2], np.int64).reshape(-1, 2)


def plain(at: np.ndarray, step: np.ndarray, used: np.ndarray, lifts: np.ndarray) -> tuple[int, int]:
    """(near the limit, under load), millisecond by millisecond."""
    near = loaded = 0
    for first, length, value in zip(at.tolist(), step.tolist(), used.tolist(), strict=True):
        for moment in range(first, first + length):
            in_lift = any(start <= moment < end for start, end in lifts.tolist())
            near += value >= 90
            loaded += value >= 90 or (value < 90 and in_lift)
    return near, loaded


@given(records())
def test_share_lies_in_0_to_1_and_days_add_up_to_the_period(
    record: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
) -> None:
    at, step, used, lifts = record
    near, loaded = plain(at, step, used, lifts)
    assert loaded_ms(near, light_runs(at, step, used), lifts) == loaded
    assert 0 <= near <= loaded <= step.sum()
    sums = 0
    for day in (at < MIDNIGHT, at >= MIDNIGHT):
        of_day = light_runs(at[day], step[day], used[day])
        near_of_day = int(step[day][used[day] >= 90].sum())
        assert near_of_day <= loaded_ms(near_of_day, of_day, lifts)
        sums += loaded_ms(near_of_day, of_day, lifts)
    assert sums == loaded


def test_lifts_that_overlap_count_once() -> None:
    light = np.array([[0, 1000]])
    assert loaded_ms(0, light, np.array([[100, 500], [200, 300], [400, 600]])) == 500


def test_runs_join_and_come_back_from_bytes() -> None:
    at = MIDNIGHT + np.array([0, 200, 400, 5000, 5200, 5400])
    runs = light_runs(at, np.full(6, 200), [10.0, 20.0, 95.0, 10.0, np.nan, 10.0])
    assert (runs - MIDNIGHT).tolist() == [[0, 400], [5000, 5200], [5400, 5600]]
    np.testing.assert_array_equal(from_bytes(to_bytes(runs)), runs)
    empty = light_runs([], [], [])
    assert empty.shape == from_bytes(to_bytes(empty)).shape == (0, 2)
    with pytest.raises(InvalidInput, match="count that day again"):
        from_bytes(to_bytes(runs)[:-1])
