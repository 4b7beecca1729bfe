"""A change of work, recomputed: nothing is lost between two cranes, and ratings enter with their cube."""

import numpy as np
import pytest

from domain.errors import InvalidInput
from duty import ledger, reading
from duty.damage import COMPARISON, of_cycles
from duty.edges import DEFAULT_EDGES
from duty.what_if import Change, giver_damage, giver_weeks, movable, moved_damage, receiver_weeks

LIFTS = np.array([30.0, 95.0, 50.0, 92.0, 60.0])
COUNTED = reading.cycles(
    ledger.count(np.concatenate([[5.0], *[[peak, 5.0] for peak in LIFTS]]), DEFAULT_EDGES)
)
WHOLE = of_cycles(COMPARISON, COUNTED).total


def test_more_work_is_more_use_in_proportion() -> None:
    change = Change(duty_factor=1.5)
    assert giver_weeks(np.array([1.0, 2.0]), np.zeros(2), change).tolist() == [1.5, 3.0]
    assert giver_damage(COMPARISON, COUNTED, change) == pytest.approx(1.5 * WHOLE)


def test_what_one_crane_gives_its_twin_gets() -> None:
    change = Change(heavy_from_pct=90.0, moved_share=0.25)
    weekly, moved, own = np.array([3.0, 5.0]), np.array([1.0, 4.0]), np.array([2.0, 2.0])
    given = weekly - giver_weeks(weekly, moved, change)
    assert (receiver_weeks(own, moved, change) - own).tolist() == given.tolist() == [0.25, 1.0]
    lost = WHOLE - giver_damage(COMPARISON, COUNTED, change)
    assert moved_damage(COMPARISON, COUNTED, change) == pytest.approx(lost)
    assert 0 < lost < WHOLE


def test_a_stronger_crane_feels_less_and_a_weaker_one_takes_less() -> None:
    stronger = Change(heavy_from_pct=90.0, moved_share=1.0, rating_ratio=0.5)
    # ranges of 87 and 90 % become 43.5 and 45 %, all on the slope m = 5 below the knee at 52.3 MPa / gamma 1.25
    moved = movable(COUNTED, stronger)
    assert moved.count.sum() == 2
    sizes = moved.range_pct * 0.5 * 1.25
    by_hand = float(
        (moved.count / (5e6 * (71 * (2 / 5) ** (1 / 3) / sizes) ** np.where(sizes > 52.31, 3, 5))).sum()
    )
    assert moved_damage(COMPARISON, COUNTED, stronger) == pytest.approx(by_hand, rel=1e-3)
    weaker = Change(heavy_from_pct=90.0, moved_share=1.0, rating_ratio=100 / 93)
    assert movable(COUNTED, weaker).count.sum() == 1  # 95 % here is over the full rating there
    assert weaker.heaviest_pct == pytest.approx(93)


def test_a_short_record_repeats_beside_a_long_one() -> None:
    change = Change(heavy_from_pct=90.0, moved_share=1.0)
    assert receiver_weeks(np.zeros(5), np.array([1.0, 2.0]), change).tolist() == [2.0, 1.0, 2.0, 1.0, 2.0]
    assert receiver_weeks(np.ones(3), np.zeros(0), change).tolist() == [1.0] * 3


@pytest.mark.parametrize("wrong", [{"duty_factor": 0.0}, {"moved_share": 1.1}, {"rating_ratio": -1.0}])
def test_no_change_of_that_kind(wrong: dict[str, float]) -> None:
    with pytest.raises(InvalidInput):
        Change(**wrong)
