"""Which cranes can take a lift, in which configuration, with how much headroom, and why the others cannot.

Everything is read on the safe side: the chart at the next larger outreach, the heaviest boom pose, the worst point
of the sweep, the largest pad force, the worst sector that the job could need, the narrowest spread where none is
given. Every sweep between two points is taken as the whole rectangle of outreach and hook height between them, in
every sector on the way, so that whatever path the operator takes is covered.

    capacity used = 100 * (load + rigging) / rated capacity, compared with the planning limit
    headroom      = planning limit - capacity used, and the mass that brings it to 0
    structural    = 100 * (boom moment + load moment) / full structural rating, for the life it costs
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.crane import Sector
from domain.job import JibRule, LiftJob
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import SECTORS, SPREAD_RANK, Flags, Floats, Ints, Reading, read_table
from duty.fleet import (
    Fleet,
    any_by_variant,
    boom_moment_kn_m,
    hook_heights_m,
    largest_by_variant,
    last_largest,
)
from duty.reactions import PadForces, Supports, worst_over_sectors
from duty.sweep import Span, if_named, span_of

_LEAST_ARM_M: Final = 0.1  # keeps moments finite where the hook is brought to the pivot itself
BELOW_TIP_M: Final = 0.5
"""How far a hook hangs below the boom tip, so that it may stand as much lower than the booms reach: own choice."""


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
    WIND = 10
    SLOPE = 11
    FIT = 12


class Remedy(IntEnum):
    """A condition that alone keeps a crane out: opened, the crane would fit."""

    SPREAD = 0
    SECTOR = 1
    JIB = 2


@dataclass(frozen=True, kw_only=True)
class Matches:
    """The answer for every crane of a fleet; arrays by crane."""

    fit: Flags
    ruling: Ints  # Ruling
    configuration: Ints  # the best one, -1 where none covers the lift
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
    capacity_if_named_kg: (
        Floats  # the same lift, had the question named sectors and way as the crane likes it best
    )
    fit_if_named: Flags
    charted_sectors: Ints  # bit i: a chart of the best covered set-up holds in SECTORS[i]
    remedies: Flags  # (crane, Remedy)


class _Tried(NamedTuple):
    """Outcome by configuration, or by sector and configuration, before jib and spread are looked at."""

    ruling: Ints  # SECTOR .. CAPACITY, or FIT
    capacity_kg: Floats

    def over(self, reduce: Callable[[NDArray[Any]], NDArray[Any]]) -> "_Tried":
        """Both, reduced in one way."""
        return _Tried(reduce(self.ruling), reduce(self.capacity_kg))


def match(fleet: Fleet, job: LiftJob) -> Matches:
    """Match one lift against every crane. Adding a crane changes no other crane's answer.

    Every configuration that the job allows is tried through all conditions; of those that come farthest the one with
    the largest capacity is answered, among equals the widest spread, without jib. Raises InvalidInput as `span_of`.
    """
    span = span_of(job)
    reading = read_table(fleet.table, span.outreach_m, span.hook_height_m)
    by_sector = _try(fleet, job, span, reading)
    tried = by_sector.over(lambda part: part[list(span.sectors)].min(axis=0))
    anywhere = by_sector.over(lambda part: part.max(axis=0))
    named = by_sector.over(
        lambda part: np.max([part[list(one)].min(axis=0) for one in if_named(job)], axis=0)
    )
    jib = _jib_as_wanted(fleet, job)
    room = _room(fleet, job, jib, tried)
    ruling = np.where(jib, np.where(room, tried.ruling, Ruling.SPREAD), Ruling.JIB)
    usable = np.where(jib & room, tried.capacity_kg, 0.0)
    ruled = largest_by_variant(fleet, ruling, empty=Ruling.NO_CHART)
    best, found, ruled = _standing_set_up(fleet, job, span, ruling, usable, ruled)
    remedies = _remedies(fleet, jib, room, tried, anywhere) & (ruled < Ruling.TIPS)[:, None]
    crane = fleet.crane_variant
    capacity = found.capacity_kg
    with np.errstate(divide="ignore"):
        used_pct = 100.0 * job.hook_load_kg / capacity
    ruling_by_crane = _weathered(fleet, job, ruled[crane])
    return Matches(
        fit=ruling_by_crane == Ruling.FIT,
        ruling=ruling_by_crane,
        configuration=best[crane],
        capacity_kg=capacity[crane],
        capacity_used_pct=used_pct[crane],
        headroom_pct=(job.planning_limit_pct - used_pct)[crane],
        headroom_kg=(capacity * job.planning_limit_pct / 100.0 - job.hook_load_kg)[crane],
        expected_utilisation_pct=found.utilisation_pct[crane],
        structural_pct=found.structural_pct[crane],
        pad_left_kn=found.pads.left_kn[crane],
        pad_right_kn=found.pads.right_kn[crane],
        pad_pressure_kpa=found.pressure_kpa[crane],
        stability_margin_m=found.pads.margin[crane],
        capacity_any_spread_kg=largest_by_variant(fleet, np.where(jib, tried.capacity_kg, 0.0))[crane],
        capacity_any_sector_kg=largest_by_variant(fleet, np.where(jib & room, anywhere.capacity_kg, 0.0))[
            crane
        ],
        capacity_if_named_kg=largest_by_variant(fleet, np.where(jib & room, named.capacity_kg, 0.0))[crane],
        fit_if_named=any_by_variant(fleet, jib & room & (named.ruling == Ruling.FIT))[crane],
        charted_sectors=_charted(fleet, span, jib & room)[crane],
        remedies=remedies[crane],
    )


def worst(found: Sequence[Matches], holds: Sequence[Flags]) -> tuple[Matches, Ints]:
    """The worst of several answers for each crane, and which one it is; `holds` tells for which cranes each counts.

    Worst is the one that comes less far, among equals the one with the smaller capacity. At least one has to hold.
    """
    never = np.iinfo(np.intp).max
    ruling = np.stack([np.where(flags, one.ruling, never) for one, flags in zip(found, holds, strict=True)])
    capacity = np.stack([one.capacity_kg for one in found])
    least = np.where(ruling == ruling.min(axis=0), capacity, np.inf)
    which = np.asarray(least.argmin(axis=0), np.intp)
    if len(found) == 1:
        return found[0], which
    cranes = np.arange(which.size)
    chosen = {
        field.name: np.stack([getattr(one, field.name) for one in found])[which, cranes]
        for field in fields(Matches)
    }
    return Matches(**chosen), which


def _weathered(fleet: Fleet, job: LiftJob, ruling: Ints) -> Ints:
    """Rulings by crane, with wind and slope as entered against the limits entered. What is not entered decides nothing."""
    for given, limits, ruled in (
        (job.slope_deg, fleet.slope_limit_deg, Ruling.SLOPE),
        (job.wind_m_s, fleet.wind_limit_m_s, Ruling.WIND),
    ):
        if given is not None:
            ruling = np.where((ruling >= Ruling.WIND) & (given > limits), ruled, ruling)
    return ruling


def _remedies(fleet: Fleet, jib: Flags, room: Flags, tried: _Tried, anywhere: _Tried) -> Flags:
    """(variant, Remedy): whether some configuration fits with that one condition opened."""
    fits, fits_anywhere = tried.ruling == Ruling.FIT, anywhere.ruling == Ruling.FIT
    opened = (jib & fits, jib & room & fits_anywhere, room & fits)
    return np.stack([any_by_variant(fleet, one) for one in opened], axis=1)


def _jib_as_wanted(fleet: Fleet, job: LiftJob) -> Flags:
    """By configuration: whether the jib is as the job wants it."""
    fitted = fleet.table.jib_fitted[fleet.configuration_first_chart]
    if job.jib is JibRule.ANY:
        return np.ones(fitted.size, np.bool_)
    return np.asarray(fitted == (job.jib is JibRule.NEEDED), np.bool_)


def _room(fleet: Fleet, job: LiftJob, jib: Flags, tried: _Tried) -> Flags:
    """By configuration: whether the stabilisers find room. A side that is not given has the narrowest charted spread.

    Where neither is given and several spreads are narrowest, each on another side, the one that carries least holds.
    """
    first, widest = fleet.configuration_first_chart, max(SPREAD_RANK.values())
    left, right = fleet.table.spread_left[first], fleet.table.spread_right[first]
    room = np.ones(first.size, np.bool_)
    if job.spread_left is None and job.spread_right is None:
        return _worst_narrowest(fleet, jib, tried, left, right) if first.size else room
    for given, ranks in ((job.spread_left, left), (job.spread_right, right)):
        if given is not None:
            room &= ranks <= SPREAD_RANK[given]
    for given, ranks in ((job.spread_left, left), (job.spread_right, right)):
        if given is None:
            least = -largest_by_variant(fleet, np.where(room & jib, -ranks, -widest), empty=-widest)
            room &= ranks <= least[fleet.configuration_variant]
    return room


def _worst_narrowest(fleet: Fleet, jib: Flags, tried: _Tried, left: Ints, right: Ints) -> Flags:
    """By configuration: whether its spread is the narrowest of its variant, of several the one that carries least."""
    variant = fleet.configuration_variant
    starts = np.flatnonzero(
        (np.diff(variant, prepend=-1) != 0) | (np.diff(3 * left + right, prepend=-1) != 0)
    )
    group = np.repeat(np.arange(starts.size), np.diff(np.append(starts, left.size)))
    carries = np.maximum.reduceat(np.where(jib, tried.capacity_kg, 0.0), starts)[group]
    # Turned round, so that the least is the largest.
    worst = last_largest(fleet, np.where(_narrowest(fleet, jib, left, right), 1.0 / (1.0 + carries), 0.0))
    chosen = np.where(worst >= 0, group[worst], -1)[variant]
    return np.asarray(group == chosen, np.bool_)


def _narrowest(fleet: Fleet, jib: Flags, left: Ints, right: Ints) -> Flags:
    """By configuration: whether no other of its variant is narrower on one side and no wider on the other."""
    variant, ranks = fleet.configuration_variant, len(SPREAD_RANK)
    has = np.zeros((len(fleet.types), ranks, ranks), np.bool_)
    has[variant[jib], left[jib], right[jib]] = True
    up_to = has.copy()
    for rank in range(1, ranks):
        up_to[:, rank] |= up_to[:, rank - 1]
    for rank in range(1, ranks):
        up_to[:, :, rank] |= up_to[:, :, rank - 1]
    narrower = np.zeros_like(has)
    narrower[:, 1:, :] |= up_to[:, :-1, :]
    narrower[:, :, 1:] |= up_to[:, :, :-1]
    return np.asarray(jib & ~narrower[variant, left, right], np.bool_)


def _try(fleet: Fleet, job: LiftJob, span: Span, reading: Reading) -> _Tried:
    """Sector, reach, height and capacity, by sector and configuration."""
    first = fleet.configuration_first_chart
    shape = (len(SECTORS), first.size)
    if not first.size:
        return _Tried(np.zeros(shape, np.intp), np.zeros(shape))
    table = fleet.table
    by_chart = np.full(table.chart_variant.size, int(Ruling.CAPACITY))
    by_chart[reading.height_outside] = Ruling.HEIGHT
    by_chart[reading.too_far] = Ruling.TOO_FAR
    by_chart[reading.too_near] = Ruling.TOO_NEAR
    ruling, capacity = np.empty(shape, np.intp), np.empty(shape)
    for index in range(len(SECTORS)):
        holds = (table.sectors >> index) & 1 == 1
        worst = np.minimum.reduceat(np.where(holds, by_chart, Ruling.FIT), first)
        ruling[index] = np.where(worst == Ruling.FIT, Ruling.SECTOR, worst)
        capacity[index] = np.minimum.reduceat(np.where(holds, reading.capacity_kg, np.inf), first)
    by_height = np.isfinite(table.height_low_m[first])
    lowest, highest = hook_heights_m(fleet, span.outreach_m)
    low, high = span.hook_height_m
    out_of_reach = ~by_height & ((highest < high) | (lowest - BELOW_TIP_M > low))
    ruling[(ruling == Ruling.CAPACITY) & out_of_reach] = Ruling.HEIGHT
    jib_rated = np.where(table.jib_fitted[first], fleet.jib_rated_kg[fleet.configuration_variant], np.inf)
    capacity = np.where(ruling == Ruling.CAPACITY, np.minimum(capacity, jib_rated), 0.0)
    # A capacity of 0 in a chart is a hole: nothing may hang there, however light.
    enough = (job.hook_load_kg <= capacity * job.planning_limit_pct / 100.0) & (capacity > 0)
    return _Tried(np.where(enough, Ruling.FIT, ruling), capacity)


def _charted(fleet: Fleet, span: Span, allowed: Flags) -> Ints:
    """By variant, as bits: sectors in which the allowed set-up that covers most of the span's sectors has a chart."""
    first = fleet.configuration_first_chart
    if not first.size:
        return np.zeros(len(fleet.types), np.intp)
    bits = np.where(allowed, np.bitwise_or.reduceat(fleet.table.sectors, first), 0)
    needed = sum(1 << index for index in span.sectors)
    covered = sum((bits & needed) >> index & 1 for index in range(len(SECTORS)))
    best = last_largest(fleet, np.asarray(covered, float))
    return np.where(best >= 0, bits[best], 0)


