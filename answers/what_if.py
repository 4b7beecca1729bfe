"""What a change of work would do to the life of a crane: recomputed, not scaled."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from anyio import to_thread
from psycopg import AsyncConnection

from answers.counted import merged_directions, merged_ledger
from answers.life import as_answer, crane_totals
from answers.weld_damage import entered
from domain.crane import Crane
from domain.life_answers import Outlook, WhatIfAnswer
from domain.units import DAYS_PER_YEAR, WEEKS_PER_YEAR
from duty import life, reading, what_if
from duty.damage import Detail, of_cycles, of_directions
from duty.details import COMPARISON
from duty.directions import DirectionLedger
from duty.forecast import NoForecast, forecasts, whole_weeks
from duty.geometry import Floats
from duty.life_status import LifeStatus, life_status
from duty.reading import Cycles
from duty.what_if import Change
from store import duty
from store.details import details_of
from store.duty import HeavyWeek
from store.reading import CraneKnown

ASSUMPTIONS: Final[tuple[str, ...]] = (
    "What was done stays done; only weeks to come change.",
    "Weeks to come are drawn from the whole weeks on record.",
)
MOVED: Final = (
    "A moved lift keeps its load moment: its percent at the other crane goes with the full structural ratings, boom "
    "moments left out.",
    "Whether the other crane reaches that place, and is free and fit for it, is a question for the dispatcher.",
)
NO_DIRECTION: Final = (
    "Damage a year after a move is left out for a detail around the base: which of its cycles belong to heavy lifts is "
    "not counted."
)


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
    counting = await duty.counting_in_use(conn)
    if counting is not None and heavy_from_pct is not None:
        heavy = await duty.weekly_heavy(
            conn,
            crane.crane_id,
            counting.counting_id,
            heavy_from_pct=heavy_from_pct,
            heaviest_pct=change.heaviest_pct if receiver is not None else np.inf,
        )
    return await to_thread.run_sync(what_if_answer, giver, receiver, change, heavy)


async def _subject(conn: AsyncConnection[Any], crane: CraneKnown, assumed: Crane | None = None) -> Subject:
    """assumed: a crane whose design class stands in where this one has none."""
    totals, _ = await crane_totals(conn, crane)
    rows = await details_of(conn, crane.name)
    detail = entered(rows[0]) if rows else COMPARISON
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
    moved = _weeks_of(giver, heavy, giver.stands)
    before = _outlook(giver, giver.stands.weekly_share, _damage(giver))
    after = _outlook(
        giver,
        what_if.giver_weeks(giver.stands.weekly_share, moved, change),
        _giver_damage(giver, change),
    )
    other_before = other_after = None
    if receiver is not None:
        other_before = _outlook(receiver, receiver.stands.weekly_share, _damage(receiver))
        other_after = _receiver_after(giver, receiver, change, heavy)
    years = giver.years or 1.0
    lifts, too_heavy = (
        sum(week.lifts for week in heavy) / years,
        sum(week.too_heavy for week in heavy) / years,
    )
    return WhatIfAnswer(
        crane=giver.crane.name,
        duty_factor=change.duty_factor,
        heavy_from_pct=change.heavy_from_pct if np.isfinite(change.heavy_from_pct) else None,
        moved_share=change.moved_share,
        to=None if receiver is None else receiver.crane.name,
        heavy_lifts_a_year=lifts,
        moved_lifts_a_year=change.moved_share * (lifts - too_heavy) * change.duty_factor,
        too_heavy_lifts_a_year=too_heavy,
        pace_of_now=_pace(giver, change, heavy),
        before=before,
        after=after,
        other_before=other_before,
        other_after=other_after,
        sentence=" ".join(
            (
                _sentence(before, after, other_before, other_after, _pace(giver, change, heavy)),
                *_classes_assumed(giver, receiver),
            )
        ),
        assumptions=_assumptions(giver, receiver, change),
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
    return Outlook(
        crane=crane.name,
        used_share=None if stands.used is None else stands.used.total,
        share_a_year=float(np.nanmean(weekly) * WEEKS_PER_YEAR) if np.isfinite(weekly).any() else None,
        review=as_answer(review),
        spent=as_answer(spent),
        reason=spent.reason if isinstance(spent, NoForecast) else stands.reason,
        detail=subject.detail.name,
        detail_assumed=subject.detail is COMPARISON,
        damage_a_year=damage_a_year,
    )


def _sentence(
    before: Outlook,
    after: Outlook,
    other_before: Outlook | None,
    other_after: Outlook | None,
    pace: float | None,
) -> str:
    words = _changed(before, after)
    if pace is not None:
        words += f" It would use its life at {100 * pace:.0f} % of the pace of now."
    if other_before is not None and other_after is not None:
        words += " " + _changed(other_before, other_after)
    return words


def _changed(before: Outlook, after: Outlook) -> str:
    if before.spent is None and after.spent is None:
        return f"{before.crane}: no date can be given ({after.reason or before.reason})."
    first, then = (
        "not within a hundred years" if one.spent is None else f"about {one.spent.middle_on:%B %Y}"
        for one in (before, after)
    )
    return f"{before.crane} would be used up {then} instead of {first}."


def _classes_assumed(giver: Subject, receiver: Subject | None) -> tuple[str, ...]:
    """What stands in for a design class that is not entered: said first, since every date rests on it."""
    return tuple(
        f"{one.crane.name} has no design class entered: that of {one.class_of} is assumed for it, to compare the two."
        for one in (giver, receiver)
        if one is not None and one.class_of
    )


def _assumptions(giver: Subject, receiver: Subject | None, change: Change) -> tuple[str, ...]:
    found = ASSUMPTIONS + _classes_assumed(giver, receiver)
    if giver.crane.design is None:
        found += (
            "Without a design class from the manual no date can be given, only the pace against now: there is no default.",
        )
    if change.moved_share and receiver is not None:
        found += MOVED
    elif change.moved_share:
        found += ("The heavy lifts go to no crane of yours: name one to see what they would do there.",)
    if change.moved_share and not all(_plain(one) for one in (giver, receiver) if one is not None):
        found += (NO_DIRECTION,)
    return found
