"""Matching a lift against cranes: hand-worked answers, reasons, and what must never happen."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from domain.crane import CraneType, LoadChart, Sector, Spread
from domain.errors import InvalidInput
from domain.job import LiftJob, Position
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import SECTORS, SPREAD_RANK
from duty.dispatch import Entry, Matches, Remedy, Ruling, match, worst
from duty.fleet import Fleet, build
from duty.sweep import span_of
from tests.unit.duty.invented import FULL_POINTS, PART_POINTS, TYPE, chart, chart_by_height, crane


def fleet_of(*charts: LoadChart, crane_type: CraneType = TYPE) -> Fleet:
    return build([crane(crane_type=crane_type)], [charts])


def job(**asked: object) -> LiftJob:
    """A job with all the room there is, unless a test asks for less."""
    given = {"mass_kg": 1000.0, "rigging_kg": 50.0, "outreach_m": 5.0}
    return LiftJob.model_validate({**given, "spread_left": "full", "spread_right": "full", **asked})


def ruling_of(found: Matches, index: int = 0) -> Ruling:
    return Ruling(int(found.ruling[index]))


FLEET = build([crane()])


def test_a_lift_worked_by_hand() -> None:
    found = match(FLEET, job())
    # Hook load 1000 + 50 = 1050 kg. At 5 m the next larger outreach of the chart is 6 m: 2500 kg.
    assert found.capacity_kg[0] == 2500.0
    # 1050 / 2500 = 42 %; planning limit 85 %: headroom 43 %, and 0.85 * 2500 - 1050 = 1075 kg.
    assert found.capacity_used_pct[0] == pytest.approx(42.0)
    assert found.headroom_pct[0] == pytest.approx(43.0)
    assert found.headroom_kg[0] == pytest.approx(1075.0)
    assert found.fit[0]


def test_moments_worked_by_hand() -> None:
    # One boom, in effect: knuckle and extensions of 1 g, so the boom moment is that of the 4 m main boom alone.
    light = TYPE.model_copy(
        update={
            "knuckle_boom": TYPE.knuckle_boom.model_copy(update={"mass_kg": 0.001}),
            "extensions": tuple(part.model_copy(update={"mass_kg": 0.001}) for part in TYPE.extensions),
        }
    )
    found = match(fleet_of(chart(), crane_type=light), job(outreach_m=6.0))
    # Heaviest pose: main boom level, its centre 2 m out: 500 kg * 9.80665 * 2 m = 9.80665 kN.m.
    own = 500 * STANDARD_GRAVITY_M_S2 * 2 / 1000
    # Load: 1050 kg * 9.80665 * 6 m = 61.78190 kN.m. Rated 200 kN.m: (9.80665 + 61.78190) / 200 = 35.794 %.
    load = 1050 * STANDARD_GRAVITY_M_S2 * 6 / 1000
    assert found.structural_pct[0] == pytest.approx(100 * (own + load) / 200, rel=1e-4)
    assert found.structural_pct[0] == pytest.approx(35.794, abs=0.01)
    # Allowed now, from the chart's 2500 kg: 9.80665 + 2500 * 9.80665 * 6 / 1000 = 156.9064 kN.m -> 45.625 %.
    assert found.expected_utilisation_pct[0] == pytest.approx(45.625, abs=0.01)


@pytest.mark.parametrize(
    ("asked", "ruling"),
    [
        ({}, Ruling.FIT),
        ({"outreach_m": 1.5}, Ruling.TOO_NEAR),
        ({"outreach_m": 14.5}, Ruling.TOO_FAR),
        ({"hook_height_m": 16.0}, Ruling.HEIGHT),
        ({"mass_kg": 2100.0}, Ruling.CAPACITY),
        ({"spread_left": "none"}, Ruling.SPREAD),
        ({"ground_bearing_kpa": 100.0}, Ruling.GROUND),
        ({"mass_kg": 900.0, "jib": "needed", "outreach_m": 8.0}, Ruling.CAPACITY),
        ({"mass_kg": 750.0, "jib": "needed", "outreach_m": 8.0}, Ruling.FIT),
        ({"jib": "forbidden", "mass_kg": 300.0, "outreach_m": 12.0}, Ruling.TOO_FAR),
    ],
)
def test_every_ruling_has_its_cause(asked: dict[str, object], ruling: Ruling) -> None:
    assert ruling_of(match(FLEET, job(**asked))) is ruling


def test_no_chart_no_jib_and_no_sector() -> None:
    assert ruling_of(match(fleet_of(), job())) is Ruling.NO_CHART
    assert ruling_of(match(fleet_of(chart()), job(jib="needed"))) is Ruling.JIB
    rear_only = fleet_of(chart(sector=Sector.REAR))
    assert ruling_of(match(rear_only, job(sectors=["side"]))) is Ruling.SECTOR
    assert ruling_of(match(rear_only, job(sectors=["rear"]))) is Ruling.FIT
    # Where the sector is not given every one has to hold, and three of them have no chart.
    unknown = match(rear_only, job())
    assert ruling_of(unknown) is Ruling.SECTOR
    assert unknown.charted_sectors[0] == 1 << SECTORS.index(Sector.REAR)
    assert unknown.remedy_kg[0, Remedy.SECTOR] == 2500.0


def test_a_truck_that_the_estimate_tips_is_ruled_out() -> None:
    vehicle = TYPE.vehicle.model_copy(update={"mass_kg": 3000.0, "stabiliser_spread_full_m": 1.3})
    light = TYPE.model_copy(update={"vehicle": vehicle})
    found = match(fleet_of(chart(), crane_type=light), job(mass_kg=2000.0))
    assert ruling_of(found) is Ruling.TIPS
    assert found.stability_margin_m[0] < 0


def test_the_planning_limit_itself_still_fits() -> None:
    # 0.85 * 2500 = 2125 kg on the hook.
    assert match(FLEET, job(mass_kg=2075.0)).fit[0]
    assert not match(FLEET, job(mass_kg=2075.1)).fit[0]
    assert match(FLEET, job(mass_kg=2450.0, planning_limit_pct=100.0)).fit[0]


def test_the_spread_that_the_place_allows_decides() -> None:
    part = match(FLEET, job(spread_right="part"))
    # Only the chart for part spread on both sides is left; at 5 m its 6 m point holds: 1500 kg.
    assert part.capacity_kg[0] == 1500.0
    assert part.capacity_any_spread_kg[0] == 2500.0
    narrow = match(FLEET, job(mass_kg=1500.0, spread_right="part"))
    assert ruling_of(narrow) is Ruling.CAPACITY
    assert narrow.remedy_kg[0].tolist() == [2500.0, 0.0, 0.0]


def test_another_sector_is_offered() -> None:
    fleet = fleet_of(chart(sector=Sector.SIDE), chart(((2.0, 3000.0), (6.0, 900.0)), sector=Sector.OVER_CAB))
    cab = match(fleet, job(sectors=["over_cab"]))
    assert ruling_of(cab) is Ruling.CAPACITY
    assert cab.capacity_kg[0] == 900.0
    assert cab.capacity_any_sector_kg[0] == 2500.0
    assert cab.remedy_kg[0, Remedy.SECTOR] == 2500.0


def test_the_worst_sector_holds_where_none_is_named() -> None:
    fleet = fleet_of(
        chart(((2.0, 6000.0), (6.0, 3580.0)), sector=Sector.OVER_CAB),
        chart(((2.0, 4000.0), (6.0, 2160.0)), sector=Sector.SIDE),
        chart(((2.0, 5000.0), (6.0, 3000.0)), sector=Sector.REAR),
    )
    found = match(fleet, job())
    assert found.capacity_kg[0] == 2160.0
    assert found.capacity_any_sector_kg[0] == 3580.0
    assert match(fleet, job(sector="over_cab")).capacity_kg[0] == 3580.0
    assert match(fleet, job(sectors=["over_cab", "rear"])).capacity_kg[0] == 3000.0


def test_right_and_left_are_apart() -> None:
    # Full on the left only: strong to the left, weak to the right.
    fleet = fleet_of(
        *(
            chart(((2.0, kg), (6.0, kg)), Spread.FULL, Spread.NONE, sector=sector)
            for sector, kg in (("left", 4000.0), ("right", 800.0), ("rear", 2500.0), ("over_cab", 1500.0))
        )
    )

    def carries(**asked: object) -> float:
        return float(match(fleet, job(mass_kg=100.0, **asked)).capacity_kg[0])

    assert (carries(sector="left"), carries(sector="right"), carries(sector="side")) == (4000.0, 800.0, 800.0)
    left, rear = {"outreach_m": 3.0, "sector": "left"}, {"outreach_m": 3.0, "sector": "rear"}
    # From the left to the rear: straight on is 2500 kg, the other way round leads past the right.
    assert carries(sector="rear", pick=left) == 800.0
    assert carries(sector="rear", pick=left, way="anticlockwise") == 2500.0
    assert carries(sector="rear", pick=left, way="clockwise") == 800.0
    assert carries(sector="rear", pick=left, sectors=["left", "rear"]) == 2500.0
    assert carries(sector="left", pick=rear, way="clockwise") == 2500.0
    assert carries(sector="left", pick=left) == 4000.0


def test_the_narrowest_charted_spread_holds_where_none_is_given() -> None:
    unknown = job(spread_left=None, spread_right=None)
    found = match(FLEET, unknown)
    # Full and part are charted: part on both sides, 1500 kg at the 6 m point; with room 2500 kg.
    assert (found.capacity_kg[0], found.capacity_any_spread_kg[0]) == (1500.0, 2500.0)
    # Only charted at full spread: there is nothing narrower to assume.
    assert match(fleet_of(chart()), unknown).capacity_kg[0] == 2500.0
    # One side given, the other narrowest.
    pairs = fleet_of(
        chart(((2.0, 3000.0), (6.0, 3000.0)), Spread.FULL, Spread.FULL),
        chart(((2.0, 2000.0), (6.0, 2000.0)), Spread.FULL, Spread.NONE),
        chart(((2.0, 1900.0), (6.0, 1900.0)), Spread.NONE, Spread.FULL),
    )
    assert match(pairs, job(spread_right=None)).capacity_kg[0] == 2000.0
    assert match(pairs, job(spread_left=None)).capacity_kg[0] == 1900.0
    # Two spreads are narrowest, each on another side: the worse.
    assert match(pairs, unknown).capacity_kg[0] == 1900.0
    # A fly jib that is charted at full spread only.
    assert match(FLEET, job(spread_left=None, spread_right=None, jib="needed")).capacity_kg[0] == 1000.0


def test_every_set_up_is_tried_for_tipping_and_ground() -> None:
    # On a light truck the set-up that carries most tips over: with the stabilisers retracted.
    light = TYPE.model_copy(update={"vehicle": TYPE.vehicle.model_copy(update={"mass_kg": 7000.0})})
    narrow = chart(((2.0, 3000.0), (6.0, 2900.0)), Spread.NONE, Spread.NONE)
    fleet = fleet_of(
        narrow, chart(((2.0, 2600.0), (6.0, 2500.0)), Spread.FULL, Spread.FULL), crane_type=light
    )
    assert ruling_of(match(fleet_of(narrow, crane_type=light), job(mass_kg=2000.0))) is Ruling.TIPS
    found = match(fleet, job(mass_kg=2000.0))
    assert ruling_of(found) is Ruling.FIT
    assert found.capacity_kg[0] == 2500.0
    # The pad that the wider spread needs: above its pressure nothing stands, and the ground says so.
    soft = match(fleet, job(mass_kg=2000.0, ground_bearing_kpa=float(found.pad_pressure_kpa[0]) - 1))
    assert ruling_of(soft) is Ruling.GROUND


LIGHT = TYPE.model_copy(update={"vehicle": TYPE.vehicle.model_copy(update={"mass_kg": 7000.0})})
LEVEL = ((2.0, 3000.0), (6.0, 2500.0))


def test_of_several_narrowest_spreads_the_one_that_tips_is_the_worst() -> None:
    # Retracted on the right the light truck tips to the right; retracted on the left it stands and is charted a little lower.
    fleet = fleet_of(
        chart(LEVEL, Spread.FULL, Spread.NONE),
        chart(((2.0, 3000.0), (6.0, 2400.0)), Spread.NONE, Spread.FULL),
        crane_type=LIGHT,
    )
    asked = {"mass_kg": 1900.0, "sector": "right"}
    assert ruling_of(match(fleet, job(**asked, spread_right="none"))) is Ruling.TIPS
    assert match(fleet, job(**asked, spread_left="none")).fit[0]
    unknown = match(fleet, job(**asked, spread_left=None, spread_right=None))
    assert ruling_of(unknown) is Ruling.TIPS
    # What is not entered costs the lift, by tipping, and not by capacity.
    assert unknown.fit_if_entered[0, Entry.SPREAD]
    assert unknown.remedy_kg[0, Remedy.SPREAD] == 2400.0


def test_what_would_not_stand_is_no_remedy() -> None:
    # Weak to the rear; strong to the side, where the retracted stabilisers let the light truck tip.
    fleet = fleet_of(
        chart(((2.0, 3000.0), (6.0, 900.0)), Spread.NONE, Spread.NONE, sector=Sector.REAR),
        chart(LEVEL, Spread.NONE, Spread.NONE, sector=Sector.SIDE),
        crane_type=LIGHT,
    )
    found = match(fleet, job(mass_kg=1900.0, sectors=["rear"]))
    assert (ruling_of(found), found.capacity_any_sector_kg[0]) == (Ruling.CAPACITY, 2500.0)
    assert found.remedy_kg[0].tolist() == [0.0, 0.0, 0.0]
    # Neither is one in wind above the crane's limit.
    calm = crane().model_copy(update={"wind_limit_m_s": 12.0})
    windy = match(build([calm]), job(mass_kg=1500.0, spread_right="part", wind_m_s=20.0))
    assert (ruling_of(windy), windy.remedy_kg[0].tolist()) == (Ruling.CAPACITY, [0.0, 0.0, 0.0])


ROWS = {
    0.0: ((2.0, 3000.0), (6.0, 2000.0)),
    2.0: ((2.0, 2800.0), (6.0, 1800.0)),
    9.0: ((2.0, 2500.0), (6.0, 1200.0)),
}


def test_a_hook_height_that_is_not_entered_may_be_any_of_the_chart() -> None:
    fleet = fleet_of(chart_by_height(ROWS))
    found = match(fleet, job())
    # 1200 kg in the highest row; at 2 m, the usual height, 1800 kg, where 0.85 * 1800 = 1530 kg may hang.
    assert found.capacity_kg[0] == 1200.0
    assert ruling_of(found) is Ruling.CAPACITY
    assert found.capacity_if_entered_kg[0, Entry.HOOK_HEIGHT] == 1800.0
    assert found.fit_if_entered[0, Entry.HOOK_HEIGHT]
    assert match(fleet, job(hook_height_m=2.0)).capacity_kg[0] == 1800.0
    # One point entered: the other one may be anywhere; were it as high as that one, 2000 kg.
    half = match(fleet, job(hook_height_m=0.0, pick={"outreach_m": 3.0}))
    assert (half.capacity_kg[0], half.capacity_if_entered_kg[0, Entry.HOOK_HEIGHT]) == (1200.0, 2000.0)
    assert ruling_of(match(fleet, job(hook_height_m=9.5, pick={"outreach_m": 3.0}))) is Ruling.HEIGHT
    # A row that ends nearer: at 5 m not every height holds. Beyond every row it is the reach.
    short = fleet_of(chart_by_height({**ROWS, 9.0: ((2.0, 2500.0), (4.0, 1200.0))}))
    assert ruling_of(match(short, job())) is Ruling.HEIGHT
    assert match(short, job()).capacity_kg[0] == 0.0
    assert match(short, job(hook_height_m=2.0)).capacity_kg[0] == 1800.0
    assert ruling_of(match(short, job(outreach_m=7.0))) is Ruling.TOO_FAR
    # Without rows by height there is nothing to choose from.
    plain = match(FLEET, job())
    assert plain.capacity_if_entered_kg[0, Entry.HOOK_HEIGHT] == plain.capacity_kg[0] == 2500.0


def test_what_is_assumed_over_an_obstacle_is_told_with_what_it_costs() -> None:
    fleet = fleet_of(chart_by_height(ROWS))
    # 0.5 m and 2.0 m and 0.5 m: the hook at 3 m, between the rows of 2 and 9 m; without what hangs below it at 1 m, 1800 kg;
    # without clearance at 2.5 m still between them.
    found = match(fleet, job(mass_kg=900.0, hook_height_m=0.0, obstacle_height_m=0.5))
    assert found.capacity_kg[0] == 1200.0
    assert found.capacity_if_entered_kg[0].tolist() == [1200.0, 1200.0, 1200.0, 1800.0, 1200.0]
    entered = {"below_hook_m": 0.5, "clearance_m": 0.5}
    assert match(fleet, job(hook_height_m=0.0, obstacle_height_m=0.5, **entered)).capacity_kg[0] == 1800.0


def test_a_smaller_plate_presses_harder() -> None:
    bare = match(FLEET, job()).pad_pressure_kpa[0]
    # The pad of the invented truck has 0.1 m2: on half of it the pressure doubles.
    assert match(FLEET, job(plate_area_m2=0.05)).pad_pressure_kpa[0] == pytest.approx(2 * bare)
    assert match(FLEET, job(plate_area_m2=0.2)).pad_pressure_kpa[0] == pytest.approx(bare / 2)


def test_a_hook_below_what_the_booms_reach_is_out() -> None:
    # From the pivot at 2.5 m hang 4 m at -60 degrees and 6 m nearly straight down, to 2.5 m outreach:
    # 2.5 - 4 sin 60 - sqrt(6^2 - 0.5^2) = -6.94 m, and the hook 0.5 m lower: -7.44 m.
    fleet = fleet_of(chart())
    assert ruling_of(match(fleet, job(outreach_m=2.5, hook_height_m=-7.35))) is Ruling.FIT
    assert ruling_of(match(fleet, job(outreach_m=2.5, hook_height_m=-7.45))) is Ruling.HEIGHT
    assert ruling_of(match(fleet, job(outreach_m=9.0, hook_height_m=-20.0))) is Ruling.HEIGHT


def test_wind_and_slope_are_compared_with_what_is_entered() -> None:
    windy = build(
        [crane().model_copy(update={"wind_limit_m_s": 12.0, "slope_limit_deg": 3.0}), crane("invented-b")]
    )
    assert match(windy, job(wind_m_s=12.0, slope_deg=3.0)).fit.tolist() == [True, True]
    assert [ruling_of(match(windy, job(wind_m_s=12.1)), index) for index in (0, 1)] == [
        Ruling.WIND,
        Ruling.FIT,
    ]
    assert ruling_of(match(windy, job(slope_deg=3.1))) is Ruling.SLOPE
    assert match(windy, job()).fit.all()
    # What a crane falls out at earlier stays named.
    assert ruling_of(match(windy, job(wind_m_s=20.0, outreach_m=14.5))) is Ruling.TOO_FAR


def test_the_worst_of_several_answers_is_taken_by_crane() -> None:
    before, after = match(fleet_of(chart()), job()), match(fleet_of(chart(PART_POINTS)), job())
    always = np.ones(1, np.bool_)
    found, which = worst([before, after], [always, always])
    assert (found.capacity_kg[0], which[0]) == (1500.0, 1)
    found, which = worst([before, after], [always, ~always])
    assert (found.capacity_kg[0], which[0]) == (2500.0, 0)


def test_the_jib_carries_no_more_than_its_rating() -> None:
    # The chart says 1500 kg at 4 m, the jib is rated at 1200 kg.
    assert match(FLEET, job(jib="needed", outreach_m=4.0, mass_kg=200.0)).capacity_kg[0] == 1200.0


def test_two_points_and_the_sweep_between_them() -> None:
    fleet = fleet_of(
        chart(sector=Sector.SIDE),
        chart(((2.0, 3000.0), (6.0, 1400.0)), sector=Sector.REAR),
        chart(((2.0, 2000.0), (6.0, 700.0)), sector=Sector.OVER_CAB),
    )
    side, rear = {"outreach_m": 3.0, "sector": "right"}, {"outreach_m": 3.0, "sector": "rear"}
    # Place at 5 m to the right: 2500 kg. From the right: only that counts. From the rear, the short way named, 1400 kg.
    assert match(fleet, job(sector="right")).capacity_kg[0] == 2500.0
    assert match(fleet, job(sector="right", pick=side)).capacity_kg[0] == 2500.0
    assert match(fleet, job(sector="right", pick=rear, way="anticlockwise")).capacity_kg[0] == 1400.0
    # The way not named: it may lead over the cab as well.
    assert match(fleet, job(sector="right", pick=rear)).capacity_kg[0] == 700.0
    # Sectors not named: every sector may be passed.
    assert match(fleet, job(pick={"outreach_m": 3.0})).capacity_kg[0] == 700.0
    # The farther of the two points holds, wherever it is.
    assert match(
        fleet, job(outreach_m=3.0, sector="right", pick={"outreach_m": 5.0, "sector": "right"})
    ).capacity_kg[0] == pytest.approx(2500.0)


def test_an_obstacle_raises_the_hook() -> None:
    by_height = chart_by_height({0.0: ((2.0, 3000.0), (6.0, 2000.0)), 9.0: ((2.0, 2500.0), (6.0, 1200.0))})
    fleet = fleet_of(by_height)
    assert match(fleet, job(hook_height_m=0.0)).capacity_kg[0] == 2000.0
    # 5.0 m obstacle + 0.5 m clearance + 2.0 m below the hook = 7.5 m: between the rows, the smaller holds.
    over = job(hook_height_m=0.0, obstacle_height_m=5.0)
    assert span_of(over).hook_height_m == (0.0, 7.5)
    assert match(fleet, over).capacity_kg[0] == 1200.0
    assert ruling_of(match(fleet, job(obstacle_height_m=7.0))) is Ruling.HEIGHT


def test_the_hook_has_to_come_up_at_the_near_end_of_a_sweep_too() -> None:
    # Booms that stop at 45 degrees reach highest well away from the column: 2.5 + (4 + 6) * sin 45 = 9.57 m at 7.07 m.
    low = TYPE.model_copy(
        update={
            "main_boom": TYPE.main_boom.model_copy(update={"highest_deg": 45.0}),
            "knuckle_boom": TYPE.knuckle_boom.model_copy(update={"highest_deg": 45.0}),
        }
    )
    fleet = fleet_of(chart(), crane_type=low)
    asked = {"mass_kg": 500.0, "outreach_m": 7.0, "hook_height_m": 8.0}
    assert ruling_of(match(fleet, job(**asked))) is Ruling.FIT
    assert ruling_of(match(fleet, job(**asked, pick={"outreach_m": 2.0}))) is Ruling.HEIGHT


def test_the_way_over_a_forbidden_sector_is_refused() -> None:
    asked = job(sectors=["over_cab", "rear"], sector="rear", pick={"outreach_m": 3.0, "sector": "over_cab"})
    with pytest.raises(InvalidInput, match="from over_cab to rear") as caught:
        match(FLEET, asked)
    assert caught.value.field == "sectors"


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"mass_kg": 0.0}, "mass_kg"),
        ({"mass_kg": -1.0}, "mass_kg"),
        ({"mass_kg": float("nan")}, "mass_kg"),
        ({"mass_kg": 1e9}, "mass_kg"),
        ({"outreach_m": 0.0}, "outreach_m"),
        ({"outreach_m": 101.0}, "outreach_m"),
        ({"hook_height_m": 121.0}, "hook_height_m"),
        ({"rigging_kg": -0.1}, "rigging_kg"),
        ({"rigging_kg": None}, "rigging_kg"),
        ({"planning_limit_pct": 101.0}, "planning_limit_pct"),
        ({"ground_bearing_kpa": 0.0}, "ground_bearing_kpa"),
        ({"sectors": []}, "sectors"),
        ({"spread_left": "half"}, "spread_left"),
        ({"mass_t": 1.0}, "mass_t"),
        ({"sector": "rear", "sectors": ["side"]}, "sector"),
    ],
)
def test_bad_input_names_the_field(asked: dict[str, object], field: str) -> None:
    with pytest.raises(ValidationError) as caught:
        job(**asked)
    assert any(field in str(error["loc"]) or field in error["msg"] for error in caught.value.errors())


def test_rigging_has_to_be_said() -> None:
    with pytest.raises(ValidationError, match="rigging_kg"):
        LiftJob.model_validate({"mass_kg": 1000.0, "outreach_m": 5.0})


jobs = st.builds(
    lambda mass, rigging, outreach, height, left, right, sectors, pick: LiftJob(
        mass_kg=mass,
        rigging_kg=rigging,
        outreach_m=outreach,
        hook_height_m=height,
        spread_left=left,
        spread_right=right,
        sectors=sectors,
        pick=pick,
    ),
    st.floats(1.0, 7000.0),
    st.floats(0.0, 500.0),
    st.floats(4.0, 16.0),  # from where all three invented charts have begun
    st.floats(-2.0, 4.0),
    st.sampled_from(Spread),
    st.sampled_from(Spread),
    st.sets(st.sampled_from(Sector), min_size=1).map(frozenset),
    st.one_of(st.none(), st.builds(Position, outreach_m=st.floats(4.0, 12.0))),
)
SECTOR_FLEET = fleet_of(
    chart(sector=Sector.SIDE),
    chart(tuple((r, kg * 0.8) for r, kg in FULL_POINTS), sector=Sector.REAR),
    chart(((2.0, 2500.0), (5.0, 1500.0)), Spread.PART, Spread.PART),
)


@settings(max_examples=60, deadline=None)
@given(jobs, st.floats(0.0, 5000.0), st.floats(0.0, 8.0))
def test_more_mass_or_outreach_never_gives_more_headroom(
    asked: LiftJob, more_kg: float, more_m: float
) -> None:
    for fleet in (FLEET, SECTOR_FLEET):
        before = match(fleet, asked)
        heavier = match(fleet, asked.model_copy(update={"mass_kg": asked.mass_kg + more_kg}))
        farther = match(fleet, asked.model_copy(update={"outreach_m": asked.outreach_m + more_m}))
        for after in (heavier, farther):
            assert after.headroom_pct[0] <= before.headroom_pct[0]
            assert after.headroom_kg[0] <= before.headroom_kg[0]
        # Fit may be lost to mass or reach and to nothing else; it is never won.
        assert before.fit[0] or not heavier.fit[0]


@settings(max_examples=60, deadline=None)
@given(jobs)
def test_a_crane_more_changes_no_answer(asked: LiftJob) -> None:
    other = TYPE.model_copy(
        update={"name": "invented-other", "charts": (chart(((2.0, 900.0), (7.0, 300.0))),)}
    )
    alone = match(FLEET, asked)
    together = match(build([crane("b", other), crane("a"), crane("c", other)]), asked)
    for name, values in vars(alone).items():
        if name != "configuration":  # an index into the fleet's configurations, which are more now
            np.testing.assert_array_equal(vars(together)[name][1], values[0])


@settings(max_examples=60, deadline=None)
@given(jobs)
def test_less_room_never_gives_more_capacity(asked: LiftJob) -> None:
    roomy = match(FLEET, asked.model_copy(update={"spread_left": Spread.FULL, "spread_right": Spread.FULL}))
    assert match(FLEET, asked).capacity_kg[0] <= roomy.capacity_kg[0]
    assert match(FLEET, asked).capacity_any_spread_kg[0] == roomy.capacity_kg[0]


@settings(max_examples=60, deadline=None)
@given(jobs)
def test_a_second_point_never_gives_more_capacity(asked: LiftJob) -> None:
    single = asked.model_copy(update={"pick": None})
    assert match(SECTOR_FLEET, asked).capacity_kg[0] <= match(SECTOR_FLEET, single).capacity_kg[0]


def test_among_equals_the_widest_spread_without_jib() -> None:
    fleet = fleet_of(
        chart(FULL_POINTS, Spread.FULL, Spread.FULL, jib=True),
        chart(FULL_POINTS, Spread.PART, Spread.PART),
        chart(FULL_POINTS, Spread.FULL, Spread.FULL),
    )
    roomy_jib = match(fleet, job(outreach_m=9.0))
    best = fleet.configuration_first_chart[roomy_jib.configuration[0]]
    assert fleet.table.spread_left[best] == SPREAD_RANK[Spread.FULL]
    assert not fleet.table.jib_fitted[best]


def test_cranes_of_a_type_are_computed_once() -> None:
    fleet = build([crane(f"invented-{index}") for index in range(5)])
    assert len(fleet.types) == 1
    assert match(fleet, job()).fit.tolist() == [True] * 5


def test_an_empty_fleet_answers_nothing() -> None:
    assert match(build([]), job()).fit.size == 0
