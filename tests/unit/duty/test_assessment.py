"""The special assessment: the earliest by age, use, an entered day or condition."""

import re
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from domain.attention import REVIEW_SHARE
from domain.crane import AssessmentEntries
from domain.remark import coded
from duty.assessment import Assessment, By, by_age, special_assessment
from duty.forecast import Forecast, NoForecast, trend
from words.remarks import text

START = date(2025, 6, 1)
EARLY = Forecast(0.95, date(2025, 8, 1), date(2026, 1, 1), None, 60, trend([1.0] * 60))


PRODUCT = Path(__file__).parents[3]
ROOMS = (
    "alerts",
    "analytics",
    "api",
    "boomledger",
    "dashboard",
    "domain",
    "duty",
    "reports",
    "store",
    "transfer",
)


def test_the_review_share_has_one_author() -> None:
    """No other file of the product has a number for it: a crane's entry and its default are all there is."""
    literal = re.compile(r"(?:review|REVIEW)\w*[^\n]*\b0?\.95\b")
    told = [
        f"{path.relative_to(PRODUCT)}: {line.strip()}"
        for room in ROOMS
        for ending in ("py", "sql", "js")
        for path in (PRODUCT / room).rglob(f"*.{ending}")
        for line in path.read_text(encoding="utf-8").splitlines()
        if literal.search(line)
    ]
    assert told == [f"domain/attention.py: REVIEW_SHARE: Final = {REVIEW_SHARE}"]


def entries(**changes: Any) -> AssessmentEntries:
    return AssessmentEntries(**{"commissioned_on": date(2016, 5, 2), **changes})


def told(found: Assessment) -> tuple[date, By, str]:
    return found.on, found.by, text(found.reason)


def test_age_runs_from_manufacture_and_says_where_that_is_not_entered() -> None:
    found = special_assessment(entries())
    assert (found.on, found.by) == (date(2026, 5, 2), By.AGE)
    assert "day of manufacture is not entered" in text(found.reason)
    made = special_assessment(entries(manufactured_on=date(2015, 11, 30)))
    assert told(made) == (date(2025, 11, 30), By.AGE, "10 years after manufacture")
    assert by_age(entries(commissioned_on=date(2016, 2, 29))).on == date(2026, 2, 28)
    half = by_age(entries(special_assessment_after_years=7.5))
    assert half.on == date(2023, 5, 2) + timedelta(days=183)
    done = special_assessment(entries(manufactured_on=date(2010, 1, 1), assessed_on=date(2020, 1, 1)))
    assert told(done) == (date(2030, 1, 1), By.AGE, "10 years after the last special assessment")


def test_use_decides_where_it_is_earlier_also_without_a_forecast() -> None:
    assert told(special_assessment(entries(), review=EARLY)) == (
        date(2025, 8, 1),
        By.USE,
        "the used share may reach 95 %",
    )
    late = EARLY._replace(early_on=date(2027, 1, 1))
    assert special_assessment(entries(), review=late).by is By.AGE
    none = NoForecast(coded("x"), 3)
    reached = special_assessment(entries(), used_share=0.97, review=none, start=START)
    assert told(reached) == (START, By.USE, "the used share has reached 95 %")
    own = entries(review_at_share=0.5)
    assert text(special_assessment(own, used_share=0.6, review=none, start=START).reason).endswith("50 %")
    assert special_assessment(entries(), used_share=0.6, review=none, start=START).by is By.AGE


def test_a_set_day_and_a_condition_decide_where_they_are_earlier() -> None:
    day = entries(assess_by=date(2024, 1, 1))
    assert special_assessment(day)[:2] == (date(2024, 1, 1), By.DATE)
    crack = entries(assess_because="crack at the column foot", assess_since=date(2023, 3, 1))
    assert told(special_assessment(crack)) == (date(2023, 3, 1), By.CONDITION, "crack at the column foot")
    for half in ({"assess_because": "crack"}, {"assess_since": date(2023, 3, 1)}):
        with pytest.raises(ValidationError, match="belong together"):
            entries(**half)


def test_who_assessed_a_used_up_crane_sets_the_next_day() -> None:
    done = entries(assessed_on=date(2025, 1, 1), assess_by=date(2027, 1, 1))
    assert special_assessment(done, used_share=1.2, start=START)[:2] == (date(2027, 1, 1), By.DATE)
    unset = entries(assessed_on=date(2025, 1, 1))
    assert special_assessment(unset, used_share=1.2, start=START)[:2] == (START, By.USE)
