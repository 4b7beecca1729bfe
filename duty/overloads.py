"""The overload register: what it holds, and which of its entries still wait for a decision.

A lift is an overload when its peak of structural percent is above 100. So is time above it without a lift: the boom pushed down, a load
held when the record began, transport, readings that were excluded. A day keeps such time as runs; those that an overloaded
lift accounts for make no entry of their own. What was decided about it is written down with the span
and the peak that the lift had then. A later count may find the lift earlier, longer, in two, or not at all; decisions follow
it by their spans, so that none is doubled or lost whatever came late. The thresholds are conventions of this project, no source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from duty.packing import pack, unpack

OVERLOAD_PCT: Final = 100.0  # of the full structural rating; at it a lift is no overload
RISEN_BY_PCT: Final = (
    1.0  # percentage points by which a peak may pass the decided one before it is open again
)

TOGETHER_UP_TO_PCT: Final = (
    105.0  # peak up to which several entries may be decided on at once; above, each by itself
)


APART_MS: Final = 60_000  # readings above the rating that are no farther apart are one entry

_RUN: Final = np.dtype(
    [("start", "<i8"), ("end", "<i8"), ("utilisation", "<f8"), ("structural", "<f8"), ("outreach", "<f8")]
)
_SAME_PCT: Final = 0.01  # of a peak that is read in two ways
_KIND: Final = b"over"
_VERSION: Final = 1


class Run(NamedTuple):
    """Time above the full structural rating, in a lift or not. Times are Unix time [ms]; peaks in percent, NaN outreach [m] unknown."""

    start_ms: int
    end_ms: int
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float


class Overload(NamedTuple):
    """A lift above the full structural rating, counted or as it was when somebody decided. Times are Unix time [ms]."""

    start_ms: int
    end_ms: int
    peak_structural_pct: float


class Entry(NamedTuple):
    """One entry of the register by indices: of a counted lift (None: no longer counted), of its decisions, oldest first."""

    lift: int | None
    decisions: tuple[int, ...]
    open: bool


def runs_above(
    at_ms: ArrayLike,
    step_ms: ArrayLike,
    utilisation_pct: ArrayLike,
    structural_pct: ArrayLike,
    outreach_m: ArrayLike | None = None,
) -> list[Run]:
    """Time above OVERLOAD_PCT of samples in time order, shape (n,) each, joined where APART_MS or less lies between."""
    structural = np.asarray(structural_pct, np.float64)
    above = np.flatnonzero(structural > OVERLOAD_PCT)
    if not above.size:
        return []
    start = np.asarray(at_ms, np.int64)[above]
    end = np.maximum.accumulate(start + np.asarray(step_ms, np.int64)[above])
    first = np.flatnonzero(np.concatenate(([True], start[1:] > end[:-1] + APART_MS)))
    outreach = np.full(structural.size, np.nan) if outreach_m is None else np.asarray(outreach_m, np.float64)
    peaks = [
        np.fmax.reduceat(np.asarray(values, np.float64)[above], first).tolist()
        for values in (utilisation_pct, structural, outreach)
    ]
    ends = end[np.append(first[1:], above.size) - 1].tolist()
    return [Run(*each) for each in zip(start[first].tolist(), ends, *peaks, strict=True)]


def joined(runs: Iterable[Run]) -> list[Run]:
    """Runs in any order, put together where they overlap or APART_MS or less lies between."""
    found: list[Run] = []
    for run in sorted(runs, key=lambda one: (one.start_ms, one.end_ms)):
        if found and run.start_ms <= found[-1].end_ms + APART_MS:
            found[-1] = _both(found[-1], run)
        else:
            found.append(run)
    return found


def _both(one: Run, other: Run) -> Run:
    return Run(
        min(one.start_ms, other.start_ms),
        max(one.end_ms, other.end_ms),
        max(one.peak_utilisation_pct, other.peak_utilisation_pct),
        max(one.peak_structural_pct, other.peak_structural_pct),
        float(np.fmax(one.peak_outreach_m, other.peak_outreach_m)),
    )


def without_lift(runs: Iterable[Run], lifts: Sequence[Overload]) -> tuple[list[Run], list[float]]:
    """Runs that share no time with an overloaded lift, and the peaks of the lifts, those of runs that they share time with among them.

    lifts: disjoint, in time order. Such a run may reach beyond its lift, or be excluded in part: its peak counts for the lift.
    """
    starts, ends = [one.start_ms for one in lifts], [_end_ms(one) for one in lifts]
    peaks = [one.peak_structural_pct for one in lifts]
    apart = []
    for run in joined(runs):
        near = range(bisect_right(ends, run.start_ms), bisect_left(starts, run.end_ms))
        if not near:
            apart.append(run)
        elif run.peak_structural_pct > max(peaks[place] for place in near) + _SAME_PCT:
            peaks[max(near, key=lambda i: peaks[i])] = run.peak_structural_pct
    return apart, peaks


def runs_to_bytes(runs: Sequence[Run]) -> bytes:
    """Compact, versioned and checksummed form."""
    return pack(_KIND, _VERSION, np.array([tuple(run) for run in runs], _RUN).tobytes())


def runs_from_bytes(data: bytes) -> list[Run]:
    """The runs that `runs_to_bytes` wrote. Raises InvalidInput on a damaged or unknown form."""
    return [Run(*row) for row in np.frombuffer(unpack(_KIND, _VERSION, data), _RUN).tolist()]


def entries(lifts: Sequence[Overload], decided: Sequence[Overload]) -> list[Entry]:
    """The register of one crane, in order of the lifts, then what is no longer counted.

    lifts: overloads as counted now, disjoint, in time order. decided: as they were at each decision, oldest first. A decision belongs to the
    lift that shares most time with it, the earlier of equal ones. An entry is open without a decision, and where the
    lift now peaks more than RISEN_BY_PCT above the highest peak that was decided on. Decisions without a lift that share
    time are one entry.
    """
    starts, ends = [one.start_ms for one in lifts], [_end_ms(one) for one in lifts]
    of_lift: dict[int, list[int]] = {}
    gone: list[list[int]] = []
    for number, one in enumerate(decided):
        near = range(bisect_right(ends, one.start_ms), bisect_left(starts, _end_ms(one)))
        if near:
            place = max(near, key=lambda i: _shared_ms(one, lifts[i]))
            of_lift.setdefault(place, []).append(number)
        else:
            together = [group for group in gone if any(_shared_ms(one, decided[i]) > 0 for i in group)]
            gone = [group for group in gone if group not in together]
            gone.append(sorted([number, *(i for group in together for i in group)]))
    return [
        *(
            Entry(place, tuple(found := of_lift.get(place, [])), _open(lift, [decided[i] for i in found]))
            for place, lift in enumerate(lifts)
        ),
        *(Entry(None, tuple(group), open=False) for group in gone),
    ]


def _open(lift: Overload, decided: Sequence[Overload]) -> bool:
    known = max((one.peak_structural_pct for one in decided), default=None)
    return known is None or lift.peak_structural_pct > known + RISEN_BY_PCT


def _shared_ms(one: Overload, other: Overload) -> int:
    return min(_end_ms(one), _end_ms(other)) - max(one.start_ms, other.start_ms)


def _end_ms(one: Overload) -> int:
    """First moment after a lift, which lasts a moment at least."""
    return max(one.end_ms, one.start_ms + 1)
