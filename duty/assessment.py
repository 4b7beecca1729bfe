"""When the special assessment of a crane is due: one rule for every screen, report and alert.

The earliest of
    age        10 years after manufacture, or as the maker says; after the last special assessment where one is entered
    use        the used share has reached the crane's review share, or the early (10 %) day on which it may
    date       a day that an assessor, the maker or an authority set
    condition  an entered condition that calls for one now

The ten years are the default of ISO 12482 for loader cranes as an open paper reports it, counted from manufacture (P. Depale,
M. Bennebach, Procedia Structural Integrity 38, 2022, p. 322: read). Local rules decide.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, Final, NamedTuple

from domain.crane import AssessmentEntries
from duty.forecast import Forecast, NoForecast

DAYS_A_YEAR: Final = 365.25


class By(StrEnum):
    """Which part of the rule decides."""

    AGE = "age"
    USE = "use"
    DATE = "date"
    CONDITION = "condition"


class Assessment(NamedTuple):
    """When a special assessment is due, and by which part of the rule."""

    on: date
    by: By
    reason: str


def special_assessment(
    entries: AssessmentEntries,
    *,
    used_share: float | None = None,
    review: Forecast | NoForecast | None = None,
    start: date | None = None,
) -> Assessment:
    """The earliest day of the rule.

    used_share, start: what is used, and the day after the last record, where both are known. review: forecast of the day on
    which the crane's review share is reached.
    """
    candidates = [by_age(entries)]
    if entries.assess_by is not None:
        candidates.append(Assessment(entries.assess_by, By.DATE, "the day that is entered for it"))
    if entries.assess_since is not None:
        candidates.append(Assessment(entries.assess_since, By.CONDITION, entries.assess_because.strip()))
    use = _by_use(entries, used_share, review, start)
    if use is not None:
        candidates.append(use)
    return min(candidates, key=lambda one: one.on)


def entries_of(spec: Mapping[str, Any]) -> AssessmentEntries:
    """The entries in the stored form of a crane."""
    fields = AssessmentEntries.model_fields
    return AssessmentEntries.model_validate({name: value for name, value in spec.items() if name in fields})


def by_age(entries: AssessmentEntries) -> Assessment:
    """The day by age alone; 28 February stands for a 29th that the year does not have."""
    years = entries.special_assessment_after_years
    begin, words = entries.manufactured_on, "manufacture"
    if begin is None:
        begin, words = (
            entries.commissioned_on,
            "the first day of service; the day of manufacture is not entered",
        )
    if entries.assessed_on is not None:
        begin, words = entries.assessed_on, "the last special assessment"
    return Assessment(years_after(begin, years), By.AGE, f"{years:g} years after {words}")


def years_after(begin: date, years: float) -> date:
    """A day some years later."""
    whole = int(years)
    try:
        due = begin.replace(year=begin.year + whole)
    except ValueError:  # 29 February
        due = date(begin.year + whole, 2, 28)
    return due + timedelta(days=round((years - whole) * DAYS_A_YEAR))


def _by_use(
    entries: AssessmentEntries,
    used_share: float | None,
    review: Forecast | NoForecast | None,
    start: date | None,
) -> Assessment | None:
    share = f"{100 * entries.review_at_share:g} %"
    if used_share is not None and start is not None and used_share >= entries.review_at_share:
        if entries.assessed_on is not None and entries.assess_by is not None:
            return None  # who assessed it knew the use, and set the day of the next one
        return Assessment(start, By.USE, f"the used share has reached {share}")
    if isinstance(review, Forecast):
        return Assessment(review.early_on, By.USE, f"the used share may reach {share}")
    return None
