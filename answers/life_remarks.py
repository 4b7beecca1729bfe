"""How a crane's life stands, as remarks for people who do not read formulas."""

from collections.abc import Iterator
from datetime import date

from domain.remark import Remark, count, percent, significant, years
from duty import life, uncertainty
from duty.forecast import NoForecast
from duty.life_status import NO_DESIGN, LifeStatus
from words.remarks import remark


def life_remarks(found: LifeStatus, due_on: date, due_reason: Remark) -> Iterator[Remark]:
    """How much is used and what of it is not known, when it is used up, what is due when."""
    yield from _used(found)
    yield from _unknown(found)
    for one in found.contradictions:
        yield remark("life.contradiction", told=one)
    yield from _read_low(found)
    yield from _spent(found)
    yield remark("life.assessment", due=due_on, reason=due_reason)


def _used(found: LifeStatus) -> Iterator[Remark]:
    used = found.used
    if used is None:
        yield remark("life.used_not_known", reason=found.reason or NO_DESIGN)
        if found.unknown_years:
            yield remark("life.nothing_before", years=years(found.unknown_years))
        if found.blank_years:
            yield remark("life.blank", years=years(found.blank_years))
        return
    parts = [remark("life.counted", share=percent(used.counted), f1=significant(found.factor.f1))]
    if found.crane.prior_duty is not None:  # also where its owner says that there was none
        parts.append(remark("life.entered", share=percent(used.prior_entered)))
    if used.prior_unknown:
        parts.append(
            remark("life.unknown", share=percent(used.prior_unknown), years=years(found.unknown_years))
        )
    if used.unrecorded > found.read_low:
        parts.append(remark("life.unrecorded", share=percent(used.unrecorded - found.read_low)))
    if found.read_low:
        parts.append(remark("life.taken_for_low", share=percent(found.read_low)))
    code = "life.used_up" if used.total >= life.SPENT_SHARE else "life.used"
    yield remark(code, share=percent(used.total), parts=parts)


def _unknown(found: LifeStatus) -> Iterator[Remark]:
    """What the assumed share rests on, and how it gives way to knowledge."""
    if found.used is None or found.prior is None or not found.prior_unknown + found.blank_years:
        return
    if found.blank_years:
        yield remark("life.blank", years=years(found.blank_years))
    design = found.design_years
    rests_on = [remark("life.over_years", years=significant(design.years))]
    if design.assumed:
        rests_on.append(remark("life.years_assumed"))
    if not found.prior.since_manufacture:
        rests_on.append(remark("life.since_service"))
    yield remark("life.unknown_years", rests_on=rests_on)


def _read_low(found: LifeStatus) -> Iterator[Remark]:
    """A calibration that proved readings too low: what was counted before it is known to be too little, and taken as more."""
    low = [one for one in found.totals.noted.calibrations if uncertainty.found_low(one)]
    if low:
        worst = min(low, key=lambda one: one.found_error_pct or 0.0)
        off = -(worst.found_error_pct or 0.0)
        times = uncertainty.damage_times(uncertainty.off_pct(-off))
        yield remark(
            "life.read_low",
            day=worst.day,
            off=significant(off, "%"),
            times=significant(times, digits=2),
        )


def _spent(found: LifeStatus) -> Iterator[Remark]:
    spent = found.spent
    if spent is None:
        return
    if found.used is not None and found.used.total >= life.SPENT_SHARE:
        yield remark("life.expert")
    elif isinstance(spent, NoForecast):
        yield remark("life.end_not_known", reason=spent.reason)
    else:
        until = {} if spent.late_on is None else {"late": spent.late_on}
        yield remark(
            "life.end" if until else "life.end_open",
            weeks=count(spent.weeks),
            middle=spent.middle_on,
            early=spent.early_on,
            **until,
        )
        if spent.season_unseen:
            yield remark("life.season_unseen")
        if spent.trend.direction in ("rising", "falling"):
            yield remark(f"life.{spent.trend.direction}")
