"""The table of f1 and the ten years to a special assessment, held against the open papers that restate them.

What has no open source is no test here: that the share is used up at 1, that unknown duty spreads evenly over the design years,
the steps of coverage. docs/method.md says so beside each.
"""

from datetime import date

import pytest

from domain.attention import REVIEW_SHARE
from domain.crane import AssessmentEntries, DesignClass, Edition
from duty.assessment import special_assessment
from duty.life import unknown_share, used_share
from duty.recording import Recording

# P. Depale, M. Bennebach, Mechanics & Industry 20, 2019, 802, Table 3, doi 10.1051/meca/2019047 (read)
F1 = {
    "automatic recorder, or counters with a log": 1.0,
    "documented process": 1.1,
    "documented production": 1.2,
    "undocumented estimate": 1.3,
    "history unknown": 1.5,
}


def test_factors_are_those_of_the_published_table() -> None:
    assert [one.value for one in Recording] == list(F1.values())


def test_a_history_that_is_unknown_counts_as_the_design_duty_times_1_5() -> None:
    """Open excerpts of ISO 12482 (read): where history is unknown take the design classification for that time, with f1 = 1.5.

    So half of the design years unknown are 0.5 * 1.5 of the design duty, whatever the class.
    """
    assert unknown_share(6.0, 12.0) == pytest.approx(0.75)
    design = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q2")
    half = 250_000 / 2 * 0.125  # lifts times kQ of half the design duty
    assert used_share(design, 250_000 / 2, 0.125, 1.5).counted == pytest.approx(unknown_share(6.0, 12.0))
    assert half * 1.5 / (250_000 * 0.125) == pytest.approx(0.75)


def test_ten_years_after_manufacture_where_the_maker_says_nothing() -> None:
    """P. Depale, M. Bennebach, Procedia Structural Integrity 38, 2022, p. 322 (read): the default of ISO 12482 for loader cranes."""
    made = AssessmentEntries(manufactured_on=date(2016, 6, 15), commissioned_on=date(2017, 6, 15))
    assert made.special_assessment_after_years == 10
    assert special_assessment(made).on == date(2026, 6, 15)


def test_the_review_share_is_that_of_french_practice() -> None:
    """The same paper, p. 321 (read): a special evaluation at 95 % of the design cycles."""
    assert REVIEW_SHARE == AssessmentEntries(commissioned_on=date(2017, 6, 15)).review_at_share == 0.95
