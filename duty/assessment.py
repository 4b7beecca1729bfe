"""When the special assessment of a crane is due: one rule for every screen, report and alert.

The earliest of
    age        10 years after manufacture, or as the maker says; after the last special assessment where one is entered
    use        the used share has reached the crane's review share, or the early (10 %) day on which it may
    date       a day that an assessor, the maker or an authority set
    condition  an entered condition that calls for one now; an open finding of an inspection or an open crack, from its day on,
               and a crack that was closed until a special assessment on or after its day

The ten years are the default of ISO 12482 for loader cranes as an open paper reports it, counted from manufacture (P. Depale,
M. Bennebach, Procedia Structural Integrity 38, 2022, p. 322: read). Local rules decide.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, Final, NamedTuple

from domain.crane import AssessmentEntries
from domain.life_record import Defect, RecordKind
from domain.remark import Remark, coded, significant
from domain.units import DAYS_PER_YEAR
from duty.forecast import Forecast, NoForecast

NOTE_CHARS: Final = 80


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
    reason: Remark


def special_assessment(
    entries: AssessmentEntries,
    *,
    defects: Sequence[Defect] = (),
    used_share: float | None = None,
    review: Forecast | NoForecast | None = None,
    start: date | None = None,
) -> Assessment:
    """The earliest day of the rule.

    defects: findings and cracks in force. used_share, start: what is used, and the day after the last record, where both are known. review: forecast of the day on
    which the crane's review share is reached.
    """
    candidates = [by_age(entries)]
    if entries.assess_by is not None:
        candidates.append(Assessment(entries.assess_by, By.DATE, coded("assessment.entered_day")))
    if entries.assess_since is not None:
        candidates.append(
            Assessment(
                entries.assess_since,
                By.CONDITION,
                coded("assessment.because", because=entries.assess_because.strip()),
            )
        )
    candidates += [
        Assessment(one.found_on, By.CONDITION, defect_remark(one))
        for one in defects
        if calls(one, entries.assessed_on)
    ]
    use = _by_use(entries, used_share, review, start)
    if use is not None:
        candidates.append(use)
    return min(candidates, key=lambda one: one.on)


def entries_of(spec: Mapping[str, Any]) -> AssessmentEntries:
    """The entries in the stored form of a crane."""
    fields = AssessmentEntries.model_fields
    return AssessmentEntries.model_validate({name: value for name, value in spec.items() if name in fields})


def defects_of(spec: Mapping[str, Any]) -> list[Defect]:
    """The findings and cracks beside the entries in the stored form of a crane, as the view `crane_defects` gives them."""
    return [
        Defect(
            RecordKind(one["kind"]),
            date.fromisoformat(one["found_on"]),
            date.fromisoformat(one["closed_on"]) if one.get("closed_on") else None,
            one.get("detail") or "",
            one.get("length_mm"),
            one.get("note") or "",
        )
        for one in spec.get("defects") or ()
    ]


def by_entries(spec: Mapping[str, Any]) -> Assessment:
    """The rule by what is entered alone: a stored crane with its `defects`, before anything is counted."""
    return special_assessment(entries_of(spec), defects=defects_of(spec))


def calls(defect: Defect, assessed_on: date | None) -> bool:
    """Whether a finding or crack calls for a special assessment: while it is open, a crack until it was assessed as well.

    assessed_on: day of the last special assessment; one on the day of a crack knew of it.
    """
    if defect.closed_on is None:
        return True
    return defect.kind is RecordKind.CRACK and (assessed_on is None or assessed_on < defect.found_on)


def defect_remark(defect: Defect) -> Remark:
    """What a finding or crack that calls says of itself."""
    size = (
        [] if defect.length_mm is None else [coded("assessment.size", length=significant(defect.length_mm))]
    )
    place = [coded("assessment.place", place=defect.detail)] if defect.detail else []
    note = defect.note[:NOTE_CHARS].strip() if defect.kind is RecordKind.FINDING else ""
    noted = [coded("assessment.note", note=note)] if note else []
    what = coded(f"assessment.{defect.kind}", size=size, place=place, note=noted)
    if defect.closed_on is None:
        return coded("assessment.open", what=what, day=defect.found_on)
    return coded("assessment.closed", what=what, day=defect.closed_on)


def by_age(entries: AssessmentEntries) -> Assessment:
    """The day by age alone; 28 February stands for a 29th that the year does not have."""
    years = entries.special_assessment_after_years
    begin, since = entries.manufactured_on, "manufacture"
    if begin is None:
        begin, since = entries.commissioned_on, "service"
    if entries.assessed_on is not None:
        begin, since = entries.assessed_on, "assessment"
    reason = coded(f"assessment.after_{since}", years=significant(years))
    return Assessment(years_after(begin, years), By.AGE, reason)


def years_after(begin: date, years: float) -> date:
    """A day some years later."""
    whole = int(years)
    try:
        due = begin.replace(year=begin.year + whole)
    except ValueError:  # 29 February
        due = date(begin.year + whole, 2, 28)
    return due + timedelta(days=round((years - whole) * DAYS_PER_YEAR))


def _by_use(
    entries: AssessmentEntries,
    used_share: float | None,
    review: Forecast | NoForecast | None,
    start: date | None,
) -> Assessment | None:
    share = significant(100 * entries.review_at_share, "%")
    if used_share is not None and start is not None and used_share >= entries.review_at_share:
        if entries.assessed_on is not None and entries.assess_by is not None:
            return None  # who assessed it knew the use, and set the day of the next one
        return Assessment(start, By.USE, coded("assessment.use_reached", share=share))
    if isinstance(review, Forecast):
        return Assessment(review.early_on, By.USE, coded("assessment.use_may_reach", share=share))
    return None
