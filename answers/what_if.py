"""What a change of work would do to the life of a crane: recomputed, not scaled."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from anyio import to_thread
from psycopg import AsyncConnection

from answers.counted import merged_directions, merged_ledger
from answers.life import as_answer, crane_totals
from domain.crane import Crane
from domain.life_answers import Outlook, WhatIfAnswer
from domain.remark import Quantity, Remark
from domain.units import DAYS_PER_YEAR, WEEKS_PER_YEAR
from duty import life, reading, what_if
from duty.damage import COMPARISON, Detail, detail_of, of_cycles, of_directions
from duty.directions import DirectionLedger
from duty.forecast import NoForecast, forecasts, whole_weeks
from duty.geometry import Floats
from duty.life_status import NO_DESIGN, LifeStatus, life_status
from duty.reading import Cycles
from duty.what_if import Change
from store import duty
from store.details import DETAILS_OF
from store.duty import HeavyWeek
from store.reading import CraneKnown
from words.remarks import remark, sentence, worded
from words.texts import cautions


@dataclass(frozen=True, kw_only=True)
class Subject:
    """One crane with what its outlook is made of."""

    crane: Crane
    stands: LifeStatus
    detail: Detail
    counted: Cycles
    around: DirectionLedger | None  # where the detail lies around the base and slewing was recorded
    years: float  # of record
    class_of: str = (
        ""  # crane whose design class stands in; empty where it has one of its own, or none at all
    )


async def what_if_of(
    conn: AsyncConnection[Any],
    crane: CraneKnown,
    other: CraneKnown | None,
    *,
    duty_factor: float,
    heavy_from_pct: float | None,
    moved_share: float,
) -> WhatIfAnswer:
    """How long a crane would last with `duty_factor` times its work, or with a share of its heavy lifts moved to another one."""
    giver = await _subject(conn, crane, None if other is None else other.crane())
    receiver = None if other is None else await _subject(conn, other, crane.crane())
    ratio = 1.0
    if receiver is not None:
        ratio = giver.crane.type.rated_moment_kn_m / receiver.crane.type.rated_moment_kn_m
    change = Change(
        duty_factor=duty_factor,
        heavy_from_pct=np.inf if heavy_from_pct is None else heavy_from_pct,
        moved_share=0.0 if heavy_from_pct is None else moved_share,
        rating_ratio=ratio,
    )
    heavy: list[HeavyWeek] = []
    counting = await duty.COUNTING_IN_USE.first_async(conn)
    if counting is not None and heavy_from_pct is not None:
        heavy = await duty.WEEKLY_HEAVY.all_async(
            conn,
            crane_id=crane.crane_id,
            counting_id=counting.counting_id,
            heavy_from_pct=heavy_from_pct,
            heaviest_pct=change.heaviest_pct if receiver is not None else np.inf,
        )
    return await to_thread.run_sync(what_if_answer, giver, receiver, change, heavy)


async def _subject(conn: AsyncConnection[Any], crane: CraneKnown, assumed: Crane | None = None) -> Subject:
    """assumed: a crane whose design class stands in where this one has none."""
    totals, _ = await crane_totals(conn, crane)
    rows = await DETAILS_OF.all_async(conn, crane=crane.name)
    detail = detail_of(rows[0].name, rows[0].spec) if rows else COMPARISON
    spans = await duty.spans(conn, crane.name, directions=detail.direction != "none")
    days = 0
    if totals.last_day is not None:
        days = (totals.last_day - min(totals.weeks)).days + 1
    value, class_of = crane.crane(), ""
    if value.design is None and assumed is not None and assumed.design is not None:
        value, class_of = value.model_copy(update={"design": assumed.design}), assumed.name

    def made() -> Subject:
        return Subject(
            crane=value,
            stands=life_status(value, totals),
            detail=detail,
            counted=reading.cycles(merged_ledger(spans)),
            around=merged_directions(spans),
            years=days / DAYS_PER_YEAR,
            class_of=class_of,
        )

    return await to_thread.run_sync(made)


def what_if_answer(
    giver: Subject, receiver: Subject | None, change: Change, heavy: Sequence[HeavyWeek]
) -> WhatIfAnswer:
    """Both cranes before and after a change of the work of one."""
    before = _outlook(giver, giver.stands.weekly_share, _damage(giver))
    moved = _weeks_of(giver, heavy, giver.stands)
    weeks = what_if.giver_weeks(giver.stands.weekly_share, moved, change)
    after = _outlook(giver, weeks, _giver_damage(giver, change))
    other_before = other_after = None
    if receiver is not None:
        other_before = _outlook(receiver, receiver.stands.weekly_share, _damage(receiver))
        other_after = _receiver_after(giver, receiver, change, heavy)
    years = giver.years or 1.0
    lifts = sum(week.lifts for week in heavy) / years
    too_heavy = sum(week.too_heavy for week in heavy) / years
    pace = _pace(giver, change, heavy)
    remarks = (
        *_changed(before, after),
        *(() if pace is None else (remark("what_if.pace", pace=Quantity(value=100 * pace, unit="%")),)),
        *_changed(other_before, other_after),
        *_classes_assumed(giver, receiver),
    )
    return WhatIfAnswer(
        cautions=cautions("duty"),
        crane=giver.crane.name,
        duty_factor=change.duty_factor,
        heavy_from_pct=change.heavy_from_pct if np.isfinite(change.heavy_from_pct) else None,
        moved_share=change.moved_share,
        to=None if receiver is None else receiver.crane.name,
        heavy_lifts_a_year=lifts,
        moved_lifts_a_year=change.moved_share * (lifts - too_heavy) * change.duty_factor,
        too_heavy_lifts_a_year=too_heavy,
        pace_of_now=pace,
        before=before,
        after=after,
        other_before=other_before,
        other_after=other_after,
        remarks=remarks,
        sentence=sentence(remarks),
        assumptions=tuple(_assumptions(giver, receiver, change)),
    )


def _pace(giver: Subject, change: Change, heavy: Sequence[HeavyWeek]) -> float | None:
    """Use of life under the change over that of now; needs no design class. None where nothing was lifted."""
    whole = giver.stands.totals.cube_sum
    if whole <= 0:
        return None
    moved = sum(week.peak_cubed_sum for week in heavy)
    return change.duty_factor * max(1.0 - change.moved_share * moved / whole, 0.0)


def _weeks_of(giver: Subject, heavy: Sequence[HeavyWeek], unit_of: LifeStatus) -> Floats:
    totals = giver.stands.totals
    design = unit_of.crane.design
    if design is None or unit_of.used is None:
        return np.zeros(0)
    cubes = {**dict.fromkeys(totals.weeks, 0.0), **{week.week: week.peak_cubed_sum for week in heavy}}
    unit = life.share_of_design(design, 1.0, unit_of.factor.f1)
    return np.asarray(unit * whole_weeks(list(cubes), list(cubes.values()), giver.stands.start))


def _receiver_after(giver: Subject, receiver: Subject, change: Change, heavy: Sequence[HeavyWeek]) -> Outlook:
    there = change.cube_ratio * _weeks_of(giver, heavy, receiver.stands)
    weekly = what_if.receiver_weeks(receiver.stands.weekly_share, there, change)
    own = _damage(receiver)
    if own is None or not change.moved_share:
        return _outlook(receiver, weekly, own)
    if not (_plain(giver) and _plain(receiver)):
        return _outlook(receiver, weekly, None)
    added = _a_year(giver, what_if.moved_damage(receiver.detail, giver.counted, change))
    return _outlook(receiver, weekly, None if added is None else own + added)


def _plain(subject: Subject) -> bool:
    return subject.detail.direction == "none"


def _damage(subject: Subject) -> float | None:
    """Miner sum a year on record; None for a detail around the base where no slewing was recorded."""
    if _plain(subject):
        return _a_year(subject, of_cycles(subject.detail, subject.counted).total)
    return (
        None
        if subject.around is None
        else _a_year(subject, of_directions(subject.detail, subject.around).total)
    )


def _giver_damage(giver: Subject, change: Change) -> float | None:
    """Miner sum a year under a change. Around the base only more or less of the same work can be told."""
    if _plain(giver):
        return _a_year(giver, what_if.giver_damage(giver.detail, giver.counted, change))
    now = _damage(giver)
    return None if now is None or change.moved_share else change.duty_factor * now


def _a_year(subject: Subject, total: float) -> float | None:
    return total / subject.years if subject.years > 0 else None


def _outlook(subject: Subject, weekly: Floats, damage_a_year: float | None) -> Outlook:
    stands, crane = subject.stands, subject.crane
    review = spent = None
    if stands.used is not None:
        thresholds = (crane.review_at_share, life.SPENT_SHARE)
        review, spent = forecasts(weekly, stands.used.total, thresholds, stands.start)
    reason = spent.reason if isinstance(spent, NoForecast) else stands.reason
    return Outlook(
        crane=crane.name,
        used_share=None if stands.used is None else stands.used.total,
        share_a_year=float(np.nanmean(weekly) * WEEKS_PER_YEAR) if np.isfinite(weekly).any() else None,
        review=as_answer(review),
        spent=as_answer(spent),
        reason=reason and worded(reason),
        detail=subject.detail.name,
        detail_assumed=subject.detail is COMPARISON,
        damage_a_year=damage_a_year,
    )


def _changed(before: Outlook | None, after: Outlook | None) -> Iterator[Remark]:
    if before is None or after is None:
        return
    if before.spent is None and after.spent is None:
        yield remark("what_if.no_date", crane=before.crane, reason=after.reason or before.reason or NO_DESIGN)
        return
    ends = [_end(one) for one in (after, before)]
    yield remark("what_if.changed", crane=before.crane, then=ends[:1], now=ends[1:])


def _end(one: Outlook) -> Remark:
    if one.spent is None:
        return remark("what_if.beyond_horizon")
    return remark("what_if.about", middle=one.spent.middle_on)


def _classes_assumed(giver: Subject, receiver: Subject | None) -> Iterator[Remark]:
    """What stands in for a design class that is not entered: said first, since every date rests on it."""
    for one in (giver, receiver):
        if one is not None and one.class_of:
            yield remark("what_if.class_assumed", crane=one.crane.name, other=one.class_of)


def _assumptions(giver: Subject, receiver: Subject | None, change: Change) -> Iterator[Remark]:
    yield remark("what_if.past_stays")
    yield remark("what_if.weeks_drawn")
    yield from _classes_assumed(giver, receiver)
    if giver.crane.design is None:
        yield remark("what_if.no_class")
    if not change.moved_share:
        return
    if receiver is None:
        yield remark("what_if.to_nobody")
    else:
        yield remark("what_if.load_moment")
        yield remark("what_if.reach_not_asked")
    if not all(_plain(one) for one in (giver, receiver) if one is not None):
        yield remark("what_if.no_direction")
