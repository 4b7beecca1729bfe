"""Used share with what is not known of it, f1, the calendar rule."""

from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.crane import DesignClass, Edition, PriorDuty
from domain.errors import InvalidInput
from duty.life import (
    carried_damage,
    contradictions,
    design_years,
    prior_years,
    share_of_design,
    unknown_share,
    used_share,
)
from duty.spectrum import kq
from tests.unit.duty.invented import crane as invented_crane
from words.remarks import text

DESIGN = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q3")  # 250 000 cycles, kQ 0.25


def test_a_crane_used_as_designed_is_spent_at_one() -> None:
    assert used_share(DESIGN, 250_000, 0.25, 1.0).total == pytest.approx(1.0)
    assert used_share(DESIGN, 50_000, 0.125, 1.1).total == pytest.approx(1.1 * 50_000 * 0.125 / 62_500)


def test_prior_duty_enters_with_its_own_factor() -> None:
    prior = PriorDuty(lifts=10_000, kq=0.2, f1=1.5)
    found = used_share(DESIGN, 0, float("nan"), 1.0, prior)
    assert found == (0.0, pytest.approx(1.5 * 2000 / 62_500), 0.0, 0.0)
    assert used_share(DESIGN, 1000, 0.5, 1.0, prior).total == pytest.approx(found.total + 500 / 62_500)


@given(st.lists(st.floats(0, 130), min_size=1, max_size=50), st.floats(1, 1.5))
def test_used_share_of_parts_adds_up(peaks: list[float], f1: float) -> None:
    cubes = float(np.sum((np.array(peaks) / 100) ** 3))
    whole = used_share(DESIGN, len(peaks), kq(peaks), f1).counted
    assert whole == pytest.approx(share_of_design(DESIGN, cubes, f1), abs=1e-12)


def test_what_cannot_be_a_share_is_refused() -> None:
    for cubes, f1 in ((-1.0, 1.0), (float("nan"), 1.0), (1.0, 0.9)):
        with pytest.raises(InvalidInput):
            share_of_design(DESIGN, cubes, f1)


def test_what_is_not_known_stands_apart_and_adds_up() -> None:
    prior = PriorDuty(lifts=10_000, kq=0.2, f1=1.2, years=3)
    found = used_share(DESIGN, 5000, 0.25, 1.1, prior, prior_unknown=0.9, unrecorded_cube_sum=125.0)
    assert found.counted == pytest.approx(1.1 * 1250 / 62_500)
    assert found.prior_entered == pytest.approx(1.2 * 2000 / 62_500)
    assert found.prior_unknown == 0.9
    assert found.unrecorded == pytest.approx(1.1 * 125 / 62_500)
    assert found.total == pytest.approx(sum(found))
    assert found.uncounted == pytest.approx(found.total - found.counted)
    with pytest.raises(InvalidInput):
        used_share(DESIGN, 0, 0, 1.0, prior_unknown=-0.1)


def test_twelve_unknown_years_at_ten_give_180_percent() -> None:
    assert unknown_share(12, 10) == pytest.approx(1.8)
    assert unknown_share(0, 10) == 0
    for years, design in ((-1, 10), (1, 0)):
        with pytest.raises(InvalidInput):
            unknown_share(years, design)


def test_unknown_years_run_from_manufacture_less_what_is_entered() -> None:
    first = date(2026, 3, 1)
    crane = invented_crane().model_copy(update={"commissioned_on": date(2016, 3, 1)})
    found = prior_years(crane, first)
    assert (found.since, found.since_manufacture) == (date(2016, 3, 1), False)
    assert found.unknown == pytest.approx(3652 / 365.25)
    made = crane.model_copy(update={"manufactured_on": date(2014, 3, 1)})
    assert prior_years(made, first).unknown == pytest.approx(4383 / 365.25)
    entered = made.model_copy(update={"prior_duty": PriorDuty(lifts=1, kq=0.1, f1=1.2, years=9)})
    assert prior_years(entered, first)[-2:] == (9, pytest.approx(3))
    whole = made.model_copy(update={"prior_duty": PriorDuty(lifts=1, kq=0.1, f1=1.2)})
    assert prior_years(whole, first).unknown == 0