class _Figures(NamedTuple):
    """Figures of configurations, or by variant of the best one."""

    capacity_kg: Floats
    utilisation_pct: Floats
    structural_pct: Floats
    pads: PadForces
    pressure_kpa: Floats


def _standing_set_up(
    fleet: Fleet, job: LiftJob, span: Span, ruling: Ints, usable: Floats, ruled: Ints
) -> tuple[Ints, _Figures, Ints]:
    """By variant: the best configuration, its figures, and the ruling with tipping and ground looked at.

    The one with the largest capacity is looked at first; where it does not stand, every other that carries the load.
    """
    best = last_largest(fleet, usable)
    figures = _figures(fleet, job, span, best[best >= 0], usable)
    stood = np.array(ruled)
    stood[best >= 0] = np.where(ruled[best >= 0] == Ruling.FIT, _stands(job, figures), ruled[best >= 0])
    fallen = (ruled == Ruling.FIT) & (stood < Ruling.FIT)
    others = np.flatnonzero((ruling == Ruling.FIT) & fallen[fleet.configuration_variant])
    if others.size:
        points = np.zeros(usable.size)
        outcome = _stands(job, _figures(fleet, job, span, others, usable))
        # Capacity, and far above it the step of the ruling: what comes farthest wins, then what carries most.
        points[others] = usable[others] + 1e9 * outcome
        second = last_largest(fleet, points)
        best = np.where(fallen, second, best)
        reached = np.floor(points[second] / 1e9)
        stood = np.where(fallen, reached.astype(np.intp), stood)
        figures = _figures(fleet, job, span, best[best >= 0], usable)
    return best, _by_variant(best, figures), stood


