"""Which cranes can take a lift, in which configuration, with how much headroom, and why the others cannot.

Everything is read on the safe side: the chart at the next larger outreach, the heaviest boom pose, the worst point
of the sweep, the largest pad force. Every sweep between two points is taken as the whole rectangle of outreach and
hook height between them, in every sector on the way, so that whatever path the operator takes is covered.

    capacity used = 100 * (load + rigging) / rated capacity, compared with the planning limit
    headroom      = planning limit - capacity used, and the mass that brings it to 0
    structural    = 100 * (boom moment + load moment) / full structural rating, for the life it costs
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final, NamedTuple

import numpy as np

from domain.errors import InvalidInput
from domain.job import JibRule, LiftJob
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import ALL_ROUND, SECTORS, SPREAD_RANK, Flags, Floats, Ints, Reading, read_table
from duty.fleet import (
    Fleet,
    any_by_variant,
    boom_moment_kn_m,
    highest_hook_m,
    largest_by_variant,
    last_largest,
)
from duty.reactions import PadForces, Supports, worst_over_sectors

_LEAST_ARM_M: Final = 0.1  # keeps moments finite where the hook is brought to the pivot itself


class Ruling(IntEnum):
    """How far a crane comes through the conditions, tried in this order; only FIT passes them all."""

    NO_CHART = 0
    JIB = 1
    SPREAD = 2
    SECTOR = 3
    TOO_NEAR = 4
    TOO_FAR = 5
    HEIGHT = 6
    CAPACITY = 7
    TIPS = 8
    GROUND = 9
    FIT = 10


class Remedy(IntEnum):
    """A condition that alone keeps a crane out: opened, the crane would fit."""

    SPREAD = 0
    SECTOR = 1
    JIB = 2


class Span(NamedTuple):
    """The rectangle of hook positions that a lift passes, and the sectors it may or must use."""

    outreach_m: tuple[float, float]
    hook_height_m: tuple[float, float]
    sectors: tuple[int, ...]  # indices into SECTORS
    every_sector: bool  # True where all of them are passed, False where one may be chosen


@dataclass(frozen=True, kw_only=True)
class Matches:
    """The answer for every crane of a fleet; arrays by crane."""

    fit: Flags
    ruling: Ints  # Ruling
    configuration: Ints  # the best one, -1 where none covers the lift
    sector: Ints  # index into SECTORS of the chart read, ALL_ROUND where several had to hold
    capacity_kg: Floats  # rated capacity there; 0 where none covers the lift
    capacity_used_pct: Floats  # hook load over rated capacity; inf likewise
    headroom_pct: Floats  # planning limit less capacity_used_pct
    headroom_kg: Floats  # mass that could be added up to the planning limit
    expected_utilisation_pct: Floats  # what the operator would see, with the booms; NaN where none covers
    structural_pct: Floats  # moment over the full structural rating; NaN likewise
    pad_left_kn: Floats  # upper bound, NaN likewise
    pad_right_kn: Floats
    pad_pressure_kpa: Floats  # under the more loaded pad or its plate
    stability_margin_m: Floats
    capacity_any_spread_kg: Floats  # the same lift with every stabiliser spread allowed
    capacity_any_sector_kg: Floats  # the same lift in the best sector of all
    remedies: Flags  # (crane, Remedy)


class _Tried(NamedTuple):
    """Outcome by configuration, before jib and spread are looked at."""

    ruling: Ints  # SECTOR .. CAPACITY, or FIT
    capacity_kg: Floats
    sector: Ints


def span_of(job: LiftJob) -> Span:
    """What has to be covered for a job. Raises InvalidInput where the way between two sectors is not allowed.

    With two points all allowed sectors count as passed unless both points name theirs. A way from side to side is
    taken to stay on one side.
    """
    positions = [job.place] if job.pick is None else [job.pick, job.place]
    outreaches = [position.outreach_m for position in positions]
    heights = [position.hook_height_m for position in positions]
    if job.obstacle_height_m is not None:
        heights.append(job.obstacle_height_m + job.clearance_m + job.below_hook_m)
    named = [SECTORS.index(position.sector) for position in positions if position.sector is not None]
    sectors = tuple(index for index, sector in enumerate(SECTORS) if sector in job.sectors)
    if len(named) == len(positions):
        way = tuple(range(min(named), max(named) + 1))
        if not set(way) <= set(sectors):
            raise InvalidInput(
                "the way from pick to place leads over the side, which is not among the sectors allowed:"
                " allow it, or choose both points in one sector",
                field="sectors",
            )
        sectors = way
    return Span(
        outreach_m=(min(outreaches), max(outreaches)),
        hook_height_m=(min(heights), max(heights)),
        sectors=sectors,
        every_sector=job.pick is not None,
    )


def match(fleet: Fleet, job: LiftJob) -> Matches:
    """Match one lift against every crane. Adding a crane changes no other crane's answer.

    The best configuration is the one with the largest capacity; among equals the widest spread, without jib.
    Raises InvalidInput as `span_of` does.
    """
    span = span_of(job)
    reading = read_table(fleet.table, span.outreach_m, span.hook_height_m)
    tried = _try(fleet, job, span, reading)
    anywhere = _try(fleet, job, span._replace(sectors=(0, 1, 2), every_sector=False), reading)
    jib, spread = _setups(fleet, job)
    ruling = np.where(jib, np.where(spread, tried.ruling, Ruling.SPREAD), Ruling.JIB)
    usable = np.where(jib & spread, tried.capacity_kg, 0.0)
    best = last_largest(fleet, usable)
    far = span.outreach_m[1]
    by_variant = _at_best(fleet, job, far, span, best, tried)
    ruled = largest_by_variant(fleet, ruling, empty=Ruling.NO_CHART)
    ruled = np.where((ruled == Ruling.FIT) & (by_variant.pads.margin < 0), Ruling.TIPS, ruled)
    if job.ground_bearing_kpa is not None:
        pressed = by_variant.pressure_kpa > job.ground_bearing_kpa
        ruled = np.where((ruled == Ruling.FIT) & pressed, Ruling.GROUND, ruled)
    remedies = _remedies(fleet, jib, spread, tried, anywhere) & (ruled < Ruling.TIPS)[:, None]
    crane = fleet.crane_variant
    capacity = by_variant.capacity_kg
    with np.errstate(divide="ignore"):
        used_pct = 100.0 * job.hook_load_kg / capacity
    return Matches(
        fit=(ruled == Ruling.FIT)[crane],
        ruling=ruled[crane],
        configuration=best[crane],
        sector=by_variant.sector[crane],
        capacity_kg=capacity[crane],
        capacity_used_pct=used_pct[crane],
        headroom_pct=(job.planning_limit_pct - used_pct)[crane],
        headroom_kg=(capacity * job.planning_limit_pct / 100.0 - job.hook_load_kg)[crane],
        expected_utilisation_pct=by_variant.utilisation_pct[crane],
        structural_pct=by_variant.structural_pct[crane],
        pad_left_kn=by_variant.pads.left_kn[crane],
        pad_right_kn=by_variant.pads.right_kn[crane],
        pad_pressure_kpa=by_variant.pressure_kpa[crane],
        stability_margin_m=by_variant.pads.margin[crane],
        capacity_any_spread_kg=largest_by_variant(fleet, np.where(jib, tried.capacity_kg, 0.0))[crane],
        capacity_any_sector_kg=largest_by_variant(fleet, np.where(jib & spread, anywhere.capacity_kg, 0.0))[
            crane
        ],
        remedies=remedies[crane],
    )


def _remedies(fleet: Fleet, jib: Flags, spread: Flags, tried: _Tried, anywhere: _Tried) -> Flags:
    """(variant, Remedy): whether some configuration fits with that one condition opened."""
    fits, fits_anywhere = tried.ruling == Ruling.FIT, anywhere.ruling == Ruling.FIT
    opened = (jib & fits, jib & spread & fits_anywhere, spread & fits)
    return np.stack([any_by_variant(fleet, one) for one in opened], axis=1)


def _setups(fleet: Fleet, job: LiftJob) -> tuple[Flags, Flags]:
    """By configuration: whether the jib is as the job wants it, and whether the stabilisers find room."""
    first = fleet.configuration_first_chart
    table = fleet.table
    fitted = table.jib_fitted[first]
    jib = np.ones(first.size, np.bool_)
    if job.jib is not JibRule.ANY:
        jib = fitted == (job.jib is JibRule.NEEDED)
    spread = (table.spread_left[first] <= SPREAD_RANK[job.spread_left]) & (
        table.spread_right[first] <= SPREAD_RANK[job.spread_right]
    )
    return jib, spread


def _try(fleet: Fleet, job: LiftJob, span: Span, reading: Reading) -> _Tried:
    """Sector, reach, height and capacity, by configuration."""
    first = fleet.configuration_first_chart
    if not first.size:
        return _Tried(np.zeros(0, np.intp), np.zeros(0), np.zeros(0, np.intp))
    table = fleet.table
    by_chart = np.full(table.chart_variant.size, int(Ruling.CAPACITY))
    by_chart[reading.height_outside] = Ruling.HEIGHT
    by_chart[reading.too_far] = Ruling.TOO_FAR
    by_chart[reading.too_near] = Ruling.TOO_NEAR
    rulings, capacities = [], []
    for index in span.sectors:
        holds = (table.sector == index) | (table.sector == ALL_ROUND)
        worst = np.minimum.reduceat(np.where(holds, by_chart, Ruling.FIT), first)
        rulings.append(np.where(worst == Ruling.FIT, Ruling.SECTOR, worst))
        least = np.minimum.reduceat(np.where(holds, reading.capacity_kg, np.inf), first)
        capacities.append(np.where(np.isfinite(least), least, 0.0))
    ruling, capacity = np.stack(rulings), np.stack(capacities)
    if span.every_sector:
        sector = np.full(first.size, _only(span), np.intp)
        ruling, capacity = ruling.min(axis=0), capacity.min(axis=0)
    else:
        chosen = np.array(span.sectors, np.intp)[capacity.argmax(axis=0)]
        sector = np.where(capacity.min(axis=0) == capacity.max(axis=0), _only(span), chosen)
        ruling, capacity = ruling.max(axis=0), capacity.max(axis=0)
    by_height = np.isfinite(table.height_low_m[first])
    # The top of the envelope rises and falls with outreach, so over a span it is lowest at one of its ends.
    near, far = (highest_hook_m(fleet, outreach_m) for outreach_m in span.outreach_m)
    too_low = ~by_height & (np.minimum(near, far) < span.hook_height_m[1])
    ruling = np.where(too_low & (ruling == Ruling.CAPACITY), Ruling.HEIGHT, ruling)
    jib_rated = fleet.jib_rated_kg[fleet.configuration_variant]
    capacity = np.where(table.jib_fitted[first], np.minimum(capacity, jib_rated), capacity)
    capacity = np.where(ruling == Ruling.CAPACITY, capacity, 0.0)
    enough = job.hook_load_kg <= capacity * job.planning_limit_pct / 100.0
    return _Tried(np.where(enough, Ruling.FIT, ruling), capacity, sector)


def _only(span: Span) -> int:
    """The sector where the job leaves one, else ALL_ROUND: then no sector is better, and all of them count."""
    return span.sectors[0] if len(span.sectors) == 1 else ALL_ROUND


class _Best(NamedTuple):
    """The best configuration's figures, by variant."""

    capacity_kg: Floats
    sector: Ints
    utilisation_pct: Floats
    structural_pct: Floats
    pads: PadForces
    pressure_kpa: Floats


