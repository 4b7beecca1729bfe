"""A day's list of jobs over the fleet, and which cranes should take lighter work.

Fixed windows on cranes that cost differently are a hard problem in general. Here: where all windows overlap the
assignment is exact (Hungarian method, scipy.optimize.linear_sum_assignment). Otherwise it is solved in rounds, put beside
the greedy list, and both are improved by moving single jobs and by pushing one job aside, until nothing gets better. The
answer is never worse than the greedy one. Where the size allows, an integer program (scipy.optimize.milp, HiGHS) then looks
for a better one and for a proof within a time limit. What is not proven says how far off it can be at most.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import csr_array, vstack

from domain.errors import InvalidInput
from duty.capacity import Flags, Floats, Ints

NOBODY: Final = -1
_LEAST_GAIN: Final = 1e-9
_MOST_PASSES: Final = 100
MOST_PAIRS: Final = 20_000
"""Up to so many pairs of a job and a crane that can take it the integer program is tried: about what it proves in time."""
TIME_LIMIT_S: Final = 2.0


@dataclass(frozen=True, kw_only=True)
class Assignment:
    """Crane of each job (NOBODY where none is left), and the sum of points of the jobs that have one."""

    crane: Ints
    points: float
    exact: bool = False  # proven: no list gives more jobs a crane, nor as many for fewer points
    most_assigned: int = 0  # no list gives more jobs a crane
    least_points: float = 0.0  # no list gives as many jobs a crane for fewer points

    @property
    def assigned(self) -> int:
        """Jobs that have a crane."""
        return int((self.crane != NOBODY).sum())


def overlapping(starts: ArrayLike, ends: ArrayLike) -> Flags:
    """(job, job): whether two windows [start, end) share time. Every job overlaps itself."""
    start, end = np.asarray(starts, float), np.asarray(ends, float)
    if (end <= start).any():
        raise InvalidInput("every window must end after it starts", field="window")
    return np.asarray((start[:, None] < end[None, :]) & (start[None, :] < end[:, None]))


def greedy(points: ArrayLike, overlaps: Flags) -> Assignment:
    """Job by job in the order of the list, each the cheapest crane that is still free in its window."""
    board = _Board(np.asarray(points, float), overlaps)
    for job in range(len(board.cost)):
        open_to = board.open_to(job)
        if open_to.size and np.isfinite(open_to.min()):
            board.put(job, int(open_to.argmin()))
    return board.priced()


def assign(points: ArrayLike, overlaps: Flags, *, time_limit_s: float = TIME_LIMIT_S) -> Assignment:
    """Cranes for jobs: as many jobs as can be found, then the fewest points; see the module for how exact that is.

    Parameters
    ----------
    points : (job, crane), what a crane costs for a job, 0 or more; inf where it cannot take it.
    overlaps : (job, job), from `overlapping`.
    time_limit_s : for the integer program.
    """
    cost = np.asarray(points, float)
    if cost.size and (np.isnan(cost).any() or cost.min() < 0):
        raise InvalidInput("points must be 0 or more, or inf", field="points")
    in_rounds = _rounds(_Board(cost, overlaps))
    if overlaps.all():
        return _proven(in_rounds.priced())
    by_list = _Board(cost, overlaps)
    for job, crane in enumerate(greedy(cost, overlaps).crane):
        by_list.put(job, int(crane))
    found = [_improved(board).priced() for board in (in_rounds, by_list)]
    best = _bounded(min(found, key=lambda one: (-one.assigned, one.points)), cost)
    if best.exact or np.isfinite(cost).sum() > MOST_PAIRS:
        return best
    return _by_program(best, cost, overlaps, time_limit_s)


def _proven(found: Assignment) -> Assignment:
    return replace(found, exact=True, most_assigned=found.assigned, least_points=found.points)


def _bounded(found: Assignment, cost: Floats) -> Assignment:
    """With the plainest bound: every job that has any crane on the cheapest of its own."""
    cheapest = np.sort(cost.min(axis=1, initial=np.inf))
    possible = int(np.isfinite(cheapest).sum())
    least = float(cheapest[: found.assigned].sum())
    exact = found.assigned == possible and found.points <= least + _LEAST_GAIN
    return replace(found, exact=exact, most_assigned=possible, least_points=least)


def _by_program(known: Assignment, cost: Floats, overlaps: Flags, time_limit_s: float) -> Assignment:
    """The best list by integer programming, or what is known with the bound that was proven in the time.

    One variable for each job and crane that can take it; each job at most once, and of the jobs that share a moment at
    most one on a crane. Leaving a job out costs more than all points together, so that most jobs come first.
    """
    job, crane = np.nonzero(np.isfinite(cost))
    points = cost[job, crane]
    worth = float(np.where(np.isfinite(cost), cost, 0.0).max(axis=1, initial=0.0).sum()) + 1.0
    rows = [csr_array((np.ones(job.size), (job, np.arange(job.size))), shape=(len(cost), job.size))]
    for together in _moments(overlaps):
        inside = np.flatnonzero(together[job])
        rows.append(
            csr_array((np.ones(inside.size), (crane[inside], inside)), shape=(cost.shape[1], job.size))
        )
    found = milp(
        points - worth,
        integrality=np.ones(job.size, np.intp),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(vstack(rows, format="csr"), -np.inf, 1.0),
        options={"time_limit": time_limit_s, "mip_rel_gap": 0.0},
    )
    best = known
    if found.x is not None:
        board = _Board(cost, overlaps)
        for index in np.flatnonzero(found.x > 0.5).tolist():
            board.put(int(job[index]), int(crane[index]))
        # Cut off in time, it may leave a job out that a free crane could take.
        best = min(_improved(board).priced(), known, key=lambda one: (-one.assigned, one.points))
    if found.status == 0:
        return _proven(best)
    bound = -worth * known.most_assigned if found.mip_dual_bound is None else float(found.mip_dual_bound)
    # The points of a list are less than one job is worth.
    most = min(math.ceil(-bound / worth + 1.0) - 1, known.most_assigned)
    least = max(known.least_points, bound + worth * best.assigned)
    return replace(best, most_assigned=max(most, best.assigned), least_points=min(least, best.points))


def _moments(overlaps: Flags) -> list[Flags]:
    """Sets of jobs that overlap each other, such that every pair that overlaps is in one of them."""
    left = np.triu(overlaps, 1)
    found: list[Flags] = []
    while left.any():
        together = np.zeros(len(overlaps), np.bool_)
        together[list(np.unravel_index(left.argmax(), left.shape))] = True
        for other in np.flatnonzero(overlaps[together].all(axis=0) & ~together).tolist():
            together[other] = overlaps[other][together].all()
        left[np.ix_(together, together)] = False
        found.append(together)
    return found


class _Board:
    """Which job is on which crane, and how many jobs on each crane are in the way of each job."""

    def __init__(self, cost: Floats, overlaps: Flags) -> None:
        self.cost = cost
        self.crane = np.full(len(cost), NOBODY, np.intp)
        self.others = overlaps & ~np.eye(len(cost), dtype=np.bool_)
        self.in_way = np.zeros(cost.shape, np.intp)
        self.cheapest = cost.min(axis=1, initial=np.inf)

    def put(self, job: int, crane: int) -> None:
        """Move a job to a crane, or to NOBODY."""
        before = self.crane[job]
        if before != NOBODY:
            self.in_way[:, before] -= self.others[:, job]
        if crane != NOBODY:
            self.in_way[:, crane] += self.others[:, job]
        self.crane[job] = crane

    def open_to(self, job: int) -> Floats:
        """Points of each crane for a job, inf where one is in its way."""
        return np.where(self.in_way[job] == 0, self.cost[job], np.inf)

    def priced(self) -> Assignment:
        """As an answer."""
        has = self.crane != NOBODY
        return Assignment(crane=self.crane, points=float(self.cost[has, self.crane[has]].sum()))


def _rounds(board: _Board) -> _Board:
    """Each round gives every crane at most one more job, the cheapest way round, until no job finds a crane."""
    while True:
        left = np.flatnonzero(board.crane == NOBODY)
        open_to = np.where(board.in_way[left] > 0, np.inf, board.cost[left])
        finite = np.isfinite(open_to)
        if not finite.any():
            return board
        # More than all real costs together, so that no job is left out to save points.
        never = open_to[finite].sum() + 1.0
        for row, crane in zip(*linear_sum_assignment(np.where(finite, open_to, never)), strict=True):
            if finite[row, crane]:
                board.put(int(left[row]), int(crane))


def _improved(board: _Board) -> _Board:
    """Move jobs while that helps: to a free crane, or to one whose only job in the way finds another crane."""
    finite = board.cost[np.isfinite(board.cost)]
    missing = float(finite.sum()) + 1.0
    for _ in range(_MOST_PASSES):
        before = board.crane.copy()
        for job in range(len(board.cost)):
            _move(board, job, missing)
        if (board.crane == before).all():
            break
    return board


def _move(board: _Board, job: int, missing: float) -> None:
    """The best move of one job, made in place. Without a crane it costs `missing`."""
    now = int(board.crane[job])
    paid = missing if now == NOBODY else float(board.cost[job, now])
    board.put(job, NOBODY)
    best, target, pushed, refuge = paid - _LEAST_GAIN, now, NOBODY, NOBODY
    free = board.open_to(job)
    if free.size and free.min() < best:
        best, target = float(free.min()), int(free.argmin())
    others = np.flatnonzero(board.others[job] & (board.crane != NOBODY))
    cranes = board.crane[others]
    # The least that the job and the one pushed aside can cost together, less what that one costs now.
    least = board.cost[job, cranes] + board.cheapest[others] - board.cost[others, cranes]
    promising = others[(board.in_way[job, cranes] == 1) & (least < best)]
    for other in promising.tolist():
        there = int(board.crane[other])
        elsewhere = board.open_to(other)
        elsewhere[there] = np.inf
        price = float(board.cost[job, there] + elsewhere.min() - board.cost[other, there])
        if price < best:
            best, target, pushed, refuge = price, there, other, int(elsewhere.argmin())
    if pushed != NOBODY:
        board.put(pushed, refuge)
    board.put(job, target)


@dataclass(frozen=True, kw_only=True)
class Levelling:
    """Pace of life of cranes against the even pace, arrays by crane."""

    even_share_per_month: Floats  # uses the rest of the life just by the review
    ratio: Floats  # present pace over even pace; inf where nothing is left or the review has passed


def level(used_share: ArrayLike, share_per_month: ArrayLike, months_to_review: ArrayLike) -> Levelling:
    """How far each crane's present use is from the pace at which life and time to its review end together.

    even pace = (1 - used share) / months to review. A ratio above 1 wants lighter work, below 1 can take heavier.
    """
    left = np.maximum(1.0 - np.asarray(used_share, float), 0.0)
    months = np.asarray(months_to_review, float)
    pace = np.asarray(share_per_month, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        even = np.where(months > 0, left / months, 0.0)
        ratio = np.where(even > 0, pace / even, np.where(pace > 0, np.inf, 1.0))
    return Levelling(even_share_per_month=even, ratio=ratio)
