"""What the drawings are made from: hook points, reach, the chart of a configuration, poses for a job."""

from datetime import UTC, datetime

import numpy as np
import pytest

from dashboard.parts import area, geometry
from domain.answers import SamplesAnswer, Series
from domain.crane import Boom, ChartPoint, CraneType, Extension, LoadChart, Sector, Spread, Vehicle
from duty.capacity import capacity_kg
from duty.geometry import pose

VEHICLE = Vehicle(
    mass_kg=15000, centre_of_mass_x_m=1, stabiliser_spread_full_m=3, stabiliser_spread_none_m=1.2,
    rear_support_x_m=-4, front_support_x_m=2, pad_area_m2=0.1,
)  # fmt: skip
CRANE = CraneType(
    name="test-type", title="Test", pivot_offset_m=0.4, pivot_height_m=3.0, rated_moment_kn_m=200, vehicle=VEHICLE,
    main_boom=Boom(length_m=4, mass_kg=500, lowest_deg=-10, highest_deg=80),
    knuckle_boom=Boom(length_m=3, mass_kg=300, lowest_deg=-80, highest_deg=80),
    extensions=(Extension(stroke_m=2, mass_kg=80), Extension(stroke_m=2, mass_kg=60)),
)  # fmt: skip


def chart(*points: tuple[float, float], **more: object) -> LoadChart:
    placed = tuple(ChartPoint(outreach_m=r, capacity_kg=kg) for r, kg in points)
    return LoadChart(spread_left=Spread.FULL, spread_right=Spread.FULL, points=placed, **more)


@pytest.mark.parametrize(("main", "knuckle", "out"), [(30, -20, 1.5), (70, -60, 0), (0, 0, 4)])
def test_the_hook_is_where_the_duty_room_computes_it(main: float, knuckle: float, out: float) -> None:
    values = {"main_boom_deg": float(main), "knuckle_boom_deg": float(knuckle), "extension_m": float(out)}
    computed = pose(CRANE, np.array([main]), np.array([knuckle]), np.array([out]))
    assert geometry.hook_of(CRANE, values) == pytest.approx(
        (computed.outreach_m[0], computed.hook_height_m[0])
    )


def test_a_pose_without_angles_is_unknown() -> None:
    assert (
        geometry.hook_of(CRANE, {"extension_m": 1.0, "main_boom_deg": None, "knuckle_boom_deg": 3.0}) is None
    )


def test_the_reach_ends_at_all_members_in_line() -> None:
    outline = geometry.reach_outline(CRANE)
    assert max(x for x, _ in outline) == pytest.approx(0.4 + 4 + 3 + 4, abs=0.02)
    assert min(y for _, y in outline) == 0.0


def test_the_curve_is_the_smallest_of_the_sectors_and_reads_like_the_duty_room() -> None:
    rear = chart((3, 5000), (6, 2500), (9, 1400), sector=Sector.REAR)
    cab = chart((3, 3000), (5, 2000), (8, 900), sector=Sector.OVER_CAB)
    side = chart((3, 9000), (9, 9000), sector=Sector.SIDE)
    curve = geometry.capacity_curve([rear, cab, side], Spread.FULL, Spread.FULL)
    assert curve == [[3, 3000], [5, 2000], [6, 900], [8, 900]]
    only = geometry.capacity_curve([rear, cab, side], Spread.FULL, Spread.FULL, sector=Sector.REAR)
    assert [kg for _, kg in only] == list(capacity_kg(rear, [3.0, 6.0, 9.0]))
    assert geometry.capacity_curve([rear], Spread.PART, Spread.FULL) == []


@pytest.mark.parametrize(("outreach", "height"), [(6.0, 2.0), (9.0, 5.0), (4.0, 9.0)])
def test_a_pose_for_a_job_brings_the_hook_there(outreach: float, height: float) -> None:
    found = geometry.pose_reaching(CRANE, outreach, height)
    assert found is not None
    assert geometry.hook_of(CRANE, found) == pytest.approx((outreach, height), abs=0.06)


def test_no_pose_beyond_the_reach() -> None:
    assert geometry.pose_reaching(CRANE, 15.0, 2.0) is None


@pytest.mark.parametrize(
    ("angle", "sector"), [(0, "over_cab"), (44, "over_cab"), (90, "right"), (270, "left"), (-90, "left"), (180, "rear"), (359, "over_cab")]
)  # fmt: skip
def test_sectors_lie_around_the_carrier(angle: float, sector: str) -> None:
    assert area.quarter_of(angle) == sector


def test_the_outreach_of_a_trace_follows_from_the_pose_where_it_is_not_sent() -> None:
    pose = {
        "main_boom_deg": [60.0, None, 40.0],
        "knuckle_boom_deg": [-10.0, 0.0, -30.0],
        "extension_m": [2.0, 1.0, 0.5],
    }
    series = {name: Series(unit="", low=tuple(values), high=tuple(values)) for name, values in pose.items()}
    now = datetime(2026, 11, 25, tzinfo=UTC)
    sent = SamplesAnswer(
        crane="heron-3", time_from=now, time_to=now, recorded_samples=3, reduced=False, bucket_ms=None, at_ms=(0, 1, 2), series=series
    )  # fmt: skip
    found, computed = geometry.with_outreach(CRANE, sent)
    assert computed
    for place, outreach in enumerate(found.series["outreach_m"].high):
        hook = geometry.hook_of(CRANE, {name: values[place] for name, values in pose.items()})
        assert (outreach is None) == (hook is None)
        if hook is not None and outreach is not None:
            assert outreach == pytest.approx(hook[0], abs=1e-3)
    again, computed = geometry.with_outreach(CRANE, found)
    assert (again, computed) == (found, False)
