"""Which crane should take which job of a day's list."""

from dataclasses import replace
from typing import Any

import anyio
import numpy as np
from psycopg import AsyncConnection

from answers import dispatch_reasons
from answers.dispatch import facts_of, matched
from answers.dispatch_fleet import DispatchFleet, Situation
from domain.dispatch_answers import Assumption, DispatchQuestion
from domain.errors import InvalidInput
from domain.job import Window
from domain.job_answers import AssignedJob, AssignmentAnswer, AssignmentAsked, ListedJob, ReservationRow
from domain.remark import count
from duty.assign import NOBODY, Assignment, assign, greedy, overlapping
from duty.capacity import Flags, Floats, Ints
from duty.dispatch import Ruling
from duty.ranking import rank
from store import reservations
from store.reservations import Held
from words.remarks import remark
from words.texts import cautions


async def assignment(
    conn: AsyncConnection[Any],
    fleet: DispatchFleet,
    asked: AssignmentAsked,
    sites: tuple[str, ...] | None,
) -> AssignmentAnswer:
    """Cranes of some sites (None: of all) for a day's list. Raises InvalidInput for a job without a window."""
    windows = [_kept_free(one) for one in asked.jobs]
    first = min(window.starts_at for window in windows)
    last = max(window.ends_at for window in windows)
    taken = await reservations.reservations(conn, None, first, last, rows=100_000)
    situations = await fleet.situations(conn, [one.job.window for one in asked.jobs])
    return await anyio.to_thread.run_sync(_assigned, asked, windows, taken, situations, sites)


def _kept_free(listed: ListedJob) -> Window:
    """The window of a listed job with the travel around it."""
    busy = listed.busy
    if busy is None:
        raise InvalidInput(f"job {listed.title!r} has no window: give one", field="jobs.job.window")
    return busy


def _assigned(
    asked: AssignmentAsked,
    windows: list[Window],
    taken: list[ReservationRow],
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
        cautions=cautions("dispatch"),
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


def _held(taken: list[ReservationRow], window: Window) -> dict[str, Held]:
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
        why = remark("assigned.none_free", count=count(fitting)) if fitting else remark("assigned.none_fits")
    elif crane == NOBODY:
        why = remark("assigned.taken" if found.most_assigned == found.assigned else "assigned.taken_as_found")
    elif cost[index, crane] == cost[index, cheapest]:
        why = remark("assigned.cheapest")
    elif rival == NOBODY:
        why = remark("assigned.cheaper_together")
    else:
        why = remark("assigned.rival", crane=names[cheapest], title=asked.jobs[rival].title)
    return AssignedJob(
        title=asked.jobs[index].title,
        crane=None if crane == NOBODY else names[crane],
        points=None if crane == NOBODY else float(cost[index, crane]),
        cheapest_crane=None if cheapest == NOBODY else names[cheapest],
        cheapest_points=None if cheapest == NOBODY else float(cost[index, cheapest]),
        explanation=why,
    )


def _rival(index: int, crane: int, found: Assignment, overlaps: Flags) -> int:
    """The job of the list that has a crane in a job's time, NOBODY without one."""
    others = np.flatnonzero((found.crane == crane) & overlaps[index])
    return next((int(other) for other in others if other != index), NOBODY) if crane != NOBODY else NOBODY
