"""Which cranes should take lighter work, so that each reaches its special assessment with its life just used."""

from datetime import date
from typing import Any

import numpy as np
from psycopg import AsyncConnection

from answers.dispatch_fleet import DispatchFleet, Situation
from answers.dispatch_reasons import states_of
from domain import attention
from domain.job_answers import LevellingAnswer, LevellingRow
from domain.moments import today_in
from domain.remark import Quantity, Remark, count
from domain.units import DAYS_PER_MONTH
from duty.assign import level
from store.summary import USE_OF_LATE, UseOfLate
from words.remarks import remark
from words.texts import cautions


async def levelling(
    conn: AsyncConnection[Any], fleet: DispatchFleet, sites: list[str] | None, days: int
) -> LevellingAnswer:
    """Cranes of some sites (None: of all) by their pace in the last days, those without design class or counted duty apart."""
    today = today_in()
    situation = await fleet.situation(conn, None)
    of_late = await USE_OF_LATE.all_async(conn, sites=sites, today=today, days=days)
    many = _many_overrides([late.limiter_overrides for late in of_late])
    rows, unknown = [], []
    for late in of_late:
        index = situation.listed.index.get(late.crane)
        if index is None:
            continue
        budget = float(situation.listed.design_lifts[index] * situation.listed.design_kq[index])
        if late.used_share is None or late.f1 is None or not np.isfinite(budget):
            unknown.append(late.crane)
            continue
        rows.append(_levelled(late, situation, index, budget, today, days, many))
    rows.sort(key=lambda row: -row.pace_share_per_month / max(row.even_share_per_month, 1e-12))
    return LevellingAnswer(cautions=cautions("dispatch"), rows=tuple(rows), unknown=tuple(unknown))


def _levelled(
    late: UseOfLate, situation: Situation, index: int, budget: float, today: date, days: int, many: float
) -> LevellingRow:
    due: date = situation.status.assessment_on[index].astype(object)
    months = (due - today).days / DAYS_PER_MONTH
    # Days before the record began are no rest: they are not known.
    recorded = 0 if late.first_day is None else (today - late.first_day).days + 1
    pace = (late.f1 or 1.0) * late.peak_cubed_sum / budget / (max(recorded, 1) / DAYS_PER_MONTH)
    found = level(late.used_share or 0.0, pace, months)
    held_back: list[Remark] = [*states_of(situation, index)]
    if recorded < min(attention.PACE_KNOWN_AFTER_DAYS, days):
        held_back.append(remark("pace_unknown", recorded_days=count(recorded), of_days=count(days)))
    if 0 < (due - today).days <= attention.NO_MORE_WORK_DAYS:
        held_back.append(remark("assessment_soon", day=due))
    if late.limiter_overrides >= many:
        held_back.append(remark("most_overrides", overrides=count(late.limiter_overrides), days=count(days)))
    return LevellingRow(
        crane=late.crane,
        used_share=late.used_share or 0.0,
        review_on=due,
        recorded_days=recorded,
        pace_share_per_month=pace,
        even_share_per_month=float(found.even_share_per_month),
        limiter_overrides=late.limiter_overrides,
        advice=_advice(float(found.ratio), months, held=bool(held_back)),
        held_back=tuple(held_back),
    )


def _many_overrides(counts: list[int]) -> float:
    """From how many overrides on a crane has most: half of the largest number, and any at all. Own choice."""
    return max(0.5 * max(counts, default=0), 1.0)


def _advice(ratio: float, months: float, *, held: bool) -> Remark:
    if months <= 0:
        return remark("assessment_due")
    if not np.isfinite(ratio):
        return remark("used_up")
    if attention.overworked(ratio):
        return remark("lighter", pace=Quantity(value=ratio, unit="1", decimals=1, bound="least"))
    if held:
        return remark("no_more_than_now")
    if attention.underworked(ratio):
        return remark("can_take_more", pace=Quantity(value=ratio, unit="1", decimals=2, bound="least"))
    return remark("even")
