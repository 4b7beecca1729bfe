"""The largest force that a stabiliser pad can get, and whether the loaded truck stands: a bound, not a mean.

Model: a rigid body on level, rigid ground stands on six supports, a pad left and right at the slewing axis and a
wheel left and right at the rear and the front (half track as wide as the run-in stabilisers). Supports push and do
not pull. How the weight spreads over six supports depends on springs and preload that nobody states, so the largest
pad force over every possible spread is taken. By linear programming duality it is the least, over the lines through
two supports that have all supports on one side, of the lever rule

    force = weight * (distance of the resultant from the line) / (distance of the pad from the line)

The lines that can bind are the rear axle, the front axle, and the two from the other pad to the wheels on its side.
Where the resultant lies outside the polygon of supports nothing balances: it tips.

An estimate for planning. Slope, soft ground, wind on the load, twist of the chassis and dynamics beyond the hoisting
factor are left out.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.crane import Sector
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import Floats

_LEAST_ARM_M: Final = 1e-6  # keeps the levers finite for an axle at the slewing axis
_STEP_DEG: Final = 15.0

SECTOR_ARCS_DEG: Final[dict[Sector, tuple[tuple[float, float], ...]]] = {
    Sector.OVER_CAB: ((-45.0, 45.0),),
    Sector.RIGHT: ((45.0, 135.0),),
    Sector.REAR: ((135.0, 225.0),),
    Sector.LEFT: ((-135.0, -45.0),),
    Sector.SIDE: ((45.0, 135.0), (-135.0, -45.0)),
}
"""Slewing angles of each sector [deg]; the bounds at 45 and 135 are this project's convention."""


class Supports(NamedTuple):
    """Where the truck stands; arrays of one shape. x towards the cab from the slewing axis, all [m]."""

    pad_left_m: ArrayLike  # slewing axis to left pad
    pad_right_m: ArrayLike
    half_track_m: ArrayLike
    rear_x_m: ArrayLike  # negative
    front_x_m: ArrayLike  # positive


class PadForces(NamedTuple):
    """Upper bounds of the pad forces [kN], and a lower bound of the stability margin [m]."""

    left_kn: Floats
    right_kn: Floats
    margin: Floats
    """Distance of the resultant from the nearest tipping line; negative where it tips, and then no force holds."""


class _Levers(NamedTuple):
    """The lever rule about each binding line as force = weight + by_x * moment_x + by_y * moment_y, coefficients."""

    weight: Floats  # (line, ...)
    by_x: Floats
    by_y: Floats
    to_margin: Floats  # force over weight to the distance of the resultant from the line [m]


_LEFT_LINES: Final = slice(0, 4)  # the two of the left pad, then the axles
_RIGHT_LINES: Final = slice(2, 6)  # the axles, then the two of the right pad


def plate_area_m2(force_kn: float, bearing_kpa: float) -> float:
    """Area [m2] of a stiff plate that brings a pad's force [kN] down to what the ground bears [kPa, above 0]."""
    return force_kn / bearing_kpa


def worst_over_sectors(
    supports: Supports,
    vehicle_kg: ArrayLike,
    vehicle_x_m: ArrayLike,
    hanging_kg: ArrayLike,
    hanging_moment_kg_m: ArrayLike,
    sectors: tuple[Sector, ...],
) -> PadForces:
    """Bounds of the pad forces and of the margin over every slewing angle of some sectors; arrays of one shape.

    `hanging_kg` is booms and load, `hanging_moment_kg_m` their mass times distance from the slewing axis in the
    direction of the boom; the vehicle's centre of mass lies on its centre line.

    Between two angles a step apart the resultant lies in the triangle of the slewing axis and the two points that
    are 1 / cos(step / 2) farther out, and a lever rule is greatest at a corner. So nothing between the angles tried
    is missed, at the price of a bound that is a little high.
    """
    levers = _levers(supports)
    own, carried = np.asarray(vehicle_kg, float), np.asarray(hanging_kg, float)
    mass = own + carried
    still = levers.weight * mass + levers.by_x * own * vehicle_x_m
    outer = np.asarray(hanging_moment_kg_m, float) / np.cos(np.radians(_STEP_DEG / 2))
    left, right, least = [], [], still
    for low, high in (arc for sector in sectors for arc in SECTOR_ARCS_DEG[sector]):
        angles = np.radians(np.arange(low, high + _STEP_DEG / 2, _STEP_DEG))
        corners = [still + outer * (levers.by_x * np.cos(a) + levers.by_y * np.sin(a)) for a in angles]
        for start, end in zip(corners, corners[1:], strict=False):
            one = _largest(np.maximum(np.maximum(start, end), still))
            left.append(one[0])
            right.append(one[1])
        least = np.minimum(least, np.min(corners, axis=0))
    return PadForces(np.max(left, axis=0), np.max(right, axis=0), _margin(levers, least, mass))


def _levers(supports: Supports) -> _Levers:
    left, right, track, rear, front = (np.asarray(part, float) for part in supports)
    rear, front = np.minimum(rear, -_LEAST_ARM_M), np.maximum(front, _LEAST_ARM_M)
    one, none = np.ones_like(left), np.zeros_like(left)
    width = left + right

    def slanted(other: Floats, side: float, axle: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """About the line from the other pad to the wheel on its side."""
        along = np.hypot(axle, other - track) / np.abs(axle)
        return other / width, -(other - track) / axle / width, side / width, width / along

    lines = (
        slanted(right, -1.0, rear),
        slanted(right, -1.0, front),
        (one, -1 / rear, none, -rear),
        (one, -1 / front, none, front),
        slanted(left, 1.0, rear),
        slanted(left, 1.0, front),
    )
    return _Levers(*(np.stack([line[part] for line in lines]) for part in range(4)))


def _largest(force_kg: Floats) -> tuple[Floats, Floats]:
    """Bounds of the left and the right pad force [kN] from the lever rules [kg]."""
    kn = STANDARD_GRAVITY_M_S2 / 1000.0
    return kn * force_kg[_LEFT_LINES].min(axis=0), kn * force_kg[_RIGHT_LINES].min(axis=0)


def _margin(levers: _Levers, force_kg: Floats, mass_kg: Floats) -> Floats:
    return np.asarray((force_kg * levers.to_margin).min(axis=0) / mass_kg)
