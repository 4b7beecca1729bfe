"""The overload register: which lifts it holds, and which of its entries still wait for a decision.

A lift is an overload when its peak of structural percent is above 100. What was decided about it is written down with the span
and the peak that the lift had then. A later count may find the lift earlier, longer, in two, or not at all; decisions follow
it by their spans, so that none is doubled or lost whatever came late. The thresholds are conventions of this project, no source.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Final, NamedTuple

OVERLOAD_PCT: Final = 100.0  # of the full structural rating; at it a lift is no overload
RISEN_BY_PCT: Final = (
    1.0  # percentage points by which a peak may pass the decided one before it is open again
)

TOGETHER_UP_TO_PCT: Final = (
    105.0  # peak up to which several entries may be decided on at once; above, each by itself
)


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