def test_design_years_are_the_manuals_else_assumed() -> None:
    crane = invented_crane().model_copy(update={"special_assessment_after_years": 12.0})
    assert design_years(crane) == (12.0, True)
    assert design_years(crane.model_copy(update={"design_years": 20.0})) == (20.0, False)


def test_entries_that_do_not_fit_are_told_and_count_no_negative_years() -> None:
    first = date(2026, 3, 1)
    crane = invented_crane().model_copy(update={"commissioned_on": date(2024, 3, 1)})
    assert contradictions(crane, first) == ()
    assert contradictions(crane, None) == ()
    late = crane.model_copy(update={"manufactured_on": date(2027, 1, 1)})
    assert [one.field for one in contradictions(late, first)] == [
        "manufactured_on",
        "manufactured_on",
    ]  # after service began, and after the first record
    assert prior_years(late, first).unknown == 0
    twice = crane.model_copy(update={"prior_duty": PriorDuty(lifts=1, kq=0.1, f1=1.2, years=5)})
    (told,) = contradictions(twice, first)
    assert told.field == "prior_duty"
    assert "count twice" in text(told.remark)
    assert prior_years(twice, first).unknown == 0


@pytest.mark.parametrize(
    ("changes", "field", "told"),
    [
        (
            {"commissioned_on": date(2026, 4, 1)},
            "commissioned_on",
            "in service since 1 Apr 2026, but recorded from",
        ),
        (
            {"manufactured_on": date(2024, 3, 2)},
            "manufactured_on",
            "manufactured on 2 Mar 2024, in service since",
        ),
        ({"assessed_on": date(2020, 1, 1)}, "assessed_on", "lies before 1 Mar 2024, when the crane began"),
        ({"assessed_on": date(2027, 1, 1)}, "assessed_on", "special assessment of 1 Jan 2027 lies ahead"),
        (
            {"assessed_on": date(2025, 1, 1), "assess_by": date(2025, 1, 1)},
            "assess_by",
            "the last was on 1 Jan 2025",
        ),
        (
            {"assess_because": "crack", "assess_since": date(2020, 1, 1)},
            "assess_since",
            "condition known since",
        ),
        ({"prior_duty": PriorDuty(lifts=100, kq=0, f1=1.2)}, "prior_duty", "is no duty: enter both"),
        ({"prior_duty": PriorDuty(lifts=0, kq=0.1, f1=1.2)}, "prior_duty", "is no duty: enter both"),
        ({"prior_duty": PriorDuty(lifts=9, kq=0.1, f1=1.2, years=2.2)}, "prior_duty", "would count twice"),
        (
            {"commissioned_on": date(2026, 3, 1), "prior_duty": PriorDuty(lifts=9, kq=0.1, f1=1.2)},
            "prior_duty",
            "the record begins on 1 Mar 2026, with the crane",
        ),
    ],
)
def test_each_contradiction_names_its_entry_and_what_to_do(
    changes: dict[str, Any], field: str, told: str
) -> None:
    first, today = date(2026, 3, 1), date(2026, 11, 30)
    crane = invented_crane().model_copy(update={"commissioned_on": date(2024, 3, 1), **changes})
    (found,) = contradictions(crane, first, today)
    assert found.field == field
    assert told in text(found.remark)
    # without a record the years before today bound what can be entered
    unrecorded = contradictions(crane, None, today)
    assert (unrecorded == (found,)) is not ("record" in told or "count twice" in told)


def test_damage_is_carried_as_the_share_is() -> None:
    used = used_share(DESIGN, 6250, 0.25, 1.0, prior_unknown=0.5)  # 2.5 % counted
    assert carried_damage(0.05, used, 0.5) == pytest.approx(0.05 * 0.5 / 0.025)
    assert carried_damage(0.001, used, 0.5) == pytest.approx(0.5)  # at least share times allowed sum
    assert carried_damage(0.001, used, 0.5, allowed_sum=0.5) == pytest.approx(0.25)
    assert carried_damage(0.3, None, 0.5) == pytest.approx(0.5)  # no design class: unknown years alone
    assert carried_damage(0.3, used_share(DESIGN, 6250, 0.25, 1.0), 0.0) == 0
