"""A day's list of jobs over the fleet, and which cranes should take lighter work."""

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Annotated

import anyio
import numpy as np
from fastapi import APIRouter, Query

from answers import dispatch_reasons
from answers.crane_states import states_of
from answers.dispatch_fleet import Situation
from api.deps import Caller, Conn, Fleet
from api.permissions import DISPATCHER, VIEWER
from api.routes.dispatch import facts_of, matched
from domain import attention
from domain.dispatch_answers import Assumption, DispatchQuestion
from domain.errors import InvalidInput
from domain.job import Window
from domain.job_answers import (
    AssignedJob,
    AssignmentAnswer,
    AssignmentAsked,
    LevellingAnswer,
    LevellingRow,
    ListedJob,
)
from domain.remark import Quantity, Remark, plain_remark, remark, written_day
from domain.units import DAYS_PER_MONTH
from duty.assign import NOBODY, Assignment, assign, greedy, level, overlapping
from duty.capacity import Flags, Floats, Ints
from duty.dispatch import Ruling
from duty.ranking import rank
from store import reservations
from store.reservations import Held, Reservation, UseOfLate

router = APIRouter(tags=["dispatch"])


@router.post("/dispatch/assignment", dependencies=[DISPATCHER])
async def assign_list(asked: AssignmentAsked, conn: Conn, caller: Caller, fleet: Fleet) -> AssignmentAnswer:
    """Cranes for a day's list: as many jobs as can be found, then the fewest points; beside the greedy list.

    `exact` says whether that is proven to be the best, else `most_assigned` and `least_points` how far off it may be.

    A crane gets a job only where it fits, is not reserved in the window and needs no override.
    """
    windows = [_kept_free(one) for one in asked.jobs]
    first = min(window.starts_at for window in windows)
    last = max(window.ends_at for window in windows)
    taken = await reservations.reservations(conn, None, first, last, rows=100_000)
    situations = await fleet.situations(conn, [one.job.window for one in asked.jobs])
    return await anyio.to_thread.run_sync(_assigned, asked, windows, taken, situations, caller.sites)


def _kept_free(listed: ListedJob) -> Window:
    """The window of a listed job with the travel around it."""
    busy = listed.busy
    if busy is None:
        raise InvalidInput(f"job {listed.title!r} has no window: give one", field="jobs.job.window")
    return busy


def _assigned(
    asked: AssignmentAsked,
    windows: list[Window],
    taken: list[Reservation],
    situations: list[Situation],
    sites: tuple[str, ...] | None,
) -> AssignmentAnswer:
    priced = []
    rulings = []
    left_open = []
    for one, window, there in zip(asked.jobs, windows, situations, strict=True):
        job = one.job.model_copy(update={"weights": asked.weights})
        situation = replace(there, held=_held(taken, window))
        points, ruling, assumed = _prices(job, situation, sites)
        priced.append(points)
        rulings.append(ruling)
        left_open.append(assumed)
    cost = np.array(priced)
    starts = [window.starts_at.timestamp() for window in windows]
    overlaps = overlapping(starts, [window.ends_at.timestamp() for window in windows])
    found, by_list = assign(cost, overlaps), greedy(cost, overlaps)
    names = [row.name for row in situations[0].listed.rows]
    return AssignmentAnswer(
        jobs=tuple(
            _explained(index, asked, names, cost, overlaps, found, rulings[index]).model_copy(
                update={"assumed": left_open[index]}
            )
            for index in range(len(asked.jobs))
        ),
        assigned=found.assigned,
        points=found.points,
        greedy_assigned=by_list.assigned,
        greedy_points=by_list.points,
        exact=found.exact,
        most_assigned=found.most_assigned,
        least_points=found.least_points,
    )


def _held(taken: list[Reservation], window: Window) -> dict[str, Held]:
    return {
        row.crane: Held(crane=row.crane, starts_at=row.starts_at, ends_at=row.ends_at)
        for row in taken
        if row.starts_at < window.ends_at and window.starts_at < row.ends_at
    }


def _prices(
    job: DispatchQuestion, situation: Situation, sites: tuple[str, ...] | None
) -> tuple[Floats, Ints, tuple[Assumption, ...]]:
    """Points of each crane for a job, inf where it cannot take it, its Ruling, and what the job left open."""
    found, _ = matched(job, situation)
    facts = facts_of(job, situation, found)
    seen = np.ones(found.fit.size, np.bool_)
    if sites is not None:
        seen = np.isin(situation.listed.sites, sites)
    usable = seen & found.fit & facts.free & ~facts.needs_override
    # A crane out of scope is nothing to the one who asks, not even a number.
    ruling = np.where(seen, found.ruling, Ruling.NO_CHART)
    points = np.where(usable, rank(found, facts, job.weights).points, np.inf)
    return points, ruling, dispatch_reasons.assumed(job, found, seen)


