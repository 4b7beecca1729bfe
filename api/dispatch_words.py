"""Why a crane is ruled out, what would change that, and what to know about one that fits, in words."""

import math
from collections.abc import Iterator
from typing import Final

from domain.crane import Sector, Spread
from domain.job import LiftJob
from duty.capacity import SPREAD_RANK
from duty.dispatch import Matches, Remedy, Ruling

ASSUMPTIONS: Final[tuple[str, ...]] = (
    "Rated capacity is that of the chart at the next larger outreach; outside the chart there is none.",
    "Load and rigging together are held against the rated capacity; the hook block counts as rigging unless the "
    "chart has deducted it.",
    "Between two points the whole rectangle of outreach and hook height is checked, in every sector on the way; "
    "a way from side to side is taken to stay on one side.",
    "Pad forces, ground pressure, stability margin, expected utilisation and structural percent are estimates from "
    "the geometry entered: level, rigid ground, static load times the hoisting factor, no wind.",
    "A plate under a pad is taken as stiff: it spreads the force evenly over its whole area.",
)

_SPREADS: Final = tuple(sorted(Spread, key=lambda spread: SPREAD_RANK[spread]))
_SECTOR_WORDS: Final = {
    Sector.OVER_CAB: "over the cab",
    Sector.SIDE: "over the side",
    Sector.REAR: "over the rear",
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


def _spread(job: LiftJob, found: Matches, index: int) -> str:
    return f"stabilisers: no chart for {job.spread_left} left and {job.spread_right} right or less"


def _sector(job: LiftJob, found: Matches, index: int) -> str:
    names = " and ".join(_SECTOR_WORDS[sector] for sector in Sector if sector in job.sectors)
    return f"sector: no chart for working {names}"


def _height(job: LiftJob, found: Matches, index: int) -> str:
    height = job.hook_height_m
    if job.obstacle_height_m is not None:
        height = max(height, job.obstacle_height_m + job.clearance_m + job.below_hook_m)
    return f"height: the hook does not come up to {height:.1f} m at {_far_m(job):.1f} m outreach"


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


_RULED: Final = {
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
}
