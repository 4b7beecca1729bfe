"""Forward kinematics, its inverse and the envelope against hand-worked trigonometry."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from domain.crane import CraneType
from domain.errors import InvalidInput
from duty.geometry import angles_for, envelope, jib_run_out, joints, pose


@pytest.mark.parametrize(
    ("main", "knuckle", "extension", "outreach", "height"),
    [
        (0, 0, 0, 7.5, 2.5),  # 0.5 + 4 + 3
        (0, 0, 3, 10.5, 2.5),
        (60, 0, 1, 0.5 + 2 + 4, 2.5 + 2 * math.sqrt(3)),  # cos 60 = 1/2, sin 60 = sqrt(3)/2
        (30, -90, 2, 0.5 + 2 * math.sqrt(3), 2.5 + 2 - 5),
        (45, -45, 0, 0.5 + 7 / math.sqrt(2), 2.5 + 1 / math.sqrt(2)),
        (-30, 60, 1, 0.5 + 2 * math.sqrt(3) + 2, 2.5 - 2 + 2 * math.sqrt(3)),
    ],
)
def test_pose_equals_hand_worked_trigonometry(
    round_type: CraneType, main: float, knuckle: float, extension: float, outreach: float, height: float
) -> None:
    found = pose(round_type, main, knuckle, extension)
    assert found.outreach_m == pytest.approx(outreach, abs=1e-12)
    assert found.hook_height_m == pytest.approx(height, abs=1e-12)


def test_a_jib_adds_its_own_member(round_type: CraneType) -> None:
    found = pose(round_type, 60, 0, 1, jib_deg=30, jib_extension_m=1)
    assert found.outreach_m == pytest.approx(6.5 + 3 * math.sqrt(3) / 2)
    assert found.hook_height_m == pytest.approx(2.5 + 2 * math.sqrt(3) + 1.5)


def test_arrays_broadcast_and_missing_readings_stay_missing(round_type: CraneType) -> None:
    found = pose(round_type, np.array([0.0, np.nan, 60.0]), 0.0, np.array([[0.0], [3.0]]))
    assert found.outreach_m.shape == (2, 3)
    np.testing.assert_allclose(found.outreach_m, [[7.5, np.nan, 5.5], [10.5, np.nan, 8.5]])


def test_the_polyline_has_the_lengths_of_the_members(round_type: CraneType) -> None:
    points = joints(round_type, 40, -20, 1.5, jib_deg=10, jib_extension_m=0.5)
    lengths = np.hypot(*np.diff(points, axis=0).T)
    np.testing.assert_allclose(lengths, [2.5, 0.5, 4.0, 4.5, 2.5])


def test_a_jib_angle_for_a_type_without_jib_is_refused(round_type: CraneType) -> None:
    plain = round_type.model_copy(update={"jib": None})
    with pytest.raises(InvalidInput, match="has no jib"):
        pose(plain, 0, 0, 0, jib_deg=5)
    with pytest.raises(InvalidInput, match="has no jib"):
        envelope(plain, with_jib=True)


@given(main=st.floats(-29, 79), bend=st.floats(1, 120), extension=st.floats(0, 3))
def test_the_inverse_finds_the_pose_again(
    round_type: CraneType, main: float, bend: float, extension: float
) -> None:
    knuckle = main - bend  # knuckle joint above the line from pivot to hook
    assume(-90 <= knuckle <= 75)
    hook = pose(round_type, main, knuckle, extension)
    found = angles_for(round_type, hook.outreach_m, hook.hook_height_m, extension)
    assert float(found[0]) == pytest.approx(main, abs=1e-5)
    assert float(found[1]) == pytest.approx(knuckle, abs=1e-5)


def test_the_inverse_says_nan_out_of_reach_and_out_of_working_angles(round_type: CraneType) -> None:
    main, knuckle = angles_for(round_type, [7.51, 7.5, 0.5], [2.5, 2.5, 9.4], 0.0)
    assert np.isnan(main).tolist() == [True, False, True]
    assert knuckle[1] == pytest.approx(0, abs=1e-6)


def test_the_envelope_holds_every_reachable_point_and_is_tight(round_type: CraneType) -> None:
    rng = np.random.default_rng(7)
    main, knuckle, out = rng.uniform(-30, 80, 40_000), rng.uniform(-90, 75, 40_000), rng.uniform(0, 3, 40_000)
    hook = pose(round_type, main, knuckle, out)
    area = envelope(round_type, outreach_points=400)
    inside = hook.outreach_m <= area.outreach_m[-1]
    assert inside.all()
    highest = np.interp(hook.outreach_m, area.outreach_m, area.highest_m)
    lowest = np.interp(hook.outreach_m, area.outreach_m, area.lowest_m)
    reached = hook.outreach_m > 0
    assert (hook.hook_height_m[reached] <= highest[reached] + 0.03).all()
    assert (hook.hook_height_m[reached] >= lowest[reached] - 0.03).all()
    # both booms steepest and all run out: the tip at 80 and 75 degrees
    top = pose(round_type, 80, 75, 3)
    assert np.nanmax(area.highest_m) == pytest.approx(top.hook_height_m, abs=0.05)
    assert area.outreach_m[-1] == pytest.approx(10.5)


def test_the_envelope_with_jib_reaches_farther_and_higher(round_type: CraneType) -> None:
    area = envelope(round_type, with_jib=True, angle_steps=91)
    assert area.outreach_m[-1] == pytest.approx(10.5 + 3.5, abs=0.02)
    assert np.nanmax(area.highest_m) > np.nanmax(envelope(round_type).highest_m) + 3


def test_how_far_an_extending_jib_runs_out_is_unknown_until_it_is_sent(round_type: CraneType) -> None:
    jib = round_type.jib
    assert jib is not None
    assert jib.extensions
    assert jib_run_out(jib, {"jib_extension_m": [0.5, 1.0]}, 2).tolist() == [0.5, 1.0]
    assert np.isnan(jib_run_out(jib, {}, 2)).tolist() == [True, True]
    assert jib_run_out(jib.model_copy(update={"extensions": ()}), {}, 2).tolist() == [0.0, 0.0]
