"""The limit between two readings, and what is assumed without one."""

import numpy as np
import pytest

from duty.statics import HOLD_MS, held_limit, structural_pct

NAN = float("nan")


def held(limits: list[float], step_ms: int = 1000) -> list[float]:
    at_ms = np.arange(len(limits), dtype=np.int64) * step_ms
    return [float(each) for each in held_limit(at_ms, np.array(limits, np.float32))]


def test_a_short_gap_is_bridged_by_the_larger_of_its_neighbours() -> None:
    assert held([40, NAN, 50, NAN, NAN, 30]) == [40, 50, 50, 50, 50, 30]


def test_a_gap_of_more_than_10_s_and_those_at_the_ends_stay_missing() -> None:
    inside = [NAN] * (HOLD_MS // 1000 - 1)
    assert held([40, *inside, 50]) == [40, *[50] * len(inside), 50]
    for limits in ([40, *inside, NAN, 50], [NAN, 40], [40, NAN], [NAN, NAN], []):
        assert held(limits) == pytest.approx(limits, nan_ok=True)
    assert held([40, NAN, 50], step_ms=5001) == pytest.approx([40, NAN, 50], nan_ok=True)


def test_samples_lost_here_and_there_make_no_peak() -> None:
    rng = np.random.default_rng(1)
    limit = np.full(3600, 40.0, np.float32)
    limit[rng.random(limit.size) < 0.2] = NAN
    limit[[0, -1]] = 40.0
    assert structural_pct(90.0, held_limit(np.arange(3600) * 1000, limit)).max() == pytest.approx(36.0)
    assert structural_pct(90.0, limit).max() == 90.0