def _at_best(fleet: Fleet, job: LiftJob, far_m: float, span: Span, best: Ints, tried: _Tried) -> _Best:
    """Capacity, moments and pad forces of each variant in its best configuration."""
    count = len(fleet.types)
    has = best >= 0
    chosen = best[has]
    capacity, sector = np.zeros(count), np.full(count, ALL_ROUND, np.intp)
    capacity[has], sector[has] = tried.capacity_kg[chosen], tried.sector[chosen]
    own = boom_moment_kn_m(fleet, far_m)[chosen]
    kn_m_per_kg = STANDARD_GRAVITY_M_S2 / 1000.0 * np.maximum(far_m - fleet.pivot_offset_m[has], _LEAST_ARM_M)
    moment = own + job.hook_load_kg * kn_m_per_kg
    utilisation, structural = np.full(count, np.nan), np.full(count, np.nan)
    utilisation[has] = 100.0 * moment / (own + capacity[has] * kn_m_per_kg)
    structural[has] = 100.0 * moment / fleet.rated_moment_kn_m[has]
    pads = PadForces(*(np.full(count, np.nan) for _ in range(3)))
    groups: list[tuple[Flags, tuple[int, ...]]] = [(sector[has] == ALL_ROUND, span.sectors)]
    groups += [(sector[has] == index, (index,)) for index in range(len(SECTORS))]
    for members, sectors in groups:
        where = np.flatnonzero(has)[members]
        if where.size:
            found = _pads(fleet, job, far_m, where, chosen[members], own[members], sectors)
            for whole, part in zip(pads, found, strict=True):
                whole[where] = part
    area = np.maximum(fleet.pad_area_m2, job.plate_area_m2 or 0.0)
    pressure = np.maximum(pads.left_kn, pads.right_kn) / area
    return _Best(capacity, sector, utilisation, structural, pads, pressure)


def _pads(
    fleet: Fleet,
    job: LiftJob,
    far_m: float,
    variants: Ints,
    configurations: Ints,
    boom_moment: Floats,
    sectors: tuple[int, ...],
) -> PadForces:
    booms_kg = fleet.boom_mass_kg[fleet.configuration_geometry[configurations]]
    load_kg = job.hook_load_kg * job.hoisting_factor
    # The boom moment is about the pivot; the supports see it about the slewing axis.
    about_axis = boom_moment * 1000.0 / STANDARD_GRAVITY_M_S2 + booms_kg * fleet.pivot_offset_m[variants]
    return worst_over_sectors(
        Supports(
            fleet.pad_left_m[configurations],
            fleet.pad_right_m[configurations],
            fleet.half_track_m[variants],
            fleet.rear_x_m[variants],
            fleet.front_x_m[variants],
        ),
        fleet.vehicle_kg[variants],
        fleet.vehicle_x_m[variants],
        booms_kg + load_kg,
        about_axis + load_kg * far_m,
        tuple(SECTORS[index] for index in sectors),
    )
