"""What a lift passes between pick and place: a rectangle of hook positions, and every sector that the boom can swing through."""

from collections.abc import Sequence
from typing import NamedTuple

from domain.errors import InvalidInput
from domain.job import LiftJob, Position, Way
from duty.chart_pack import SECTORS


class Span(NamedTuple):
    """The rectangle of hook positions that a lift passes, and the sectors in all of which it has to hold."""

    outreach_m: tuple[float, float]
    hook_height_m: tuple[float, float] | None  # of what is entered; None where nothing is
    any_height: bool  # a hook height is not entered: every one of a chart has to hold
    sectors: tuple[int, ...]  # indices into SECTORS


def span_of(job: LiftJob) -> Span:
    """What has to be covered for a job. Raises InvalidInput where no way between two sectors is allowed.

    A point without a sector may be in any sector allowed, so all of them count. Between two sectors the boom may swing
    both ways round, as far as the sectors allowed and `way` leave it. A point without a hook height may be at any.
    """
    positions = [job.place] if job.pick is None else [job.pick, job.place]
    outreaches = [position.outreach_m for position in positions]
    entered = [position.hook_height_m for position in positions]
    heights = [height for height in (*entered, job.over_obstacle_m) if height is not None]
    return Span(
        outreach_m=(min(outreaches), max(outreaches)),
        hook_height_m=(min(heights), max(heights)) if heights else None,
        any_height=None in entered,
        sectors=tuple(sorted(_passed(job, positions))),
    )


def if_named(job: LiftJob) -> list[set[int]]:
    """What of `span_of`'s sectors could be left, as sets of indices, if sectors and way were named in full."""
    positions = [job.place] if job.pick is None else [job.pick, job.place]
    if any(position.sector is None for position in positions):
        given = [_quarters(job, position) for position in positions]
        return [{index} for index in set.intersection(*map(set, given))]
    starts, ends = _quarters(job, positions[0]), _quarters(job, positions[-1])
    allowed = {SECTORS.index(sector) for sector in job.sectors}
    pairs = [(one, one) for one in starts] if len(positions) == 1 else [(a, b) for a in starts for b in ends]
    return [way for start, end in pairs for way in _ways(start, end, job.way) if way <= allowed]


def _quarters(job: LiftJob, position: Position) -> list[int]:
    """Indices of the sectors in which a point may be."""
    words = job.sectors if position.sector is None else position.sector.quarters
    return [SECTORS.index(quarter) for quarter in words]


def _passed(job: LiftJob, positions: Sequence[Position]) -> set[int]:
    """Indices into SECTORS of every sector that the lift can pass."""
    allowed = {SECTORS.index(sector) for sector in job.sectors}
    if any(position.sector is None for position in positions):
        return allowed
    named = [_quarters(job, position) for position in positions]
    if len(named) == 1:
        return set(named[0])
    passed: set[int] = set()
    for start in named[0]:
        for end in named[-1]:
            ways = [way for way in _ways(start, end, job.way) if way <= allowed]
            if not ways:
                raise InvalidInput(
                    f"the way from {SECTORS[start]} to {SECTORS[end]} leads through a sector that is not among those"
                    " allowed: allow it, name the other way round, or choose both points in one sector",
                    field="sectors",
                )
            passed = passed.union(*ways)
    return passed


def _ways(start: int, end: int, named: Way | None) -> list[set[int]]:
    """The sectors passed from one to another, clockwise and anticlockwise, or the way that is named."""
    around = len(SECTORS)
    if start == end and named is None:
        return [{start}]
    clockwise = {(start + step) % around for step in range((end - start) % around + 1)}
    back = {(start - step) % around for step in range((start - end) % around + 1)}
    return {None: [clockwise, back], Way.CLOCKWISE: [clockwise], Way.ANTICLOCKWISE: [back]}[named]