def _stands(job: LiftJob, figures: _Figures) -> Ints:
    """TIPS, GROUND or FIT by configuration."""
    bears = np.inf if job.ground_bearing_kpa is None else job.ground_bearing_kpa
    firm = np.where(figures.pressure_kpa > bears, Ruling.GROUND, Ruling.FIT)
    return np.where(figures.pads.margin < 0, Ruling.TIPS, firm)


def _by_variant(best: Ints, figures: _Figures) -> _Figures:
    """Figures of the best configurations laid out by variant; NaN without one, capacity 0."""

    def spread(values: Floats, empty: float = np.nan) -> Floats:
        whole = np.full(best.size, empty)
        whole[best >= 0] = values
        return whole

    return _Figures(
        spread(figures.capacity_kg, 0.0),
        spread(figures.utilisation_pct),
        spread(figures.structural_pct),
        PadForces(*(spread(part) for part in figures.pads)),
        spread(figures.pressure_kpa),
    )


def _figures(fleet: Fleet, job: LiftJob, span: Span, chosen: Ints, usable: Floats) -> _Figures:
    """Moments and pad forces of some configurations, over every sector of the span."""
    far_m = span.outreach_m[1]
    variant = fleet.configuration_variant[chosen]
    capacity = usable[chosen]
    own = boom_moment_kn_m(fleet, far_m)[chosen]
    kn_m_per_kg = (
        STANDARD_GRAVITY_M_S2 / 1000.0 * np.maximum(far_m - fleet.pivot_offset_m[variant], _LEAST_ARM_M)
    )
    moment = own + job.hook_load_kg * kn_m_per_kg
    pads = _pads(fleet, job, far_m, variant, chosen, own, tuple(SECTORS[index] for index in span.sectors))
    # A plate takes the place of the pad: a smaller one presses harder.
    area = fleet.pad_area_m2[variant] if job.plate_area_m2 is None else job.plate_area_m2
    return _Figures(
        capacity,
        100.0 * moment / (own + capacity * kn_m_per_kg),
        100.0 * moment / fleet.rated_moment_kn_m[variant],
        pads,
        np.maximum(pads.left_kn, pads.right_kn) / area,
    )


def _pads(
    fleet: Fleet,
    job: LiftJob,
    far_m: float,
    variants: Ints,
    configurations: Ints,
    boom_moment: Floats,
    sectors: tuple[Sector, ...],
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
        sectors,
    )
