"""Will the truck stand: the stability limit of the moment, a rigid-body estimate on level, firm ground.

Plan coordinates from the slewing axis: x towards the cab, y to the right seen from above, so slewing angle t
points to (cos t, sin t). Supports: a stabiliser pad left and right at x = 0, and a wheel left and right at the
rear and the front support, whose half track is taken as the spread of run-in stabilisers.

An estimate for simulation and for planning aids. Ground, slope, chassis twist, tyre and spring travel are left
out, and each can tip a truck that this calls stable.
"""

import numpy as np
from numpy.typing import ArrayLike

from domain.crane import CraneType, Spread, Vehicle
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import Floats

_KILO = 1000.0
STABILITY_FACTOR = 1.25  # righting over tipping moment asked for. From memory, common practice; an input
PART_SPREAD = 0.5  # Spread.PART over the stroke of a stabiliser. This project's convention


def spread_m(vehicle: Vehicle, spread: Spread | float) -> float:
    """Slewing axis to pad, sideways [m], for a named spread or a spread in percent of the full one (0..100)."""
    named = {Spread.FULL: 1.0, Spread.PART: PART_SPREAD, Spread.NONE: 0.0}
    share = named[spread] if isinstance(spread, Spread) else float(spread) / 100.0
    near, far = vehicle.stabiliser_spread_none_m, vehicle.stabiliser_spread_full_m
    return near + (far - near) * min(max(share, 0.0), 1.0)


def supports_m(vehicle: Vehicle, spread_left: Spread | float, spread_right: Spread | float) -> Floats:
    """Plan positions [m] of the supports, shape (6, 2): pads left, right, rear left, right, front left, right."""
    half_track = vehicle.stabiliser_spread_none_m
    return np.array(
        [
            (0.0, -spread_m(vehicle, spread_left)),
            (0.0, spread_m(vehicle, spread_right)),
            (vehicle.rear_support_x_m, -half_track),
            (vehicle.rear_support_x_m, half_track),
            (vehicle.front_support_x_m, -half_track),
            (vehicle.front_support_x_m, half_track),
        ]
    )


def stability_moment_kn_m(
    vehicle: Vehicle,
    slew_deg: ArrayLike,
    spread_left: Spread | float,
    spread_right: Spread | float,
    factor: float = STABILITY_FACTOR,
) -> Floats:
    """Boom and load moment [kN.m] that tips the truck at a slewing angle, divided by `factor`.

    For each edge of the support polygon the righting moment is the vehicle's weight times the distance of its
    centre of mass from the edge; the tipping moment is the boom and load moment times the cosine between boom
    and the edge's outward normal. The least over the edges holds. The weight of booms and load, which stands
    inside the polygon at the slewing axis and so helps, is left out; the offset of the pivot, which hurts, too.
    0 where the centre of mass lies outside the polygon; inf where no edge can be tipped over.
    """
    angle = np.radians(np.asarray(slew_deg, float))[..., None]
    corners = _hull(supports_m(vehicle, spread_left, spread_right))
    edge = np.roll(corners, -1, axis=0) - corners
    normal = np.stack([edge[:, 1], -edge[:, 0]], axis=1) / np.hypot(edge[:, 0], edge[:, 1])[:, None]
    inside_m = np.sum(normal * (corners - (vehicle.centre_of_mass_x_m, 0.0)), axis=1)
    righting = STANDARD_GRAVITY_M_S2 * vehicle.mass_kg * np.maximum(inside_m, 0.0) / _KILO
    towards = np.cos(angle) * normal[:, 0] + np.sin(angle) * normal[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        tipping = np.where(towards > 1e-12, righting / (factor * towards), np.inf)
    return np.asarray(np.where(np.isnan(angle[..., 0]), np.nan, tipping.min(axis=-1)))


def stability_limit_pct(
    crane_type: CraneType,
    slew_deg: ArrayLike,
    spread_left: Spread | float,
    spread_right: Spread | float,
    factor: float = STABILITY_FACTOR,
) -> Floats:
    """Moment allowed now over the full structural rating [%]: 100, or less where stability is the lower limit."""
    stable = stability_moment_kn_m(crane_type.vehicle, slew_deg, spread_left, spread_right, factor)
    return np.asarray(100.0 * np.minimum(stable / crane_type.rated_moment_kn_m, 1.0))


def _hull(points: Floats) -> Floats:
    """Corners of the convex hull of a few plan points, counter-clockwise (monotone chain, A. M. Andrew 1979)."""
    ordered = sorted({(float(x), float(y)) for x, y in points})

    def chain(run: list[tuple[float, float]]) -> list[tuple[float, float]]:
        kept: list[tuple[float, float]] = []
        for x, y in run:
            while len(kept) >= 2:
                (ax, ay), (bx, by) = kept[-2], kept[-1]
                if (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0:
                    break
                kept.pop()
            kept.append((x, y))
        return kept

    return np.array(chain(ordered)[:-1] + chain(ordered[::-1])[:-1])