def _explained(
    index: int,
    asked: AssignmentAsked,
    names: list[str],
    cost: Floats,
    overlaps: Flags,
    found: Assignment,
    ruling: Ints,
) -> AssignedJob:
    crane = int(found.crane[index])
    cheapest = int(cost[index].argmin()) if cost[index].size and np.isfinite(cost[index].min()) else NOBODY
    rival = _rival(index, cheapest, found, overlaps)
    if cheapest == NOBODY:
        fitting = int((ruling == Ruling.FIT).sum())
        text = (
            f"{fitting} {'crane fits' if fitting == 1 else 'cranes fit'} by chart and entries, and"
            f" {'it' if fitting == 1 else 'each'} is reserved or needs an override"
            if fitting
            else "no crane fits: ask for this job alone to see every reason"
        )
    elif crane == NOBODY:
        text = "every crane that could take it has another job of the list in that time" + (
            ""
            if found.most_assigned == found.assigned
            else ", in the list that was found; a better one may exist"
        )
    elif cost[index, crane] == cost[index, cheapest]:
        text = "the cheapest crane for it"
    elif rival == NOBODY:
        text = "cheaper for the list as a whole"
    else:
        title = asked.jobs[rival].title
        text = f"{names[cheapest]} would cost less, and serves {title!r} in that time: better for the list as a whole"
    return AssignedJob(
        title=asked.jobs[index].title,
        crane=None if crane == NOBODY else names[crane],
        points=None if crane == NOBODY else float(cost[index, crane]),
        cheapest_crane=None if cheapest == NOBODY else names[cheapest],
        cheapest_points=None if cheapest == NOBODY else float(cost[index, cheapest]),
        explanation=text,
    )


def _rival(index: int, crane: int, found: Assignment, overlaps: Flags) -> int:
    """The job of the list that has a crane in a job's time, NOBODY without one."""
    others = np.flatnonzero((found.crane == crane) & overlaps[index])
    return next((int(other) for other in others if other != index), NOBODY) if crane != NOBODY else NOBODY


@router.get("/dispatch/levelling", dependencies=[VIEWER])
async def level_fleet(
    conn: Conn,
    caller: Caller,
    fleet: Fleet,
    days: Annotated[int, Query(ge=7, le=731, description="days that count as of late")] = 90,
) -> LevellingAnswer:
    """Which cranes should take lighter work, so that each reaches its special assessment with its life just used.

    No crane is said to take more with which anything is the matter (the states of the dispatch answer), whose assessment
    is due soon, that has most overrides, or that is on record for a few days only.
    """
    today = datetime.now(UTC).date()
    situation = await fleet.situation(conn, None)
    of_late = await reservations.use_of_late(conn, caller.site_list, today=today, days=days)
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
    return LevellingAnswer(rows=tuple(rows), unknown=tuple(unknown))


def _levelled(
    late: UseOfLate, situation: Situation, index: int, budget: float, today: date, days: int, many: float
) -> LevellingRow:
    due: date = situation.status.assessment_on[index].astype(object)
    months = (due - today).days / DAYS_PER_MONTH
    # Days before the record began are no rest: they are not known.
    recorded = 0 if late.first_day is None else (today - late.first_day).days + 1
    pace = (late.f1 or 1.0) * late.peak_cubed_sum / budget / (max(recorded, 1) / DAYS_PER_MONTH)
    found = level(late.used_share or 0.0, pace, months)
    held_back = [plain_remark(state.code, state.text) for state in states_of(situation, index)]
    if recorded < min(attention.PACE_KNOWN_AFTER_DAYS, days):
        words = "on record for {recorded_days} of {of_days} days, so its pace is not known"
        held_back.append(remark("pace_unknown", words, recorded_days=_count(recorded), of_days=_count(days)))
    if 0 < (due - today).days <= attention.NO_MORE_WORK_DAYS:
        held_back.append(plain_remark("assessment_soon", f"special assessment due on {written_day(due)}"))
    if late.limiter_overrides >= many:
        words = "most limiter overrides: {overrides} in {days} days"
        held_back.append(
            remark("most_overrides", words, overrides=_count(late.limiter_overrides), days=_count(days))
        )
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
        return plain_remark("assessment_due", "the special assessment is due: arrange it before more work")
    if not np.isfinite(ratio):
        words = "its life is used up by the figures: arrange the special assessment, no work by this plan"
        return plain_remark("used_up", words)
    if attention.overworked(ratio):
        pace = Quantity(value=ratio, unit="1", decimals=1, bound="least")
        return remark("lighter", "lighter work: it uses its life at {pace} times the even pace", pace=pace)
    if held:
        return plain_remark("no_more_than_now", "no more work than now")
    if attention.underworked(ratio):
        pace = Quantity(value=ratio, unit="1", decimals=2, bound="least")
        return remark(
            "can_take_more", "can take more: it uses its life at {pace} of the even pace", pace=pace
        )
    return plain_remark("even", "even: leave it as it is")


def _count(count: int) -> Quantity:
    return Quantity(value=count, unit="1")
