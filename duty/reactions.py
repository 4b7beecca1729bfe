"""The largest force that a stabiliser pad can get, and whether the loaded truck stands: a bound, not a mean.

Model: a rigid body on level, rigid ground stands on six supports, a pad left and right at the slewing axis and a
wheel left and right at the rear and the front (half track as wide as the run-in stabilisers). Supports push and
do not pull. How the force spreads over six supports depends on springs and preload that nobody states, so the
largest pad force over every possible spread is taken. By linear programming duality it is the least, over the
lines through two supports that have all supports on one side, of

    force = weight * (distance of the resultant from the line) / (distance of the pad from the line)

(lever rule about the line; the lines that can bind are the rear axle, the front axle, and the two from the other
pad to the wheel on its side). Where the resultant lies outside the polygon of supports nothing balances: it tips.

An estimate for planning. Slope, soft ground, dynamics beyond the hoisting factor, wind on the load and twist of
the chassis are left out.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.crane import Sector
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import Floats

_SLEW_STEP_DEG: Final = 5.0
_LEAST_ARM_M: Final = 1e-6  # keeps the levers finite for an axle at the slewing axis

SECTOR_SLEWS_DEG: Final = {
    Sector.OVER_CAB: np.arange(-45.0, 45.1, _SLEW_STEP_DEG),
    Sector.SIDE: np.concatenate(
        [np.arange(45.0, 135.1, _SLEW_STEP_DEG), np.arange(-135.0, -44.9, _SLEW_STEP_DEG)]
    ),
    Sector.REAR: np.arange(135.0, 225.1, _SLEW_STEP_DEG),
}
"""Slewing angles tried in each sector [deg]; the bounds at 45 and 135 are this project's convention."""


class Supports(NamedTuple):
    """Where the truck stands; arrays that broadcast. x towards the cab from the slewing axis, all [m]."""

    pad_left_m: ArrayLike  # slewing axis to left pad
    pad_right_m: ArrayLike
    half_track_m: ArrayLike
    rear_x_m: ArrayLike  # negative
    front_x_m: ArrayLike  # positive


class PadForces(NamedTuple):
    """Upper bounds of the pad forces [kN], and the least stability margin."""

    left_kn: Floats
    right_kn: Floats
    margin: Floats
    """Distance of the resultant from the nearest tipping line [m]; negative where it tips."""


def pad_forces(
    supports: Supports, weight_kg: ArrayLike, mass_moment_x_kg_m: ArrayLike, mass_moment_y_kg_m: ArrayLike
) -> PadForces:
    """Largest force under each pad for a total mass and its moments about the slewing axis.

    Parameters
    ----------
    weight_kg : vehicle, booms and load together.
    mass_moment_x_kg_m, mass_moment_y_kg_m : sum of mass times x (towards the cab) and y (to the right) [kg.m].

    Returns arrays of the broadcast shape. Forces are meaningless where `margin` is negative.
    """
    left, right, track, rear, front = (np.asarray(part, float) for part in supports)
    rear, front = np.minimum(rear, -_LEAST_ARM_M), np.maximum(front, _LEAST_ARM_M)
    mass = np.asarray(weight_kg, float)
    x, y = np.asarray(mass_moment_x_kg_m, float) / mass, np.asarray(mass_moment_y_kg_m, float) / mass
    force = mass * STANDARD_GRAVITY_M_S2 / 1000.0
    axles = np.minimum((rear - x) / rear, (front - x) / front)
    left_share = np.minimum(axles, _beyond_pad(right, left, track, rear, front, x, y))
    right_share = np.minimum(axles, _beyond_pad(left, right, track, rear, front, x, -y))
    margin = np.minimum(x - rear, front - x)
    for pad, side in ((right, y), (left, -y)):
        for axle in (rear, front):
            slant = np.hypot(axle, pad - track)
            inside = pad - side - (pad - track) / axle * x
            margin = np.minimum(margin, inside * np.abs(axle) / slant)
    return PadForces(force * left_share, force * right_share, margin)


def _beyond_pad(
    other: Floats, own: Floats, track: Floats, rear: Floats, front: Floats, x: Floats, y: Floats
) -> Floats:
    """Share of the weight on a pad by levers about the lines from the other pad to the wheels on its side.

    The line from (0, other) to (axle, track) is y = other - (other - track) / axle * x.
    """
    shares = [(other - y - (other - track) / axle * x) / (other + own) for axle in (rear, front)]
    return np.asarray(np.minimum(shares[0], shares[1]))


def worst_over_slews(
    supports: Supports,
    vehicle_kg: ArrayLike,
    vehicle_x_m: ArrayLike,
    hanging_kg: ArrayLike,
    hanging_moment_kg_m: ArrayLike,
    slews_deg: Floats,
) -> PadForces:
    """Largest pad forces and least margin over slewing angles [deg]; the result has the shape of the other inputs.

    `hanging_kg` is booms and load, `hanging_moment_kg_m` their mass times distance from the slewing axis, in the
    direction of the boom; the vehicle's centre of mass lies on its centre line.
    """
    own, own_x, carried, moment = (
        np.asarray(part, float)[..., None]
        for part in (vehicle_kg, vehicle_x_m, hanging_kg, hanging_moment_kg_m)
    )
    angle = np.radians(slews_deg)
    found = pad_forces(
        Supports(*(np.asarray(part, float)[..., None] for part in supports)),
        own + carried,
        own * own_x + moment * np.cos(angle),
        moment * np.sin(angle),
    )
    return PadForces(found.left_kn.max(axis=-1), found.right_kn.max(axis=-1), found.margin.min(axis=-1))
