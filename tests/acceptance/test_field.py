"""Lifts and their duty on work as it is in the field, counted as a crane-day is: some cases of `benchmarks/field.py`.

The truth is that of a plan; the bounds are those that the whole benchmark is held to.
"""

import pytest

from benchmarks import field
from duty.lifts import FoundLift

WORST_MISSED_PCT = 3.0
WORST_EXTRA_PCT = 3.0
CUBES_PCT = 5.0
BIASED_CUBES_PCT = 50.0
BITES_MISSED_PCT = 3.0
LIGHT_CUBES_PCT = 6.0
PLAIN_MISSED_PCT = 12.0
CASES = [
    ("clean", "jib"),
    ("clean, 1 Hz", "small"),
    ("attachment 150 kg", "small"),
    ("attachment 500 kg", "middle"),
    ("attachment 350 kg at half time", "middle"),
    ("attachment changed", "small"),
    ("zero +5 %", "large"),
    ("zero -3 %", "jib"),
    ("zero drifting 5 %", "small"),
    ("booms 10 % lighter", "large"),
    ("swinging 15 %", "middle"),
    ("spikes", "jib"),
    ("30 % missing", "small"),
    ("combined", "small"),
]


@pytest.mark.parametrize(("case", "crane"), CASES)
def test_lifts_and_their_duty_are_those_of_the_plan(case: str, crane: str) -> None:
    row, plain = field.rows_of(case, crane)
    assert (row.pose, plain.pose) == (True, False)
    assert 100 < row.true < 170
    assert field.missed_pct(row) <= WORST_MISSED_PCT
    assert field.extra_pct(row) <= WORST_EXTRA_PCT
    bound = BIASED_CUBES_PCT if field.CASES[case].biased else CUBES_PCT
    assert abs(row.cube_error_pct) <= bound
    assert abs(row.used_share_error_pct) <= bound
    assert field.missed_pct(plain) <= PLAIN_MISSED_PCT


def test_light_bites_of_a_grab_are_mostly_found() -> None:
    row, _ = field.rows_of("bites of a grab", "middle")
    assert field.missed_pct(row) <= BITES_MISSED_PCT
    assert field.extra_pct(row) <= WORST_EXTRA_PCT


@pytest.mark.parametrize("crane", ["large", "jib"])
def test_light_loads_close_to_the_column_of_a_large_crane_are_found(crane: str) -> None:
    row, _ = field.rows_of("light loads close in", crane)
    assert field.missed_pct(row) <= WORST_MISSED_PCT
    assert field.extra_pct(row) <= WORST_EXTRA_PCT
    assert abs(row.cube_error_pct) <= LIGHT_CUBES_PCT


def lift(start_s: float, end_s: float, peak_pct: float = 0.0) -> FoundLift:
    start_ms, end_ms = round(1000 * start_s), round(1000 * end_s)
    return FoundLift(start_ms, end_ms, end_ms - start_ms, peak_pct, peak_pct, None, None, 0.0)


def test_the_measure_sees_lifts_that_run_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """One lift from the first sample to the last, as an attachment once made it: it is one hit and all others missed."""
    together = lift(field.START_MS / 1000, field.START_MS / 1000 + 1e5, 90.0)
    monkeypatch.setattr(field, "found_lifts", lambda *_, **__: [together])
    row, _ = field.rows_of("clean", "small")
    assert (row.found, row.extra, row.missed) == (1, 0, row.true - 1)
    assert row.cube_error_pct < -90
    found = field.summary([row])
    assert found["worst_missed_pct"] > 99
    assert found["worst_cube_error_pct"] > 90


def test_true_and_found_lifts_are_matched_one_to_one() -> None:
    true = field.np.array([[0, 10_000, 1.0], [20_000, 30_000, 1.0], [40_000, 50_000, 1.0]])
    split = [lift(1, 3), lift(5, 9), lift(22, 41), lift(60, 70)]
    assert field.matched(true, split) == [(0, 0), (1, 2)]
    assert field.matched(true, [lift(-5, 60)]) == [(0, 0)]
    assert field.matched(true, [lift(10.5, 19)]) == []
