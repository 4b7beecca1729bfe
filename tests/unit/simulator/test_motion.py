"""Joints keep to their limits and their drives, loaded moves slow down before the limit, and the small signals behave."""

from datetime import date

import numpy as np
import pytest

from domain.channels import Mode
from duty.geometry import full_stroke_m
from simulator.generate import generate_day
from simulator.lifting import LIMIT_PCT, Mark
from simulator.machine import hook_of, limit_of, utilisation_of
from simulator.shift import plan_day
from simulator.signals import Recorder, signals_of
from simulator.yard import YardCrane, load_yard

YARD = load_yard(healthy=True)
DAY = date(2025, 11, 5)
STEP_S = 0.05
ROUNDING = 1e-6


@pytest.fixture(scope="module", params=["yard-02", "yard-04", "yard-06", "yard-11"])
def crane(request: pytest.FixtureRequest) -> YardCrane:
    """One of each size, the bold one and one with a jib."""
    return YARD.crane(request.param)


def sessions_of(crane: YardCrane):
    for day in range(DAY.toordinal(), DAY.toordinal() + 30):
        sessions = plan_day(crane, date.fromordinal(day), 1)
        if sessions:
            return sessions
    raise AssertionError("no work in a month")


def test_angles_and_extensions_stay_in_their_working_range(crane: YardCrane) -> None:
    crane_type = crane.crane.type
    joints = signals_of(crane.machine, sessions_of(crane), Recorder(dt_ms=200)).joints
    bounds = [
        (crane_type.main_boom.lowest_deg, crane_type.main_boom.highest_deg),
        (crane_type.knuckle_boom.lowest_deg, crane_type.knuckle_boom.highest_deg),
        (0.0, full_stroke_m(crane_type.extensions)),
    ]
    if crane_type.jib is not None:
        bounds += [
            (crane_type.jib.boom.lowest_deg, crane_type.jib.boom.highest_deg),
            (0.0, full_stroke_m(crane_type.jib.extensions)),
        ]
    for column, (low, high) in enumerate(bounds, start=1):
        assert low - ROUNDING <= joints[:, column].min()
        assert joints[:, column].max() <= high + ROUNDING


def test_no_joint_is_faster_or_jerks_more_than_its_drive_can(crane: YardCrane) -> None:
    drive = crane.machine.drive
    for session in sessions_of(crane):
        joints = signals_of(crane.machine, (session,), Recorder(dt_ms=round(STEP_S * 1000))).joints
        speed = np.diff(joints, axis=0) / STEP_S
        change = np.diff(speed, axis=0) / STEP_S
        assert (np.abs(speed).max(axis=0) <= drive.speeds() * (1 + ROUNDING)).all()
        # where two moves meet, one step sees the end of the one and the beginning of the other
        assert (np.abs(change).max(axis=0) <= 2 * drive.speeds() / drive.ramp_s * (1 + 0.02)).all()
        assert np.abs(speed[[0, -1]]).max() < 0.5  # rest at both ends


def test_the_limiter_stops_where_the_static_moment_reaches_the_limit() -> None:
    crane = YARD.crane("yard-04")
    found = 0
    for session in sessions_of(crane):
        limit = limit_of(crane.machine, session.joints[:, 0], session.stop.left_pct, session.stop.right_pct)
        level = utilisation_of(crane.machine, hook_of(crane.machine, session.joints), session.mass_kg, limit)
        stopped = session.mark == Mark.STOPPED
        found += int(stopped.sum())
        assert np.abs(level[stopped] - LIMIT_PCT).max(initial=0.0) < 2.0
        # only what an override freed goes on from there, and a stopped load is set down inside the limit
        unpushed = ~(stopped | (session.mark == Mark.OVERRIDE)) & (session.mark == Mark.LOAD_OFF)
        assert (level[unpushed] <= LIMIT_PCT).all()
    assert found > 3


def test_oil_battery_radio_and_stabilisers() -> None:
    crane = YARD.crane("yard-11")
    record = generate_day(crane, DAY, 1, dt_ms=1000)
    assert record is not None
    channels = record.channels
    oil, battery = channels["oil_temperature_degc"], channels["controller_battery_pct"]
    assert oil[-1] > oil[0] + 10
    assert (np.diff(oil) >= -0.11).all()
    assert battery[0] >= 85
    assert (np.diff(battery) <= 0).all()
    radio, reach = channels["radio_quality_pct"], channels["outreach_m"]
    assert ((radio >= 0) & (radio <= 100)).all()
    assert radio[reach > 12].mean() < radio[reach < 4].mean()
    # stabilisers are out before anything is lifted, and in at the end
    lifting = channels["mode"] == Mode.REMOTE
    assert channels["stabiliser_left_pct"][lifting].min() == channels["stabiliser_left_pct"].max()
    assert channels["stabiliser_left_pct"][0] == 0


def test_winter_oil_is_colder_than_summer_oil() -> None:
    crane = YARD.crane("yard-01")

    def coldest(first: date) -> float:
        starts = []
        for day in range(first.toordinal(), first.toordinal() + 40):
            record = generate_day(crane, date.fromordinal(day), 1, dt_ms=1000)
            if record is not None:
                starts.append(float(record.channels["oil_temperature_degc"][0]))
        return float(np.mean(starts))

    assert coldest(date(2025, 1, 6)) < coldest(date(2025, 7, 1)) - 12
