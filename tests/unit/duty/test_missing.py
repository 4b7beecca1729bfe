"""The estimate for gaps: the pace of the record, kept apart."""

import numpy as np
import pytest

from domain.errors import InvalidInput
from duty.unrecorded import FEWEST_DAYS, missing_duty

HOUR = 3_600_000


def test_a_steady_record_gives_its_pace() -> None:
    found = missing_duty(2.5 * HOUR, [8 * HOUR] * 20, [40] * 20, [4.0] * 20)
    assert found is not None
    assert found.lifts == pytest.approx((12.5, 12.5, 12.5))
    assert found.cube_sum == pytest.approx((1.25, 1.25, 1.25))
    assert (found.hours, found.days) == (2.5, 20)


def test_the_interval_holds_the_true_pace_about_as_often_as_it_says() -> None:
    inside = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        hours = rng.uniform(2, 9, 60)
        found = missing_duty(HOUR, hours * HOUR, rng.poisson(6 * hours), rng.gamma(2.0, 0.3 * hours))
        assert found is not None
        inside += found.lifts.low <= 6 <= found.lifts.high
    assert 0.82 <= inside / 200 <= 0.97  # 90 % asked for; seeds are fixed


def test_a_short_record_tells_nothing() -> None:
    days = FEWEST_DAYS
    assert missing_duty(HOUR, [HOUR] * (days - 1) + [0] * 5, [1] * (days + 4), [1.0] * (days + 4)) is None
    with pytest.raises(InvalidInput):
        missing_duty(-1, [HOUR], [1], [1.0])
