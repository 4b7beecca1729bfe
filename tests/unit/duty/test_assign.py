"""A day's list over the fleet: worked by hand, and against every possible assignment of small lists."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty.assign import NOBODY, Assignment, assign, greedy, level, overlapping

INF = float("inf")
ALL_AT_ONCE = overlapping([0, 0, 0], [1, 1, 1])


def test_greedy_takes_what_another_job_needs() -> None:
    # Job 0 costs 1 on crane 0 and 2 on crane 1; job 1 fits crane 0 only. Greedy gives crane 0 away: job 1 has none.
    cost = [[1.0, 2.0], [1.0, INF]]
    overlaps = overlapping([0, 0], [1, 1])
    by_list = greedy(cost, overlaps)
    assert (by_list.crane.tolist(), by_list.points) == ([0, NOBODY], 1.0)
    found = assign(cost, overlaps)
    assert (found.crane.tolist(), found.points) == ([1, 0], 3.0)


def test_windows_that_only_touch_share_a_crane() -> None:
    cost = [[1.0, 5.0], [1.0, 5.0], [1.0, 5.0]]
    found = assign(cost, overlapping([0, 2, 4], [2, 4, 6]))
    assert found.crane.tolist() == [0, 0, 0]
    found = assign(cost, overlapping([0, 1.9, 4], [2, 4, 6]))
    # One of the two that overlap takes the dear crane: 1 + 5 + 1.
    assert found.points == 7.0


def test_a_job_that_nobody_can_take_is_left() -> None:
    found = assign([[INF, INF], [3.0, INF], [INF, 2.0]], ALL_AT_ONCE)
    assert found.crane.tolist() == [NOBODY, 0, 1]
    assert found.points == 5.0


def test_no_jobs_and_no_cranes() -> None:
    assert assign(np.zeros((0, 3)), overlapping([], [])).crane.size == 0
    assert assign(np.zeros((2, 0)), overlapping([0, 0], [1, 1])).crane.tolist() == [NOBODY, NOBODY]


@pytest.mark.parametrize("bad", [float("nan"), -1.0])
def test_bad_points_and_windows_are_refused(bad: float) -> None:
    with pytest.raises(InvalidInput, match="points"):
        assign([[bad]], overlapping([0], [1]))
    with pytest.raises(InvalidInput, match="window"):
        overlapping([1], [1])


def every_assignment(cost: np.ndarray, overlaps: np.ndarray) -> tuple[int, float]:
    """(most jobs, fewest points among those), by trying everything."""
    jobs, cranes = cost.shape
    best = (0, 0.0)
    for choice in product(range(-1, cranes), repeat=jobs):
        taken = [job for job in range(jobs) if choice[job] != NOBODY]
        if any(not np.isfinite(cost[job, choice[job]]) for job in taken):
            continue
        if any(overlaps[a, b] and choice[a] == choice[b] for a in taken for b in taken if a < b):
            continue
        points = sum(cost[job, choice[job]] for job in taken)
        if (-len(taken), points) < (-best[0], best[1]):
            best = (len(taken), points)
    return best


@st.composite
def lists(draw: st.DrawFn, at_once: bool = False) -> tuple[np.ndarray, np.ndarray]:
    jobs, cranes = draw(st.integers(1, 4)), draw(st.integers(1, 3))
    price = st.one_of(st.integers(0, 20).map(float), st.just(INF))
    cost = np.array(
        draw(st.lists(st.lists(price, min_size=cranes, max_size=cranes), min_size=jobs, max_size=jobs))
    )
    starts = [0] * jobs if at_once else draw(st.lists(st.integers(0, 8), min_size=jobs, max_size=jobs))
    lengths = draw(st.lists(st.integers(1, 4), min_size=jobs, max_size=jobs))
    return cost, overlapping(starts, np.add(starts, lengths))


def check_possible(found: Assignment, cost: np.ndarray, overlaps: np.ndarray) -> None:
    taken = np.flatnonzero(found.crane != NOBODY)
    assert np.isfinite(cost[taken, found.crane[taken]]).all()
    for a in taken:
        for b in taken:
            assert a == b or not overlaps[a, b] or found.crane[a] != found.crane[b]


@settings(deadline=None)
@given(lists(at_once=True))
def test_exact_where_all_windows_overlap(drawn: tuple[np.ndarray, np.ndarray]) -> None:
    found = assign(*drawn)
    check_possible(found, *drawn)
    assert (found.assigned, found.points) == every_assignment(*drawn)


@settings(deadline=None)
@given(lists())
def test_between_greedy_and_the_best_there_is(drawn: tuple[np.ndarray, np.ndarray]) -> None:
    found, by_list = assign(*drawn), greedy(*drawn)
    check_possible(found, *drawn)
    check_possible(by_list, *drawn)
    assert (-found.assigned, found.points) <= (-by_list.assigned, by_list.points)
    most, fewest = every_assignment(*drawn)
    assert found.assigned <= most
    if found.assigned == most:
        assert found.points >= fewest


def test_levelling_worked_by_hand() -> None:
    # 40 % left and 20 months to the review: 2 % a month is even. At 3 % a month: 1.5 times too hard.
    found = level([0.6, 0.2, 1.1, 0.5], [0.03, 0.02, 0.01, 0.0], [20.0, 40.0, 12.0, -3.0])
    np.testing.assert_allclose(found.even_share_per_month, [0.02, 0.02, 0.0, 0.0])
    np.testing.assert_allclose(found.ratio, [1.5, 1.0, INF, 1.0])


@settings(deadline=None, max_examples=60)
@given(lists())
def test_small_lists_are_exact_and_say_so(drawn: tuple[np.ndarray, np.ndarray]) -> None:
    cost, overlaps = drawn
    found = assign(cost, overlaps)
    assert (found.exact, found.assigned, found.points) == (True, *every_assignment(cost, overlaps))
    assert (found.most_assigned, found.least_points) == (found.assigned, found.points)


def test_a_job_gets_a_crane_that_only_a_chain_of_moves_frees() -> None:
    # Three windows in a chain on three cranes: moving one job, or one aside, does not help; moving all three does.
    cost = np.full((5, 3), INF)
    for job, cranes in enumerate(([0, 1], [1, 2], [0, 2], [0], [2])):
        cost[job, cranes] = 1.0
    overlaps = overlapping([0, 0, 2, 0, 3], [2, 4, 4, 1, 5])
    found = assign(cost, overlaps)
    assert (found.assigned, found.exact) == (every_assignment(cost, overlaps)[0], True)


@pytest.mark.parametrize("time_limit_s", [0.0, 2.0])
def test_what_is_not_proven_says_how_far_off_it_may_be(time_limit_s: float) -> None:
    rng = np.random.default_rng(8)
    cost = np.where(rng.random((40, 12)) < 0.4, rng.integers(1, 100, (40, 12)).astype(float), INF)
    starts = rng.integers(0, 40, 40) / 4
    overlaps = overlapping(starts, starts + rng.integers(2, 14, 40) / 4)
    found = assign(cost, overlaps, time_limit_s=time_limit_s)
    best = assign(cost, overlaps, time_limit_s=60.0)
    assert best.exact
    assert found.assigned <= best.assigned <= found.most_assigned
    if found.assigned == best.assigned:
        assert found.least_points <= best.points <= found.points
    assert found.exact == ((found.assigned, found.points) == (found.most_assigned, found.least_points))


def test_a_list_that_is_too_long_for_the_program_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("duty.assign.MOST_PAIRS", 0)
    cost = [[1.0, 5.0], [1.0, 5.0], [1.0, 5.0]]
    found = assign(cost, overlapping([0, 1, 4], [2, 4, 6]))
    # Each job alone would cost 1; the two that overlap cost 1 + 5 together.
    assert (found.points, found.exact, found.most_assigned, found.least_points) == (7.0, False, 3, 3.0)
