"""Whether a set-up stands: moments, pad forces, tipping and ground of the configurations that carry a load, and the best that stands."""

from typing import Final, NamedTuple

import numpy as np

from domain.job import LiftJob
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import SECTORS, Floats, Ints
from duty.conditions import Ruling
from duty.fleet import Fleet, boom_moment_kn_m, last_largest
from duty.reactions import PadForces, Supports, worst_over_sectors
from duty.sweep import Span

_LEAST_ARM_M: Final = 0.1  # keeps moments finite where the hook is brought to the pivot itself
STEP_KG: Final = 1e9
"""A step of a ruling beside any capacity [kg], where what comes farthest wins, then what carries most."""


class Figures(NamedTuple):
    """Figures of configurations, or by variant of the best one."""

    capacity_kg: Floats
    utilisation_pct: Floats
    structural_pct: Floats
    pads: PadForces
    pressure_kpa: Floats


def best_standing(
    fleet: Fleet, job: LiftJob, span: Span, ruling: Ints, usable: Floats, ruled: Ints
) -> tuple[Ints, Figures, Ints]:
    """By variant: the best configuration, its figures, and the ruling with tipping and ground looked at.

    The one with the largest capacity is looked at first; where it does not stand, every other that carries the load.
    """
    best = last_largest(fleet, usable)
    figures = _figures(fleet, job, span, best[best >= 0], usable)
    stood = np.array(ruled)
    outcome = _outcome(job, figures.pads, figures.pressure_kpa)
    stood[best >= 0] = np.where(ruled[best >= 0] == Ruling.FIT, outcome, ruled[best >= 0])
    fallen = (ruled == Ruling.FIT) & (stood < Ruling.FIT)
    others = np.flatnonzero((ruling == Ruling.FIT) & fallen[fleet.configuration_variant])
    if others.size:
        points = np.zeros(usable.size)
        points[others] = usable[others] + STEP_KG * standing(fleet, job, span, others)
        second = last_largest(fleet, points)
        best = np.where(fallen, second, best)
        reached = np.floor(points[second] / STEP_KG)
        stood = np.where(fallen, reached.astype(np.intp), stood)
        figures = _figures(fleet, job, span, best[best >= 0], usable)
    return best, _by_variant(best, figures), stood


def standing(fleet: Fleet, job: LiftJob, span: Span, chosen: Ints) -> Ints:
    """TIPS, GROUND or FIT of some configurations, over every sector of the span."""
    return _outcome(
        job, *_pads(fleet, job, span, chosen, boom_moment_kn_m(fleet, span.outreach_m[1])[chosen])
    )


def _outcome(job: LiftJob, pads: PadForces, pressure_kpa: Floats) -> Ints:
    bears = np.inf if job.ground_bearing_kpa is None else job.ground_bearing_kpa
    firm = np.where(pressure_kpa > bears, Ruling.GROUND, Ruling.FIT)
    return np.where(pads.margin < 0, Ruling.TIPS, firm)


def _by_variant(best: Ints, figures: Figures) -> Figures:
    """Figures of the best configurations laid out by variant; NaN without one, capacity 0."""

    def spread(values: Floats, empty: float = np.nan) -> Floats:
        whole = np.full(best.size, empty)
        whole[best >= 0] = values
        return whole

    return Figures(
        spread(figures.capacity_kg, 0.0),
        spread(figures.utilisation_pct),
        spread(figures.structural_pct),
        PadForces(*(spread(part) for part in figures.pads)),
        spread(figures.pressure_kpa),
    )


def _figures(fleet: Fleet, job: LiftJob, span: Span, chosen: Ints, usable: Floats) -> Figures:
    """Moments and pad forces of some configurations, over every sector of the span."""
    far_m = span.outreach_m[1]
    variant = fleet.configuration_variant[chosen]
    capacity = usable[chosen]
    own = boom_moment_kn_m(fleet, far_m)[chosen]
    kn_m_per_kg = (
        STANDARD_GRAVITY_M_S2 / 1000.0 * np.maximum(far_m - fleet.pivot_offset_m[variant], _LEAST_ARM_M)
    )
    moment = own + job.hook_load_kg * kn_m_per_kg
    return Figures(
        capacity,
        100.0 * moment / (own + capacity * kn_m_per_kg),
        100.0 * moment / fleet.rated_moment_kn_m[variant],
        *_pads(fleet, job, span, chosen, own),
    )


def _pads(
    fleet: Fleet, job: LiftJob, span: Span, configurations: Ints, boom_moment: Floats
) -> tuple[PadForces, Floats]:
    """Bounds of the pad forces, and the pressure [kPa] under the more loaded pad or its plate."""
    variants = fleet.configuration_variant[configurations]
    booms_kg = fleet.boom_mass_kg[fleet.configuration_geometry[configurations]]
    load_kg = job.hook_load_kg * job.hoisting_factor
    # The boom moment is about the pivot; the supports see it about the slewing axis.
    about_axis = boom_moment * 1000.0 / STANDARD_GRAVITY_M_S2 + booms_kg * fleet.pivot_offset_m[variants]
    pads = worst_over_sectors(
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
        about_axis + load_kg * span.outreach_m[1],
        tuple(SECTORS[index] for index in span.sectors),
    )
    # A plate takes the place of the pad: a smaller one presses harder.
    area = fleet.pad_area_m2[variants] if job.plate_area_m2 is None else job.plate_area_m2
    return pads, np.maximum(pads.left_kn, pads.right_kn) / area
