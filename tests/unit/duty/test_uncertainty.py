"""How sure a used share and a damage are, worked by hand."""

import math

import pytest

from domain.crane import PriorDuty
from duty.life import UsedShare
from duty.uncertainty import Source, of_damage, of_used_share
from tests.unit.duty.invented import crane


def test_each_influence_alone_and_all_together() -> None:
    """20 % counted with f1 1.25, 12 % entered with 1.2: pressure 5 %, lifts 5 % by default."""
    of = crane().model_copy(update={"prior_duty": PriorDuty(lifts=1, kq=0.1, f1=1.2)})
    found = of_used_share(of, UsedShare(0.2, 0.12), 1.25)
    ends = {one.source: (one.low, one.high) for one in found.influences}
    assert ends[Source.PRESSURE_BIAS] == pytest.approx((0.12 + 0.2 * 0.95**3, 0.12 + 0.2 * 1.05**3))
    assert ends[Source.LIFT_RULE] == pytest.approx((0.31, 0.33))
    assert ends[Source.COVERAGE] == pytest.approx((0.28, 0.32))  # f1 errs to the safe side already
    assert ends[Source.PRIOR_ENTRY] == pytest.approx((0.30, 0.32))
    assert Source.UNKNOWN_YEARS not in ends
    assert found.high == pytest.approx(0.32 + math.hypot(0.2 * (1.05**3 - 1), 0.01))
    assert found.low == pytest.approx(0.32 - math.hypot(0.2 * (1 - 0.95**3), 0.01, 0.04, 0.02))
    assert found.influences[0].source is Source.PRESSURE_BIAS


def test_unknown_years_matter_most_and_have_no_high_end() -> None:
    found = of_used_share(crane(), UsedShare(0.05, 0.0, 1.8), 1.0)
    first = found.influences[0]
    assert (first.source, first.assumed) == (Source.UNKNOWN_YEARS, True)
    assert (first.low, first.high) == (pytest.approx(0.05), pytest.approx(1.85))
    assert found.low < 0.06
    assert found.high < 1.87


def test_an_entry_replaces_a_default_and_none_at_all_leaves_no_width() -> None:
    sure = crane().model_copy(update={"pressure_bias_pct": 0.0, "lift_rule_pct": 0.0})
    found = of_used_share(sure, UsedShare(0.2, 0.0), 1.0)
    assert (found.low, found.high, found.influences) == (0.2, 0.2, ())


def test_damage_goes_with_the_slope_of_its_curve() -> None:
    """One slope of 3: ranges 10 % off move the sum by 1.1^3; the scatter of 0.2 by 10^(1.2816 * 0.2)."""
    found = of_damage(crane(), lambda factor: 0.1 * factor**3, 0.0, 1.1)
    ends = {one.source: (one.low, one.high) for one in found.influences}
    assert ends[Source.MPA_PER_PCT] == pytest.approx((0.1 * 0.9**3, 0.1 * 1.1**3))
    assert ends[Source.SN_SCATTER] == pytest.approx((0.1 / 10**0.25632, 0.1 * 10**0.25632))
    assert ends[Source.COVERAGE] == pytest.approx((0.1, 0.11))
    assert found.influences[0].source is Source.SN_SCATTER
    carried = of_damage(crane(), lambda factor: 0.1 * factor**3, 0.9, 1.1)
    assert carried.influences[0].source is Source.NOT_COUNTED
    assert carried.low < 0.2
