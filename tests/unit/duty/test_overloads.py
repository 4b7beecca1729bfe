"""The overload register: no decision is doubled or lost, whatever a recount makes of the lifts."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from duty.overloads import (
    APART_MS,
    OVERLOAD_PCT,
    RISEN_BY_PCT,
    Entry,
    Overload,
    Run,
    entries,
    joined,
    runs_above,
    runs_from_bytes,
    runs_to_bytes,
    without_lift,
)

MORNING = Overload(0, 60_000, 110.0)
NOON = Overload(100_000, 160_000, 130.0)


def test_a_lift_without_a_decision_is_open_and_one_with_it_is_not() -> None:
    assert entries([MORNING, NOON], [NOON]) == [Entry(0, (), True), Entry(1, (0,), False)]
    assert entries([], []) == []


def test_a_decision_follows_a_lift_that_is_found_earlier_longer_or_shorter() -> None:
    for start, end in ((-5_000, 60_000), (0, 90_000), (30_000, 40_000), (-9_000, 1)):
        assert entries([MORNING._replace(start_ms=start, end_ms=end)], [MORNING]) == [Entry(0, (0,), False)]


def test_of_a_lift_that_becomes_two_the_longer_part_keeps_the_decision() -> None:
    parts = [Overload(0, 20_000, 105.0), Overload(20_000, 60_000, 110.0)]
    assert entries(parts, [MORNING]) == [Entry(0, (), True), Entry(1, (0,), False)]
    halves = [Overload(0, 30_000, 105.0), Overload(30_000, 60_000, 110.0)]
    assert entries(halves, [MORNING]) == [Entry(0, (0,), False), Entry(1, (), True)]


def test_two_lifts_that_become_one_bring_both_decisions() -> None:
    whole = Overload(0, 160_000, 130.0)
    assert entries([whole], [NOON, MORNING]) == [Entry(0, (0, 1), False)]


def test_a_lift_that_peaks_higher_than_was_decided_on_is_open_again() -> None:
    at = MORNING.peak_structural_pct + RISEN_BY_PCT
    assert not entries([MORNING._replace(peak_structural_pct=at)], [MORNING])[0].open
    risen = MORNING._replace(peak_structural_pct=at + 0.1)
    assert entries([risen], [MORNING]) == [Entry(0, (0,), True)]
    assert entries([risen], [MORNING, risen]) == [Entry(0, (0, 1), False)]


def test_a_decided_lift_that_is_gone_stays_once() -> None:
    neighbour = Overload(60_000, 90_000, 120.0)  # begins where it ended
    assert entries([neighbour], [MORNING]) == [Entry(0, (), True), Entry(None, (0,), False)]
    again = MORNING._replace(start_ms=-3_000)
    assert entries([], [MORNING, NOON, again]) == [Entry(None, (1,), False), Entry(None, (0, 2), False)]


@st.composite
def disjoint(draw: st.DrawFn) -> list[Overload]:
    ends = sorted(draw(st.lists(st.integers(0, 400), unique=True, max_size=16)))
    peaks = st.floats(OVERLOAD_PCT, 200.0, exclude_min=True)
    return [Overload(a, b, draw(peaks)) for a, b in zip(ends[::2], ends[1::2], strict=False)]


@given(disjoint(), st.lists(disjoint(), max_size=3))
def test_every_lift_and_every_decision_stands_once(lifts: list[Overload], of: list[list[Overload]]) -> None:
    decided = [one for each in of for one in each]
    found = entries(lifts, decided)
    assert [entry.lift for entry in found if entry.lift is not None] == list(range(len(lifts)))
    assert sorted(number for entry in found for number in entry.decisions) == list(range(len(decided)))
    for entry in found:
        assert list(entry.decisions) == sorted(entry.decisions)
        assert entry.decisions or entry.open
        for number in entry.decisions:
            one = decided[number]
            shares = [
                max(0, min(one.end_ms, lift.end_ms) - max(one.start_ms, lift.start_ms)) for lift in lifts
            ]
            longest = max(shares, default=0)
            assert entry.lift is None if longest == 0 else shares[entry.lift or 0] == longest
    starts = [(lifts[e.lift] if e.lift is not None else decided[e.decisions[-1]]).start_ms for e in found]
    assert len(set(starts)) == len(starts)  # the key of the register


def run(start_s: int, end_s: int, peak: float = 110.0) -> Run:
    return Run(1000 * start_s, 1000 * end_s, peak, peak, 6.0)


def test_time_above_the_rating_is_joined_over_a_minute_and_kept_with_its_peaks() -> None:
    at = 1000 * np.arange(400)
    used = np.full(400, 50.0)
    used[10:20], used[60:70], used[200:201], used[300:302] = 105.0, 130.0, 100.0, 101.0
    outreach = np.where(at == 65_000, 9.0, 4.0)
    found = runs_above(at, np.full(400, 1000), used, used, outreach)
    assert found == [Run(10_000, 70_000, 130.0, 130.0, 9.0), Run(300_000, 302_000, 101.0, 101.0, 4.0)]
    assert runs_from_bytes(runs_to_bytes(found)) == found
    assert runs_above(at, np.full(400, 1000), np.full(400, np.nan), np.full(400, np.nan)) == []
    (unknown,) = runs_above(at[:12], np.full(12, 1000), used[:12], used[:12])
    assert np.isnan(unknown.peak_outreach_m)


def test_what_two_days_keep_is_one_over_midnight_and_by_two_counts_the_higher() -> None:
    apart = APART_MS // 1000
    assert joined([run(200, 300, 120.0), run(0, 140)]) == [run(0, 300, 120.0)]
    assert joined([run(0, 100), run(101 + apart, 300)]) == [run(0, 100), run(101 + apart, 300)]
    assert joined([run(0, 100, 103.0), run(40, 60, 150.0)]) == [run(0, 100, 150.0)]


def test_a_run_of_an_overloaded_lift_is_no_entry_of_its_own_but_its_peak_counts() -> None:
    lifts = [MORNING, NOON]
    assert without_lift([run(5, 50), run(110, 130)], lifts) == ([], [110.0, 130.0])
    assert without_lift([run(10, 50), run(200, 300)], [MORNING]) == ([run(200, 300)], [110.0])
    assert without_lift([run(5, 70, 140.0)], [MORNING]) == ([], [140.0])
    assert without_lift([run(5, 70)], []) == ([run(5, 70)], [])
