"""Dispatch against arithmetic from outside: textbook statics and published distances."""

import numpy as np
import pytest

from domain.units import STANDARD_GRAVITY_M_S2
from duty.ranking import distance_km
from duty.reactions import Supports
from tests.support.pads import pad_forces


def test_simply_supported_beam() -> None:
    """A beam on two supports with one force P at distance a from the left: R_left = P (L - a) / L, R_right = P a / L.

    Source: any engineering handbook, such as W. C. Young and R. G. Budynas, Roark's Formulas for Stress and Strain, table
    of shear, moment and deflection formulas for beams, case of an intermediate load with simple supports (from memory).
    With the resultant over the slewing axis line the two pads are such a beam.
    """
    left, right, mass = 2.4, 1.8, 9_000.0
    for at in np.linspace(-1.5, 1.5, 7):
        a = at + left
        found = pad_forces(Supports(left, right, 1.0, -4.0, 2.0), mass, 0.0, mass * at)
        weight = mass * STANDARD_GRAVITY_M_S2 / 1000.0
        assert found.left_kn == pytest.approx(weight * (left + right - a) / (left + right))
        assert found.right_kn == pytest.approx(weight * a / (left + right))


def test_a_three_legged_table() -> None:
    """On three supports the forces follow from the equilibrium of moments alone (plane statics, common knowledge).

    Wheels so close to the centre line that front and rear are one point each, and the resultant behind the pads: the load
    stands on the two pads and the rear axle. About the rear axle at -4 m: the pads together carry W * 3 / 4, half each.
    """
    mass, track = 8_000.0, 1e-9
    found = pad_forces(Supports(2.0, 2.0, track, -4.0, 3.0), mass, -1.0 * mass, 0.0)
    assert found.left_kn == pytest.approx(mass * STANDARD_GRAVITY_M_S2 / 1000.0 * 3 / 4 / 2)


def test_one_degree_of_latitude() -> None:
    """A degree of the meridian is pi / 180 times the earth's radius; 60 nautical miles of 1.852 km within 0.1 %.

    The international nautical mile is exactly 1852 m (International Hydrographic Conference 1929).
    """
    assert distance_km(47.0, 11.0, 48.0, 11.0) == pytest.approx(60 * 1.852, rel=1e-3)
    assert distance_km(0.0, 0.0, 0.0, 180.0) == pytest.approx(np.pi * 6371.0088)
    assert distance_km(48.0, 11.0, 48.0, 11.0) == 0.0
    # Along a parallel at 60 degrees a degree is half as long: cos 60 = 1/2.
    assert distance_km(60.0, 10.0, 60.0, 10.01) == pytest.approx(
        0.5 * 0.01 * np.pi / 180 * 6371.0088, rel=1e-6
    )
    assert np.isnan(distance_km(np.nan, 0.0, 1.0, 1.0))
