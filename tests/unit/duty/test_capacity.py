"""Reading load charts: worked by hand on a chart of round numbers, and properties over drawn charts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.crane import ChartPoint, LoadChart, Sector, Spread
from duty.capacity import ChartTable, capacity_kg, capacity_over_kg, chart_table, read_table
from duty.chart_pack import PlainCharts, pack, pack_stored
from tests.unit.duty.invented import FULL_POINTS, chart, chart_by_height

HEIGHT_CHART = chart_by_height(
    {
        0.0: ((2.0, 3000.0), (4.0, 2000.0), (6.0, 1000.0)),
        4.0: ((2.0, 2800.0), (4.0, 1900.0), (6.0, 1100.0)),
        8.0: ((2.0, 2000.0), (4.0, 1200.0)),
    }
)


def table_of(*sets: list[LoadChart]) -> ChartTable:
    return chart_table([pack(one) for one in sets])


@pytest.mark.parametrize(
    ("outreach_m", "expected_kg"),
    [
        (2.0, 6000.0),  # on a point: that point
        (2.01, 4000.0),  # past it: the next larger outreach, 4.0 m
        (4.0, 4000.0),
        (5.9, 2500.0),
        (10.0, 1300.0),  # the last point still holds
        (10.001, 0.0),  # outside: no capacity
        (1.99, 0.0),
        (np.nan, 0.0),
    ],
)
def test_the_next_larger_outreach_holds(outreach_m: float, expected_kg: float) -> None:
    assert capacity_kg(chart(), outreach_m) == expected_kg


def test_reads_arrays_of_any_shape() -> None:
    read = capacity_kg(chart(), np.array([[2.0, 3.0], [10.0, 11.0]]))
    np.testing.assert_array_equal(read, [[6000.0, 4000.0], [1300.0, 0.0]])


@pytest.mark.parametrize(
    ("outreach_m", "hook_height_m", "expected_kg"),
    [
        (4.0, 0.0, 2000.0),  # on the row
        (4.0, 2.0, 1900.0),  # between 0 m and 4 m: the smaller of 2000 and 1900
        (6.0, 2.0, 1000.0),  # the smaller of 1000 and 1100
        (4.0, 6.0, 1200.0),  # the smaller of 1900 and 1200
        (6.0, 6.0, 0.0),  # the row at 8 m ends at 4 m outreach
        (4.0, 8.1, 0.0),  # above the chart
        (4.0, -0.1, 0.0),  # below it
        (4.0, None, 1200.0),  # height not known: the worst row
    ],
)
def test_between_rows_the_smaller_one_holds(
    outreach_m: float, hook_height_m: float | None, expected_kg: float
) -> None:
    assert capacity_kg(HEIGHT_CHART, outreach_m, hook_height_m) == expected_kg


HOLED = chart(((2.0, 3000.0), (5.0, 2000.0), (8.0, 0.0), (9.0, 1000.0), (11.0, 600.0)))


@pytest.mark.parametrize(
    ("outreach_m", "expected_kg"),
    [(5.0, 2000.0), (5.01, 0.0), (8.0, 0.0), (8.5, 0.0), (9.0, 1000.0), (9.01, 600.0), (11.01, 0.0)],
)
def test_a_hole_goes_from_the_point_before_it_to_the_point_after(
    outreach_m: float, expected_kg: float
) -> None:
    assert capacity_kg(HOLED, outreach_m) == expected_kg
    at_point = read_table(table_of([chart(), HOLED]), (outreach_m, outreach_m), (0.0, 0.0))
    assert at_point.capacity_kg[1] == expected_kg


def test_a_way_over_a_hole_has_no_capacity() -> None:
    table = table_of([chart(), HOLED, HOLED])
    for span, expected_kg in (
        ((3.0, 5.0), 2000.0),
        ((3.0, 10.0), 0.0),
        ((8.5, 9.5), 0.0),
        ((9.0, 10.0), 600.0),
    ):
        assert read_table(table, span, (0.0, 0.0)).capacity_kg[1:].tolist() == [expected_kg] * 2, span


def test_a_table_reads_the_worst_point_of_a_rectangle() -> None:
    table = table_of([HEIGHT_CHART], [], [chart(), chart(sector=Sector.REAR)])
    read = read_table(table, (3.0, 3.5), (0.0, 6.0))
    # Rows 0, 4 and 8 m are all touched, at the next larger outreach 4.0 m: min(2000, 1900, 1200).
    np.testing.assert_array_equal(read.capacity_kg, [1200.0, 4000.0, 4000.0])
    np.testing.assert_array_equal(table.chart_variant, [0, 2, 2])


def test_a_table_says_why_there_is_no_capacity() -> None:
    table = table_of([HEIGHT_CHART, chart()])
    near = read_table(table, (1.0, 3.0), (0.0, 0.0))
    far = read_table(table, (6.5, 6.5), (0.0, 0.0))
    high = read_table(table, (3.0, 3.0), (9.0, 9.0))
    assert near.too_near.tolist() == [True, True]
    assert far.too_far.tolist() == [True, False]
    assert high.height_outside.tolist() == [True, False]
    assert near.capacity_kg.tolist() == [0.0, 0.0]
    assert far.capacity_kg.tolist() == [0.0, 1800.0]
    assert high.capacity_kg.tolist() == [0.0, 4000.0]


def test_an_empty_table_reads_empty() -> None:
    assert read_table(table_of([], []), (3.0, 3.0), (0.0, 0.0)).capacity_kg.size == 0


@st.composite
def charts(draw: st.DrawFn, holes_most: int = 2) -> LoadChart:
    """Charts with one to three rows, with or without heights, with or without holes."""
    heights = draw(st.lists(st.integers(-4, 12), min_size=1, max_size=3, unique=True))
    by_height = draw(st.booleans())
    points = []
    for height in heights if by_height else heights[:1]:
        outreaches = sorted(draw(st.lists(st.integers(1, 40), min_size=2, max_size=8, unique=True)))
        capacities = sorted(
            draw(st.lists(st.integers(1, 9000), min_size=len(outreaches), max_size=len(outreaches))),
            reverse=True,
        )
        holes = draw(st.sets(st.integers(0, len(outreaches) - 1), max_size=holes_most))
        capacities = [0 if index in holes else kg for index, kg in enumerate(capacities)]
        points += [
            ChartPoint(outreach_m=r / 2, capacity_kg=kg, hook_height_m=height if by_height else None)
            for r, kg in zip(outreaches, capacities, strict=True)
        ]
    return LoadChart(spread_left=Spread.FULL, spread_right=Spread.FULL, points=tuple(points))


@settings(deadline=None)
@given(charts(), st.floats(0.1, 25.0), st.one_of(st.none(), st.floats(-5.0, 13.0)))
def test_never_above_the_next_larger_outreach_of_the_chart(
    drawn: LoadChart, outreach_m: float, hook_height_m: float | None
) -> None:
    read = float(capacity_kg(drawn, outreach_m, hook_height_m))
    farther = [point.capacity_kg for point in drawn.points if point.outreach_m >= outreach_m]
    nearer = [point for point in drawn.points if point.outreach_m <= outreach_m]
    if not farther or not nearer:
        assert read == 0.0
    else:
        # One of the rows' next larger points is the largest that could be meant; no reading exceeds it.
        assert read <= max(farther)
    beyond = [
        point.capacity_kg
        for point in drawn.points
        if point.outreach_m >= outreach_m and point.hook_height_m in (None, hook_height_m)
    ]
    if read > 0 and beyond:
        assert read <= max(beyond)


@settings(deadline=None)
@given(charts(holes_most=0), st.floats(0.1, 25.0), st.floats(0.0, 10.0), st.floats(-5.0, 13.0))
def test_more_outreach_never_reads_more(
    drawn: LoadChart, outreach_m: float, more_m: float, hook_height_m: float
) -> None:
    near, far = capacity_kg(drawn, np.array([outreach_m, outreach_m + more_m]), hook_height_m)
    first = max(point.outreach_m for point in drawn.points)
    starts = {}
    for point in drawn.points:
        starts.setdefault(point.hook_height_m, point.outreach_m)
    if outreach_m >= max(starts.values()) or near > 0:
        assert far <= near
    if outreach_m + more_m > first:
        assert far == 0.0


@settings(deadline=None)
@given(st.lists(charts(), min_size=1, max_size=4), st.floats(0.1, 25.0), st.floats(-5.0, 13.0))
def test_the_table_agrees_with_the_single_reading(
    drawn: list[LoadChart], outreach_m: float, hook_height_m: float
) -> None:
    read = read_table(table_of(drawn), (outreach_m, outreach_m), (hook_height_m, hook_height_m))
    alone = [float(capacity_kg(one, outreach_m, hook_height_m)) for one in drawn]
    np.testing.assert_array_equal(read.capacity_kg, alone)


@settings(deadline=None)
@given(
    charts(),
    st.tuples(st.floats(0.1, 25.0), st.floats(0.1, 25.0)),
    st.tuples(st.floats(-5, 13), st.floats(-5, 13)),
)
def test_a_rectangle_never_reads_more_than_a_point_in_it(
    drawn: LoadChart, outreaches: tuple[float, float], heights: tuple[float, float]
) -> None:
    rectangle = (min(outreaches), max(outreaches)), (min(heights), max(heights))
    read = read_table(table_of([drawn]), *rectangle).capacity_kg[0]
    assert read == capacity_over_kg(drawn, *rectangle[0], *rectangle[1])
    for share in np.linspace(0.0, 1.0, 7):
        r = outreaches[0] + share * (outreaches[1] - outreaches[0])
        for height in np.linspace(*heights, 7):
            assert read <= capacity_kg(drawn, min(max(r, min(outreaches)), max(outreaches)), float(height))


def test_points_of_the_invented_chart_read_back() -> None:
    for outreach, kg in FULL_POINTS:
        assert capacity_kg(chart(), outreach) == kg


def plain(*charts: LoadChart, **changed: object) -> PlainCharts:
    points = [point for one in charts for point in one.points]
    return PlainCharts(
        [str(one.spread_left) for one in charts],
        [str(one.spread_right) for one in charts],
        [one.sector for one in charts],
        [one.jib_fitted for one in charts],
        [one.stage for one in charts],
        [len(one.points) for one in charts],
        [point.outreach_m for point in points],
        [point.capacity_kg for point in points],
        [point.hook_height_m for point in points],
    )._replace(**changed)


def test_stored_charts_pack_as_the_charts_themselves() -> None:
    sets = [[HEIGHT_CHART, chart(sector=Sector.REAR, jib=True)], [], [chart()], [HOLED, HEIGHT_CHART]]
    for stored, charts_ in zip(pack_stored([plain(*one) for one in sets]), sets, strict=True):
        assert stored is not None
        for found, expected in zip(stored, pack(charts_), strict=True):
            np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize(
    "changed",
    [
        {"outreach_m": [2.0, 4.0, 4.0, 8.0, 10.0]},  # does not rise
        {"capacity_kg": [6000.0, 4000.0, 4000.5, 1800.0, 1300.0]},  # rises with outreach
        {"capacity_kg": [6000.0, 4000.0, float("nan"), 1800.0, 1300.0]},
        {"capacity_kg": [6000.0, 4000.0, 2500.0, 1800.0, -1.0]},
        {"capacity_kg": [6000.0, 4000.0, 2500.0, 1800.0, "much"]},
        {"hook_height_m": [None]},  # left out of some points
        {"spread_left": ["wide"]},
        {"sector": ["front"]},
        {"points": [1]},
    ],
)
def test_unsound_stored_charts_are_refused_alone(changed: dict[str, object]) -> None:
    first, bad, last = pack_stored([plain(chart()), plain(chart(), **changed), plain(HEIGHT_CHART)])
    assert bad is None
    assert first is not None
    assert last is not None
    np.testing.assert_array_equal(last.points, pack([HEIGHT_CHART]).points)
