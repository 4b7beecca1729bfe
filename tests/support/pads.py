"""The pad forces of one position of everything, by the levers from which the product takes the worst over whole sectors."""

import numpy as np
from numpy.typing import ArrayLike

from duty.reactions import PadForces, Supports, _largest, _levers, _margin


def pad_forces(
    supports: Supports, mass_kg: ArrayLike, moment_x_kg_m: ArrayLike, moment_y_kg_m: ArrayLike
) -> PadForces:
    """Mass of everything, and its sum of mass times x (towards the cab) and y (to the right) [kg.m]."""
    levers = _levers(supports)
    mass, moment_x, moment_y = (np.asarray(one, float) for one in (mass_kg, moment_x_kg_m, moment_y_kg_m))
    force = levers.weight * mass + levers.by_x * moment_x + levers.by_y * moment_y
    return PadForces(*_largest(force), _margin(levers, force, mass))
