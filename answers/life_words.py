"""How a crane's life stands, in plain words for people who do not read formulas."""

from datetime import date

from domain.life_answers import blank_words
from domain.remark import written_day, written_years
from duty import life, uncertainty
from duty.forecast import NoForecast
from duty.life_status import LifeStatus


def sentence(found: LifeStatus, due_on: date, due_reason: str) -> str:
    """A few short sentences: how much is used and what of it is not known, when it is used up, what is due when."""
    parts = (
        _used(found),
        _unknown(found),
        *(f"Entries contradict each other: {one}." for one in found.contradictions),
        _read_low(found),
        _spent(found),
        f"A special assessment is due by {written_day(due_on)}: {due_reason}.",
    )
    return " ".join(part for part in parts if part)


def _used(found: LifeStatus) -> str:
    if found.used is None:
        words = f"How much of the design working period is used cannot be said: {found.reason}."
        years = found.unknown_years
        words += f" Nothing is known of {written_years(years)} before the record." if years else ""
        return words + (f" {blank_words(found.blank_years)}" if found.blank_years else "")
    used = found.used
    parts = [f"{_percent(used.counted)} counted with a safety factor of {found.factor.f1:g}"]
    if found.crane.prior_duty is not None:  # also where its owner says that there was none
        parts.append(f"{_percent(used.prior_entered)} entered by its owner for the time before the record")
    if used.prior_unknown:
        parts.append(
            f"{_percent(used.prior_unknown)} assumed for {written_years(found.unknown_years)} before the record of which "
            "nothing is known"
        )
    if used.unrecorded:
        parts.append(f"{_percent(used.unrecorded)} assumed for time in use that was not recorded")
    whole = used.total
    if whole >= life.SPENT_SHARE:
        return f"The design working period is used up ({_percent(whole)}: {', '.join(parts)})."
    return f"{_percent(whole)} of the design working period is used ({', '.join(parts)})."


def _unknown(found: LifeStatus) -> str:
    """What the assumed share rests on, and how it gives way to knowledge."""
    if found.used is None or found.prior is None or not found.prior_unknown + found.blank_years:
        return ""
    years = found.design_years
    blank = f"{blank_words(found.blank_years)} " if found.blank_years else ""
    words = f"{blank}Unknown years count 1.5 times over {years.years:g} design years"
    words += (
        ", assumed from the years to the special assessment since the manual's are not entered"
        if years.assumed
        else ""
    )
    if not found.prior.since_manufacture:
        words += ", from the first day of service since the day of manufacture is not entered"
    return f"{words}: enter the duty before the record, or have the crane assessed."


def _read_low(found: LifeStatus) -> str:
    """A calibration that found readings too low by more than it left: what was counted before is known to be too little."""
    low = [
        one for one in found.totals.noted.calibrations
        if one.found_error_pct is not None and -one.found_error_pct > one.left_error_pct
    ]  # fmt: skip
    if not low:
        return ""
    worst = min(low, key=lambda one: one.found_error_pct or 0.0)
    off = -(worst.found_error_pct or 0.0)
    times = uncertainty.damage_times(uncertainty.off_pct(-off))
    return (
        f"The calibration of {written_day(worst.day)} found readings {off:g} % too low: what was counted before it may be {times:.2g}"
        " times as much. Nothing was counted anew: the range holds it."
    )


def _spent(found: LifeStatus) -> str:
    spent = found.spent
    if spent is None or (found.used is not None and found.used.total >= life.SPENT_SHARE):
        return "Have an expert engineer assess it before further use." if spent is not None else ""
    if isinstance(spent, NoForecast):
        return f"When it will be used up cannot be said yet: {spent.reason}."
    late = "not within a hundred years" if spent.late_on is None else f"{spent.late_on:%B %Y}"
    words = (
        f"If the work goes on as in the last {spent.weeks} weeks, it will be used up about {spent.middle_on:%B %Y}; "
        f"80 % range {spent.early_on:%B %Y} to {late}."
    )
    if spent.season_unseen:
        words += " Less than a year is on record: a season may be unseen, and the range is wider for it."
    if spent.trend.direction == "rising":
        words += " Use is rising, so the real day is likely earlier."
    if spent.trend.direction == "falling":
        words += " Use is falling, so the real day may be later."
    return words


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 1 else f"{100 * share:.0f} %"
