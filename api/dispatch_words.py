"""Why a crane is ruled out, what would change that, and what to know about one that fits, in words."""

import math
from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np

from domain.crane import Sector
from domain.dispatch_answers import Assumption, EntryName
from domain.job import LiftJob
from duty.capacity import SECTORS, Flags, Floats
from duty.dispatch import Matches, Remedy, Ruling
from duty.sweep import span_of

ASSUMPTIONS: Final[tuple[str, ...]] = (
    "Rated capacity is that of the chart at the next larger outreach; outside the chart there is none.",
    "Load and rigging together are held against the rated capacity; the hook block counts as rigging unless the "
    "chart has deducted it.",
    "Between two points the whole rectangle of outreach and hook height is checked, in every sector on the way, both "
    "ways round unless one is named.",
    "What is left open is taken at its worst: every sector, the narrowest charted spread, the weakest chart of the days.",
    "Pad forces, ground pressure, stability margin, expected utilisation and structural percent are estimates from "
    "the geometry entered: level, rigid ground, static load times the hoisting factor, no wind. Wind and slope are only compared as entered.",
    "A plate under a pad is taken as stiff: it spreads the force evenly over its whole area.",
)

_SECTOR_WORDS: Final = {
    Sector.OVER_CAB: "over the cab",
    Sector.RIGHT: "over the right side",
    Sector.REAR: "over the rear",
    Sector.LEFT: "over the left side",
    Sector.SIDE: "over the side",
}


def sector_words(sectors: Iterable[Sector], joined: str = " and ") -> str:
    """Sectors in words; right and left together are the side, and all of them all round."""
    there = {quarter for sector in sectors for quarter in sector.quarters}
    if len(there) == len(SECTORS):
        return "all round"
    if there >= set(Sector.SIDE.quarters):
        there = there - set(Sector.SIDE.quarters) | {Sector.SIDE}
    return joined.join(_SECTOR_WORDS[one] for one in Sector if one in there)


def assumed(job: LiftJob, found: Matches, seen: Flags) -> tuple[Assumption, ...]:
    """What a question left open, the costliest first: what loses most cranes, then what costs one crane most."""
    costs = []
    for entry in left_open(job):
        if_entered, fits = _if_entered(entry, found)
        lost = np.where(seen, if_entered - found.capacity_kg, 0.0)
        costs.append(
            Assumption(
                entry=entry,
                cranes_lost=int((seen & fits & ~found.fit).sum()),
                capacity_lost_kg=float(lost.max(initial=0.0)),
                text=_LEFT_OPEN[entry],
            )
        )
    costs.sort(key=lambda one: (-one.cranes_lost, -(one.capacity_lost_kg or 0.0)))
    if job.pick is None:
        costs.append(Assumption(entry="pick", cranes_lost=0, capacity_lost_kg=None, text=_LEFT_OPEN["pick"]))
    return tuple(costs)


def costliest(
    entries: Iterable[EntryName], found: Matches, index: int
) -> tuple[EntryName | None, float | None]:
    """What a question left open that costs one crane most, and its capacity were that entered; None where nothing costs."""
    best: tuple[EntryName | None, float | None] = (None, None)
    least = float(found.capacity_kg[index])
    for entry in entries:
        capacity = float(_if_entered(entry, found)[0][index])
        if capacity > least:
            best, least = (entry, capacity), capacity
    return best


def left_open(job: LiftJob) -> list[EntryName]:
    """Entries that the question leaves open and that can be taken at their worst."""
    positions = [job.place] if job.pick is None else [job.pick, job.place]
    entries: list[EntryName] = []
    if len(span_of(job).sectors) > 1:
        vague = [one for one in positions if one.sector in (None, Sector.SIDE)]
        if vague:
            entries.append("sector")
        elif job.way is None:
            entries.append("way")
    if job.spread_left is None or job.spread_right is None:
        entries.append("spread")
    return entries


def _if_entered(entry: EntryName, found: Matches) -> tuple[Floats, Flags]:
    if entry == "spread":
        return found.capacity_any_spread_kg, found.fit | found.remedies[:, Remedy.SPREAD]
    return found.capacity_if_named_kg, found.fit | found.fit_if_named


Reason = Callable[[LiftJob, Matches, int], str]
_LEFT_OPEN: Final[dict[EntryName, str]] = {
    "sector": "No sector: every sector has to hold. Enter over which side the load is picked up and set down.",
    "way": "No way round: both have to hold. Enter which way the boom swings from pick to place.",
    "spread": "No stabiliser spread: the narrowest spread of each crane's charts. Enter what the place allows.",
    "pick": "No pick-up point: only the point where the load is set down is checked. Enter where it is picked up.",
}


def limited_by(found: Matches, index: int, jib_rated_kg: float | None) -> str | None:
    """What holds the capacity of one crane down: the strongest condition of the place, else the chart itself."""
    capacity = found.capacity_kg[index]
    if capacity <= 0:
        return None
    if found.ruling[index] in (Ruling.GROUND, Ruling.TIPS):
        return "ground" if found.ruling[index] == Ruling.GROUND else "stability"
    if found.capacity_any_spread_kg[index] > capacity:
        return "stability"
    if found.capacity_any_sector_kg[index] > capacity:
        return "sector"
    if jib_rated_kg is not None and capacity == jib_rated_kg:
        return "jib"
    return "capacity"


