"""Pad forces: worked by hand, against a linear program, and the bound over whole sectors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from domain.crane import Sector
from domain.units import STANDARD_GRAVITY_M_S2
from duty.reactions import SECTOR_ARCS_DEG, PadForces, Supports, worst_over_sectors
from tests.support.pads import pad_forces

G = STANDARD_GRAVITY_M_S2 / 1000.0  # kN per kg
WIDE = Supports(3.0, 3.0, 1.2, -3.0, 2.0)


def test_two_pads_share_a_centred_weight() -> None:
    # Everything over the slewing axis: the axles may carry nothing, each pad half of 12 t: 58.84 kN.
    found = pad_forces(WIDE, 12_000.0, 0.0, 0.0)
    assert found.left_kn == pytest.approx(12_000 * G / 2)
    assert found.right_kn == pytest.approx(58.84, abs=0.005)


def test_the_lever_rule_to_one_side_worked_by_hand() -> None:
    # 12 t in all, 9 t.m to the left: the resultant lies 0.75 m left of the axis, between pads 3 m to each side.
    # Moments about the right pad: R_left * 6 m = 12 t * 3.75 m, so R_left = 7.5 t; the right pad carries 4.5 t.
    found = pad_forces(WIDE, 12_000.0, 0.0, -9_000.0)
    assert found.left_kn == pytest.approx(7_500 * G)
    assert found.right_kn == pytest.approx(4_500 * G)


def test_an_axle_takes_its_share_worked_by_hand() -> None:
    # Resultant 0.5 m towards the cab. The line from the right pad (0, 3) to the front right wheel (2, 1.2) is
    # y = 3 - 0.9 x; at x = 0.5 it lies 2.55 m right of the resultant, and 6 m right of the left pad at x = 0. Lever rule
    # about it: 12 t * 2.55 / 6 = 5.1 t. (About the front axle, 2 m away: 12 t * 1.5 / 2 = 9 t, which does not bind.)
    found = pad_forces(WIDE, 12_000.0, 6_000.0, 0.0)
    assert found.left_kn == pytest.approx(5_100 * G)


def test_the_margin_worked_by_hand() -> None:
    # Resultant on the axis. Rear line 3 m, front line 2 m away. Line from pad (0, 3) to front wheel (2, 1.2): direction
    # (2, -1.8), length sqrt(7.24); distance of the origin 3 * 2 / sqrt(7.24) = 2.230 m. The front line is nearest.
    assert pad_forces(WIDE, 12_000.0, 0.0, 0.0).margin == pytest.approx(2.0)
    # 2.4 m to the right: the front pad line is nearest, (3 - 2.4) * 2 / sqrt(7.24) = 0.446 m.
    assert pad_forces(WIDE, 10_000.0, 0.0, 24_000.0).margin == pytest.approx(0.446, abs=5e-4)
    assert pad_forces(WIDE, 10_000.0, 0.0, 31_000.0).margin < 0


def test_arrays_are_computed_together() -> None:
    supports = Supports(*(np.full(3, part) for part in WIDE))
    found = pad_forces(supports, np.array([12_000.0] * 3), np.zeros(3), np.array([0.0, -9_000.0, 9_000.0]))
    np.testing.assert_allclose(found.left_kn, np.array([6_000, 7_500, 4_500]) * G)


def largest_by_linear_program(supports: Supports, mass: float, x: float, y: float, pad: int) -> float | None:
    """Largest force on a pad [kg] over every way the supports can carry the load; None where none can."""
    left, right, track, rear, front = (float(part) for part in supports)
    at = np.array([(0, -left), (0, right), (rear, -track), (rear, track), (front, -track), (front, track)])
    goal = np.zeros(6)
    goal[pad] = -1.0
    balance = np.vstack([np.ones(6), at.T])
    answer = linprog(goal, A_eq=balance, b_eq=[mass, mass * x, mass * y], bounds=[(0, None)] * 6)
    return None if answer.status == 2 else float(-answer.fun)


geometry = st.builds(
    lambda track, more_left, more_right, rear, front: Supports(
        track + more_left, track + more_right, track, -rear, front
    ),
    st.floats(0.8, 1.5),
    st.floats(0.05, 3.0),
    st.floats(0.05, 3.0),
    st.floats(1.0, 6.0),
    st.floats(0.5, 5.0),
)


@settings(deadline=None, max_examples=80)
@given(geometry, st.floats(-3.0, 3.0), st.floats(-3.0, 3.0))
def test_the_bound_is_the_largest_force_that_statics_allow(supports: Supports, x: float, y: float) -> None:
    mass = 10_000.0
    found = pad_forces(supports, mass, mass * x, mass * y)
    for pad, force in ((0, found.left_kn), (1, found.right_kn)):
        largest = largest_by_linear_program(supports, mass, x, y, pad)
        if abs(float(found.margin)) < 1e-6:
            continue
        assert (largest is None) == bool(found.margin < 0)
        if largest is not None:
            assert float(force) == pytest.approx(largest * G, rel=1e-6, abs=1e-6)


@settings(deadline=None, max_examples=60)
@given(geometry, st.sets(st.sampled_from(Sector), min_size=1), st.floats(0.0, 20_000.0), st.floats(-1.0, 1.0))
def test_nothing_between_the_angles_is_missed(
    supports: Supports, sectors: set[Sector], moment: float, vehicle_x_m: float
) -> None:
    own, hanging = 12_000.0, 3_000.0
    bound = worst_over_sectors(supports, own, vehicle_x_m, hanging, moment, tuple(sectors))
    for low, high in (arc for sector in sectors for arc in SECTOR_ARCS_DEG[sector]):
        for angle in np.radians(np.linspace(low, high, 181)):
            there: PadForces = pad_forces(
                supports, own + hanging, own * vehicle_x_m + moment * np.cos(angle), moment * np.sin(angle)
            )
            assert there.left_kn <= bound.left_kn * (1 + 1e-12) + 1e-9
            assert there.right_kn <= bound.right_kn * (1 + 1e-12) + 1e-9
            assert there.margin >= bound.margin - 1e-9


def test_an_axle_at_the_slewing_axis_stays_finite() -> None:
    found = worst_over_sectors(
        Supports(2.0, 2.0, 1.0, 0.0, 3.0), 8_000.0, 1.0, 1_000.0, 3_000.0, (Sector.SIDE,)
    )
    assert np.isfinite(found.left_kn)
    assert np.isfinite(found.margin)
