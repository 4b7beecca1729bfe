"""What drawings show, worked by hand; and no reading anywhere above what the charts allow."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.crane import QUARTERS, ChartPoint, LoadChart, Sector, Spread
from domain.job import LiftJob
from duty import drawing
from duty.capacity import SPREAD_RANK, capacity_kg
from duty.dispatch import match
from duty.drawing import SetUp, counted_spread, curve, frames, held_charts, rated_kg
from duty.fleet import build
from duty.geometry import pose
from duty.statics import sector_of
from duty.sweep import span_of
from tests.unit.duty.invented import FULL_POINTS, JIB_POINTS, PART_POINTS, TYPE, chart, chart_by_height, crane

FULL = SetUp(Spread.FULL, Spread.FULL, QUARTERS, None, None)
HOLED = chart(((2.0, 3000.0), (5.0, 2000.0), (8.0, 0.0), (9.0, 1000.0), (11.0, 600.0)))
PLAIN = TYPE.model_copy(update={"jib": None})


@pytest.mark.parametrize(
    ("percent", "spread"),
    [
        (None, "none"),
        (0.0, "none"),
        (49.9, "none"),
        (50.0, "part"),
        (98.9, "part"),
        (99.0, "full"),
        (float("nan"), "none"),
    ],
)
def test_a_stabiliser_counts_as_what_it_has_reached(percent: float | None, spread: str) -> None:
    assert counted_spread(percent) == spread


def test_the_line_has_steps_and_no_slopes() -> None:
    # At 3 m the next larger outreach, 4 m, holds; so the line drops at 2 m and goes level to 4 m.
    assert curve([chart(((2.0, 6000.0), (4.0, 4000.0), (6.0, 2500.0)))], [None]) == [
        (2.0, 6000.0), (2.0, 4000.0), (4.0, 4000.0), (4.0, 2500.0), (6.0, 2500.0),
    ]  # fmt: skip


def test_the_line_goes_to_0_in_a_hole() -> None:
    assert curve([HOLED], [None]) == [
        (2.0, 3000.0), (2.0, 2000.0), (5.0, 2000.0), (5.0, 0.0), (9.0, 0.0), (9.0, 600.0), (11.0, 600.0),
    ]  # fmt: skip


def test_the_charts_of_the_widest_spread_that_is_reached_hold() -> None:
    charts = (chart(), chart(PART_POINTS, Spread.PART, Spread.PART))
    assert held_charts(charts, FULL) == [charts[0]]
    part = FULL._replace(spread_right=Spread.PART)
    assert held_charts(charts, part) == [charts[1]]
    assert held_charts(charts, FULL._replace(spread_left=Spread.NONE)) == []
    # A set-up without a chart for one of the sectors that may be meant has no capacity.
    side = (chart(sector=Sector.SIDE), chart(sector=Sector.REAR))
    assert held_charts(side, FULL) == []
    assert held_charts(side, FULL._replace(sectors=(Sector.LEFT,))) == [side[0]]


def test_frames_worked_by_hand() -> None:
    readings = {
        "main_boom_deg": np.array([0.0, 60.0, np.nan]),
        "knuckle_boom_deg": np.array([0.0, 0.0, 0.0]),
        "extension_m": np.array([1.0, 0.0, 0.0]),
        "slew_deg": np.array([90.0, 0.0, 0.0]),
        "stabiliser_left_pct": np.array([100.0, 60.0, 100.0]),
        "stabiliser_right_pct": np.array([100.0, 60.0, 100.0]),
    }
    charts = (chart(sector=Sector.RIGHT), chart(PART_POINTS, Spread.PART, Spread.PART))
    found = frames(PLAIN, charts, readings, 3)
    # Level: 4 m + 3 m + 1 m = 8 m outreach at 2.5 m height. At 60 degrees: 4 cos 60 + 3 = 5 m at 2.5 + 4 sin 60 = 5.96 m.
    assert found.joints_m[0].tolist() == [[0.0, 2.5], [4.0, 2.5], [8.0, 2.5]]
    assert found.outreach_m[:2] == pytest.approx([8.0, 5.0])
    assert found.hook_height_m[1] == pytest.approx(2.5 + 4 * np.sin(np.radians(60)))
    # To the right at full spread the 8 m point: 1800 kg. Over the cab at part spread, past 4 m: the 6 m point, 1500 kg.
    assert found.rated_kg[:2].tolist() == [1800.0, 1500.0]
    assert np.isnan(found.rated_kg[2])
    assert [found.curve[0] != found.curve[1], int(found.curve[2])] == [True, -1]
    # Part is half of the stroke between 1.2 m and 3 m; 60 % of it is 2.28 m.
    assert found.left_m[:2] == pytest.approx([3.0, 2.28])


def test_there_is_no_capacity_where_a_length_of_the_boom_is_not_read() -> None:
    readings = {
        "main_boom_deg": np.zeros(3),
        "knuckle_boom_deg": np.zeros(3),
        "extension_m": np.array([1.0, np.nan, 1.0]),
        "slew_deg": np.full(3, 90.0),
        "stabiliser_left_pct": np.full(3, 100.0),
        "stabiliser_right_pct": np.full(3, 100.0),
    }
    found = frames(PLAIN, (chart(),), readings, 3)
    # Drawn as run in, at 7 m instead of up to 10 m: the capacity of 7 m would be too much.
    assert found.rated_kg.tolist() == [1800.0, 0.0, 1800.0]
    assert found.curves[int(found.curve[1])] == []
    # Neither is there an outreach to go by.
    assert np.isnan(found.outreach_m).tolist() == [False, True, False]
    assert np.isnan(drawing.outreach_m(PLAIN, readings)).tolist() == [False, True, False]
    # The same where the jib falls silent, while the boom tip stands in for its tip.
    jib = {"jib_deg": np.array([0.0, 0.0, np.nan]), "jib_extension_m": np.zeros(3)}
    readings["extension_m"] = np.full(3, 1.0)
    found = frames(TYPE, (chart(JIB_POINTS, jib=True), chart()), readings | jib, 3)
    assert found.rated_kg[0] == found.rated_kg[1] > 0
    assert found.rated_kg[2] == 0.0


def test_a_frame_of_several_samples_has_the_capacity_of_the_worst() -> None:
    one = dict.fromkeys(("main_boom_deg", "knuckle_boom_deg"), np.zeros(1)) | {"slew_deg": np.full(1, 90.0)}
    one |= {f"stabiliser_{side}_pct": np.full(1, 100.0) for side in ("left", "right")}
    one["extension_m"] = np.full(1, 1.0)
    whole = np.ones(1, np.bool_)

    def rated(near: float, far: float, stage: float, *charts: LoadChart) -> float:
        at, level = (np.full(1, value) for value in (near, far)), np.full(1, 2.5)
        stood = drawing.Seen(*at, level, level, np.full(1, stage), whole)
        return float(frames(PLAIN, charts, one, 1, stood).rated_kg[0])

    # The middle of 5 and 9 m would be read at the 8 m point, 1800 kg; at 9 m the 10 m point holds.
    assert rated(7.0, 7.0, 1.0, chart()) == 1800.0
    assert rated(5.0, 9.0, 1.0, chart()) == 1300.0
    assert rated(1.0, 7.0, 1.0, chart()) == 0.0
    # A hole that was passed on the way.
    holed = chart(((2.0, 3000.0), (5.0, 0.0), (6.0, 2000.0), (10.0, 1500.0)))
    assert (rated(7.0, 7.0, 1.0, holed), rated(1.5, 7.0, 1.0, holed)) == (1500.0, 0.0)
    # With more than one stage in it the charts of all hold.
    stages = [
        chart(((2.0, kg), (10.0, kg))).model_copy(update={"stage": stage})
        for stage, kg in ((1, 900.0), (2, 700.0))
    ]
    assert [rated(7.0, 7.0, stage, *stages) for stage in (1.0, 2.0, np.nan)] == [900.0, 700.0, 700.0]


def test_a_pose_for_a_job_brings_the_hook_there() -> None:
    for outreach, height in ((6.0, 2.0), (9.0, 3.0), (4.0, 7.0)):
        joints = drawing.pose_reaching(PLAIN, outreach, height)
        assert joints is not None
        assert joints[-1] == pytest.approx((outreach, height), abs=1e-6)
    assert drawing.pose_reaching(PLAIN, 15.0, 2.0) is None


def test_the_outline_ends_at_all_members_in_line_and_above_the_ground() -> None:
    outline = drawing.outline(PLAIN)
    assert max(x for x, _ in outline) == pytest.approx(4 + 3 + 3, abs=0.2)
    assert min(y for _, y in outline) >= 0.0
    # The fly jib belongs to the outline of a type that has one.
    assert max(x for x, _ in drawing.outline(TYPE)) > max(x for x, _ in outline) + 3


def test_the_outreach_that_follows_from_a_pose() -> None:
    readings = {"main_boom_deg": [60.0, np.nan], "knuckle_boom_deg": [-10.0, 0.0], "extension_m": [2.0, 1.0]}
    found = drawing.outreach_m(PLAIN, readings)
    assert found[0] == pytest.approx(pose(PLAIN, 60.0, -10.0, 2.0).outreach_m)
    assert np.isnan(found[1])


# ---- no reading anywhere above the charts ----
@st.composite
def chart_sets(draw: st.DrawFn) -> tuple[LoadChart, ...]:
    """Charts with holes, rows by height, stages and sectors, over all spreads; each set-up once."""
    spreads = st.tuples(st.sampled_from(Spread), st.sampled_from(Spread))
    places = st.one_of(st.none(), st.sampled_from(Sector))
    stages = st.sampled_from([None, 1, 2])
    keys = draw(st.lists(st.tuples(spreads, places, stages), min_size=1, max_size=8, unique=True))
    found = []
    for (left, right), sector, stage in keys:
        heights: list[float | None] = [None]
        if draw(st.booleans()):
            heights = sorted(
                draw(
                    st.lists(st.sampled_from([-2.0, 0.0, 2.0, 4.0, 8.0]), min_size=1, max_size=3, unique=True)
                )
            )  # type: ignore[assignment]
        points = []
        for height in heights:
            at = sorted(draw(st.lists(st.integers(2, 20), min_size=2, max_size=6, unique=True)))
            kg = sorted(
                draw(st.lists(st.integers(200, 6000), min_size=len(at), max_size=len(at))), reverse=True
            )
            hole = draw(st.integers(-1, len(at) - 1))
            points += [
                ChartPoint(outreach_m=r / 2, capacity_kg=0 if index == hole else one, hook_height_m=height)
                for index, (r, one) in enumerate(zip(at, kg, strict=True))
            ]
        found.append(
            LoadChart(spread_left=left, spread_right=right, sector=sector, stage=stage, points=tuple(points))
        )
    return tuple(found)


def allowed_kg(
    charts: tuple[LoadChart, ...],
    left: Spread,
    right: Spread,
    sector: Sector,
    outreach_m: float,
    height_m: float | None,
) -> float:
    """The best set-up of the charts at one point, read by duty.capacity alone: what nothing may exceed."""
    best = 0.0
    setups = {(one.spread_left, one.spread_right, one.stage) for one in charts}
    for setup in setups:
        if SPREAD_RANK[setup[0]] > SPREAD_RANK[left] or SPREAD_RANK[setup[1]] > SPREAD_RANK[right]:
            continue
        held = [
            one
            for one in charts
            if (one.spread_left, one.spread_right, one.stage) == setup
            and (one.sector is None or sector in one.sector.quarters)
        ]
        if held:
            best = max(best, min(float(capacity_kg(one, outreach_m, height_m)) for one in held))
    return best


@settings(deadline=None, max_examples=150)
@given(
    chart_sets(),
    st.floats(1.0, 11.0),
    st.one_of(st.none(), st.floats(-3.0, 9.0)),
    st.sampled_from(Spread),
    st.sampled_from(Spread),
    st.sets(st.sampled_from(QUARTERS), min_size=1).map(frozenset),
)
def test_dispatch_and_the_line_of_a_lift_never_promise_more(
    charts: tuple[LoadChart, ...],
    outreach_m: float,
    height_m: float | None,
    left: Spread,
    right: Spread,
    sectors: frozenset[Sector],
) -> None:
    job = LiftJob(
        mass_kg=1.0, rigging_kg=0.0, outreach_m=outreach_m, hook_height_m=height_m,
        spread_left=left, spread_right=right, sectors=sectors,
    )  # fmt: skip
    fleet = build([crane(crane_type=PLAIN)], [charts])
    found = match(fleet, job)
    most = min(allowed_kg(charts, left, right, one, outreach_m, height_m) for one in sectors)
    assert found.capacity_kg[0] <= most
    if found.configuration[0] < 0:
        return
    table, first = fleet.table, int(fleet.configuration_first_chart[found.configuration[0]])
    by_rank = {rank: spread for spread, rank in SPREAD_RANK.items()}
    stage = int(table.stage[first])
    setup = SetUp(
        by_rank[int(table.spread_left[first])], by_rank[int(table.spread_right[first])],
        tuple(sectors), False, None if stage < 0 else stage,
    )  # fmt: skip
    span = span_of(job)
    line = drawing.lift_curve(PLAIN, charts, setup, span)
    for (near, low), (far, high) in zip(line, line[1:], strict=False):
        if near < far:
            assert low == high
            for x in np.linspace(near, far, 5)[1:-1]:
                assert low <= min(allowed_kg(charts, left, right, one, float(x), height_m) for one in sectors)


@settings(deadline=None, max_examples=150)
@given(
    chart_sets(),
    st.lists(
        st.tuples(st.floats(-60, 80), st.floats(-90, 80), st.floats(0, 3), st.floats(-180, 179)),
        min_size=1,
        max_size=5,
    ),
    st.tuples(st.one_of(st.none(), st.floats(0, 100)), st.one_of(st.none(), st.floats(0, 100))),
)
def test_no_frame_of_a_replay_promises_more(
    charts: tuple[LoadChart, ...],
    poses: list[tuple[float, float, float, float]],
    percents: tuple[float | None, float | None],
) -> None:
    columns = dict(
        zip(("main_boom_deg", "knuckle_boom_deg", "extension_m", "slew_deg"), np.array(poses).T, strict=True)
    )
    for side, percent in zip(("left", "right"), percents, strict=True):
        columns[f"stabiliser_{side}_pct"] = np.full(len(poses), np.nan if percent is None else percent)
    found = frames(PLAIN, charts, columns, len(poses))
    left, right = (counted_spread(percent) for percent in percents)
    for index, (*_, slew) in enumerate(poses):
        sector = sector_of(slew).item()
        at = float(found.outreach_m[index]), float(found.hook_height_m[index])
        assert found.rated_kg[index] <= allowed_kg(charts, left, right, sector, *at)
        line = found.curves[int(found.curve[index])]
        for (near, low), (far, _) in zip(line, line[1:], strict=False):
            if near < far:
                for x in np.linspace(near, far, 5)[1:-1]:
                    assert low <= allowed_kg(charts, left, right, sector, float(x), at[1])


def test_capacity_with_a_jib_is_never_above_its_rating() -> None:
    jib = chart(JIB_POINTS, jib=True)
    assert rated_kg([jib], 4.0, [None], 1200.0) == 1200.0
    assert max(kg for _, kg in curve([jib], [None], 1200.0)) == 1200.0
    assert rated_kg([chart(FULL_POINTS)], 4.0, [None], 1200.0) == 4000.0
    assert curve(
        [chart_by_height({0.0: ((2.0, 900.0), (4.0, 500.0)), 4.0: ((2.0, 800.0), (4.0, 600.0))})], [2.0]
    )[-1] == (4.0, 500.0)