def reasons(job: LiftJob, found: Matches, index: int) -> tuple[str, ...]:
    """Why one crane is ruled out, the deciding condition first, then what would change it. Empty where it fits."""
    ruling = Ruling(int(found.ruling[index]))
    if ruling is Ruling.FIT:
        return ()
    return (_RULED[ruling](job, found, index), *_remedies(job, found, index))


def _remedies(job: LiftJob, found: Matches, index: int) -> Iterator[str]:
    opened = found.remedies[index]
    if opened[Remedy.SPREAD]:
        yield (
            f"it would fit with more stabiliser room: with every spread allowed it carries "
            f"{found.capacity_any_spread_kg[index]:.0f} kg there"
        )
    if opened[Remedy.SECTOR]:
        yield (
            f"it would fit in another sector: the best one carries {found.capacity_any_sector_kg[index]:.0f} kg there"
        )
    if opened[Remedy.JIB]:
        yield "it would fit with the fly jib as its charts have it: look at the jib rule of the job"


def not_compared(job: LiftJob, wind_limit_m_s: float | None, slope_limit_deg: float | None) -> Iterator[str]:
    """Wind and slope of the question for which the crane has no limit entered."""
    if job.wind_m_s is not None and wind_limit_m_s is None:
        yield "no wind limit is entered for this crane: look it up in its manual"
    if job.slope_deg is not None and slope_limit_deg is None:
        yield "no slope limit is entered for this crane: look it up in its manual"


def _spread(job: LiftJob, found: Matches, index: int) -> str:
    left, right = job.spread_left or "any spread", job.spread_right or "any spread"
    return f"stabilisers: no chart for {left} left and {right} right or less"


def _sector(job: LiftJob, found: Matches, index: int) -> str:
    charted = {sector for bit, sector in enumerate(SECTORS) if int(found.charted_sectors[index]) >> bit & 1}
    needed = {SECTORS[one] for one in span_of(job).sectors}
    if not charted:
        return f"sector: no chart for working {sector_words(needed)}"
    return (
        f"sector: no chart for working {sector_words(needed - charted, ' or ')}, which the job may need; there are"
        f" charts {sector_words(charted)}. Name the sectors of the job, or enter the missing charts"
    )


def _height(job: LiftJob, found: Matches, index: int) -> str:
    span = span_of(job)
    (near, far), (low, high) = span.outreach_m, span.hook_height_m
    heights = f"to {high:.1f} m" if low == high else f"everywhere from {low:.1f} to {high:.1f} m"
    at = f"at {far:.1f} m outreach" if near == far else f"between {near:.1f} and {far:.1f} m outreach"
    return f"height: the hook does not get {heights} above the ground {at}"


def _capacity(job: LiftJob, found: Matches, index: int) -> str:
    capacity, used = found.capacity_kg[index], found.capacity_used_pct[index]
    if capacity <= 0:
        return f"capacity: the chart leaves nothing at {_far_m(job):.1f} m outreach"
    if used <= 100.0:
        return (
            f"planning limit: {job.hook_load_kg:.0f} kg is {used:.1f} % of the rated {capacity:.0f} kg, "
            f"above the {job.planning_limit_pct:.0f} % planned with"
        )
    return (
        f"capacity: {job.hook_load_kg:.0f} kg is more than the rated {capacity:.0f} kg at {_far_m(job):.1f} m"
    )


def _tips(job: LiftJob, found: Matches, index: int) -> str:
    return (
        f"stability: by the estimate the resultant lies {-found.stability_margin_m[index]:.2f} m outside the "
        "supports; check the vehicle's entry"
    )


def _ground(job: LiftJob, found: Matches, index: int) -> str:
    bearing = job.ground_bearing_kpa or math.inf
    # Rounded up: the area that is named must be enough.
    plate = math.ceil(100 * max(found.pad_left_kn[index], found.pad_right_kn[index]) / bearing) / 100
    return (
        f"ground: up to {found.pad_pressure_kpa[index]:.0f} kPa under a pad, and the ground bears "
        f"{bearing:.0f} kPa; {plate:.2f} m2 of stiff plate under each pad would do"
    )


def _far_m(job: LiftJob) -> float:
    return job.outreach_m if job.pick is None else max(job.outreach_m, job.pick.outreach_m)


def _near_m(job: LiftJob) -> float:
    return job.outreach_m if job.pick is None else min(job.outreach_m, job.pick.outreach_m)


_RULED: Final[dict[Ruling, Reason]] = {
    Ruling.NO_CHART: lambda job, found, index: "no load chart in force: enter the crane's charts",
    Ruling.JIB: lambda job, found, index: f"jib: the job has it {job.jib}, and no chart is like that",
    Ruling.SPREAD: _spread,
    Ruling.SECTOR: _sector,
    Ruling.TOO_NEAR: lambda job, found, index: (
        f"reach: {_near_m(job):.1f} m is nearer than its charts begin; stand farther away"
    ),
    Ruling.TOO_FAR: lambda job, found, index: f"reach: {_far_m(job):.1f} m is farther out than its charts go",
    Ruling.HEIGHT: _height,
    Ruling.CAPACITY: _capacity,
    Ruling.TIPS: _tips,
    Ruling.GROUND: _ground,
    Ruling.WIND: lambda job, found, index: (
        f"wind: {job.wind_m_s:g} m/s is above the limit entered for the crane; wait for less wind"
    ),
    Ruling.SLOPE: lambda job, found, index: (
        f"slope: {job.slope_deg:g} deg is above the limit entered for the crane; level the truck or stand elsewhere"
    ),
}
