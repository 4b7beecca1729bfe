"""Boom and load moments, capacity, charts and stability against sums worked by hand."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from domain.crane import CraneType, Sector, Spread
from domain.errors import InvalidInput
from duty.geometry import pose
from duty.stability import stability_moment_kn_m
from duty.statics import (
    capacity_kg,
    load_moment_kn_m,
    sector_of,
    self_moment_kn_m,
    stability_limit_pct,
    statics_chart,
    utilisation_pct,
    worst_self_moment_kn_m,
)

G = 9.80665


def test_self_moment_of_level_booms_is_the_sum_worked_by_hand(round_type: CraneType) -> None:
    # main 400*2, knuckle 300*5.5, extensions inside it 120*5.5 + 80*5.5
    assert self_moment_kn_m(round_type, 0, 0, 0) == pytest.approx(G * (800 + 500 * 5.5) / 1000)
    # 2.5 m run out: the first by 2.0, the second by 2.5
    assert self_moment_kn_m(round_type, 0, 0, 2.5) == pytest.approx(
        G * (800 + 300 * 5.5 + 120 * 7.5 + 80 * 8.0) / 1000
    )
    # jib from 4 + 3 + 0: 100*8, extension run out by 1: 50*9
    assert self_moment_kn_m(round_type, 0, 0, 0, jib_deg=0, jib_extension_m=1) == pytest.approx(
        G * (800 + 500 * 5.5 + 100 * 8 + 50 * 9) / 1000
    )


def test_self_moment_of_raised_booms(round_type: CraneType) -> None:
    # main at 60 deg: centre at 1 m; knuckle hanging straight down below its end at 2 m
    assert self_moment_kn_m(round_type, 60, -90, 3) == pytest.approx(G * (400 * 1 + 500 * 2) / 1000)


@given(
    main=st.floats(-30, 80),
    knuckle=st.floats(-90, 75),
    out=st.floats(0, 3),
    limit=st.floats(30, 100),
    share=st.floats(0, 1),
)
def test_the_capacity_is_the_mass_that_brings_utilisation_to_100(
    round_type: CraneType, main: float, knuckle: float, out: float, limit: float, share: float
) -> None:
    outreach = pose(round_type, main, knuckle, out).outreach_m
    own = self_moment_kn_m(round_type, main, knuckle, out)
    assume(outreach > round_type.pivot_offset_m + 0.1)
    mass = capacity_kg(round_type, own, outreach, limit)
    assume(mass > 0)
    full = utilisation_pct(round_type, own, load_moment_kn_m(round_type, mass, outreach), limit)
    assert float(full) == pytest.approx(100.0)
    # the same as the mass rule of the lifts: (u - u0) / (100 - u0) * capacity
    part = utilisation_pct(round_type, own, load_moment_kn_m(round_type, share * mass, outreach), limit)
    base = utilisation_pct(round_type, own, 0.0, limit)
    assert float((part - base) / (100 - base) * mass) == pytest.approx(share * float(mass), abs=1e-6)


def test_no_capacity_is_claimed_inside_the_pivot_or_beyond_the_moment(round_type: CraneType) -> None:
    assert np.isnan(capacity_kg(round_type, 10.0, round_type.pivot_offset_m))
    assert capacity_kg(round_type, 200.0, 5.0) == 0.0


def test_the_worst_self_moment_covers_every_pose_at_that_outreach(round_type: CraneType) -> None:
    rng = np.random.default_rng(3)
    main, knuckle, out = rng.uniform(-30, 80, 5000), rng.uniform(-90, 75, 5000), rng.uniform(0, 3, 5000)
    outreach = pose(round_type, main, knuckle, out).outreach_m
    far = outreach > 2.0
    grid = np.linspace(2.0, 10.5, 200)
    worst = np.interp(outreach[far], grid, worst_self_moment_kn_m(round_type, grid))
    own = self_moment_kn_m(round_type, main[far], knuckle[far], out[far])
    assert (own <= worst * 1.01).all()
    assert np.isnan(worst_self_moment_kn_m(round_type, 10.6))
    assert worst_self_moment_kn_m(round_type, 10.5) == pytest.approx(self_moment_kn_m(round_type, 0, 0, 3))


def test_a_chart_from_statics_never_overloads_a_pose(round_type: CraneType) -> None:
    chart = statics_chart(round_type, points=20)
    x = np.array([point.outreach_m for point in chart.points])
    mass = np.array([point.capacity_kg for point in chart.points])
    assert (np.diff(mass) <= 0).all()
    assert (mass % 5 == 0).all()
    full = utilisation_pct(
        round_type, worst_self_moment_kn_m(round_type, x), load_moment_kn_m(round_type, mass, x)
    )
    assert full.max() <= 100.0
    assert full.max() > 98.0


def test_less_spread_never_gives_more_capacity_at_the_side(round_type: CraneType) -> None:
    full = statics_chart(round_type, Spread.FULL, Spread.FULL, sector=Sector.SIDE)
    none = statics_chart(round_type, Spread.NONE, Spread.NONE, sector=Sector.SIDE)
    for wide, narrow in zip(full.points, none.points, strict=False):
        assert narrow.capacity_kg <= wide.capacity_kg
    assert none.points[-1].capacity_kg < full.points[-1].capacity_kg


def test_a_stage_that_does_not_exist_is_refused(round_type: CraneType) -> None:
    assert statics_chart(round_type, stage=1).points[-1].outreach_m == pytest.approx(9.5, abs=1e-3)
    with pytest.raises(InvalidInput, match=r"0\.\.2"):
        statics_chart(round_type, stage=3)


def test_sectors_meet_at_45_and_135_degrees() -> None:
    found = sector_of([0, 45, 46, -90, 134, 135, -180, 360 + 10, -350])
    assert [str(sector) for sector in found] == [
        "over_cab",
        "over_cab",
        "right",
        "left",
        "right",
        "rear",
        "rear",
        "over_cab",
        "over_cab",
    ]


def test_stability_over_a_side_edge_is_the_lever_worked_by_hand(round_type: CraneType) -> None:
    # the hull's edge from the right pad (0, 2.6) to the rear right wheel (-4, 1.2): normal (-1.4, 4)/|.|
    length = math.hypot(1.4, 4.0)
    lever = (0 - -1.0) * -1.4 / length + 2.6 * 4.0 / length
    by_hand = G * 14_000 * lever / (4.0 / length) / 1.25 / 1000
    found = stability_moment_kn_m(round_type.vehicle, 90.0, Spread.FULL, Spread.FULL)
    # the edge towards the front has its own lever; the least of the two holds
    front_length = math.hypot(1.4, 1.5)
    front_lever = (0 - -1.0) * 1.4 / front_length + 2.6 * 1.5 / front_length
    by_front = G * 14_000 * front_lever / (1.5 / front_length) / 1.25 / 1000
    assert float(found) == pytest.approx(min(by_hand, by_front))


def test_stability_lowers_the_limit_on_the_side_that_is_not_propped(round_type: CraneType) -> None:
    right, left = stability_limit_pct(round_type, [90.0, -90.0], 0.0, 100.0)
    assert right == 100.0
    assert left < right
    assert np.isnan(stability_limit_pct(round_type, np.nan, 0.0, 100.0))
