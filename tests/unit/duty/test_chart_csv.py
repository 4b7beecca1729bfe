"""Load charts from CSV: what is right is read, what is wrong is named with its line."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.crane import LoadChart, Sector, Spread, charts_in_force
from domain.errors import InvalidInput
from domain.units import KG_PER_LB, M_PER_FT
from duty.chart_csv import ChartFile, read_charts, write_charts
from duty.chart_rules import check_charts, refuse_charts
from tests.unit.duty.invented import CHARTS, JIB_POINTS, TYPE, chart, chart_by_height

GOOD = """\
spread_left,spread_right,sector,jib,stage,outreach_m,capacity_kg
# read off an invented plate
full,full,,no,,2.0,6000
full,full,,no,,4.0,4000
full,full,,no,,6.0,2500

part,full,side,no,2,2.0,3000
part,full,side,no,2,4.0,1500
"""


def problems_of(text: str) -> list[tuple[int, str]]:
    found = read_charts(text, TYPE)
    assert not found.charts
    return [tuple(problem) for problem in found.problems]


def test_reads_one_chart_for_each_configuration() -> None:
    found = read_charts(GOOD)
    assert not found.problems
    first, second = found.charts
    assert [(point.outreach_m, point.capacity_kg) for point in first.points] == [
        (2, 6000),
        (4, 4000),
        (6, 2500),
    ]
    assert (second.spread_left, second.spread_right, second.sector, second.stage) == (
        Spread.PART,
        Spread.FULL,
        Sector.SIDE,
        2,
    )
    assert [warning.text for warning in found.warnings] == [
        "spread part/full: no chart for over_cab, rear; there the crane has no capacity"
    ]


def test_units_are_converted_exactly() -> None:
    text = "spread_left,spread_right,outreach_ft,capacity_lb\nfull,full,10,1000\nfull,full,20,500\n"
    point = read_charts(text).charts[0].points[0]
    assert (point.outreach_m, point.capacity_kg) == (10 * M_PER_FT, 1000 * KG_PER_LB)
    in_t = "spread_left,spread_right,outreach_m,capacity_t\nfull,full,2,1.25\nfull,full,4,1\n"
    assert read_charts(in_t).charts[0].points[0].capacity_kg == 1250.0


def test_semicolons_allow_a_decimal_comma() -> None:
    text = "\ufeffspread_left;spread_right;outreach_m;capacity_kg\nfull;full;2,5;1000\nfull;full;4,5;800\n"
    assert [point.outreach_m for point in read_charts(text).charts[0].points] == [2.5, 4.5]


HEAD = "spread_left,spread_right,sector,jib,stage,hook_height_m,outreach_m,capacity_kg\n"


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("", 0, "a line of column names"),
        ("spread_left,spread_right,outreach_m,capacity_kg\n", 0, "1 to"),
        ("spread_left,spread_right,outreach_m,capacity_stone\nfull,full,2,3\n", 1, "capacity_kg, capacity_t, capacity_lb"),
        ("spread_left,spread_right,outreach,capacity_kg\nfull,full,2,3\n", 1, "outreach_m, outreach_ft"),
        ("spread_left,spread_right,outreach_m,capacity_kg,colour\nfull,full,2,3,red\n", 1, "'colour' is not known"),
        ("spread_left,outreach_m,capacity_kg\nfull,2,3\n", 1, "spread_right is missing"),
        ("spread_left,spread_right,outreach_m\nfull,full,2\n", 1, "capacity_kg is missing"),
        ("spread_left,spread_right,outreach_m,outreach_ft,capacity_kg\nfull,full,2,2,3\n", 1, "outreach stands there 2 times"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4\n", 3, "7 values for 8 columns"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,four,1\n", 3, "'four' is not a number"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4,\n", 3, "capacity: '' is not a number"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,nan,1\n", 3, "outside 0 to 100 m"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4000,1\n", 3, "outside 0 to 100 m; is the unit right?"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4,-1\n", 3, "outside 0 to 200000 kg"),
        (HEAD + "half,full,,,,,2,3000\nfull,full,,,,,4,1\n", 2, "'half' is none of full, part, none"),
        (HEAD + "full,full,front,,,,2,3000\nfull,full,,,,,4,1\n", 2, "none of empty, over_cab, right, rear, left, side"),
        (HEAD + "full,full,,maybe,,,2,3000\nfull,full,,,,,4,1\n", 2, "none of empty, no, yes"),
        (HEAD + "full,full,,,2.5,,2,3000\nfull,full,,,,,4,1\n", 2, "whole number from 0 to 20"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4,1000\nfull,full,,,,,4,900\n", 4, "stands in line 3 already"),
        (HEAD + "full,full,,,,,4,3000\nfull,full,,,,,2,1000\n", 3, "must rise within a configuration"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,4,3001\n", 3, "above the 3000 kg of line 2"),
        (HEAD + "full,full,,,,,2,3000\npart,part,,,,,2,1000\npart,part,,,,,3,1000\n", 2, "the only point"),
        (HEAD + "full,full,,,,,2,9\nfull,full,,,,,3,8\nfull,full,,,,,4,7\nfull,full,,,,,8,1\n", 5, "hole: nothing between 4 m and 8 m"),
        (HEAD + "full,full,,,,,2,3000\nfull,full,,,,,3,2000\nfull,full,,,,0,4,1\nfull,full,,,,0,5,1\n", 2, "hook_height: empty here"),
        (HEAD + "full,full,,,3,,2,3000\nfull,full,,,3,,3,2000\n", 2, "has 2 extensions"),
    ],
)  # fmt: skip
def test_each_problem_has_its_line(text: str, line: int, says: str) -> None:
    found = problems_of(text)
    assert any(number == line and says in problem for number, problem in found), found


def test_every_problem_is_told_at_once() -> None:
    text = HEAD + "half,full,,,,,2,3000\nfull,full,,,,,x,1\nfull,full,,,,,4,-1\n"
    assert [line for line, _ in problems_of(text)] == [2, 3, 4]


def test_a_jib_that_the_type_does_not_have_is_a_problem() -> None:
    bare = TYPE.model_copy(update={"jib": None})
    text = HEAD + "full,full,,yes,,,2,3000\nfull,full,,yes,,,3,2000\n"
    assert "has none" in read_charts(text, bare).problems[0].text
    assert not read_charts(text, TYPE).problems


def test_what_the_entry_makes_doubtful_is_warned_of() -> None:
    # Reach without jib: 4 + 3 + 1.5 + 1.5 = 10 m. 200 kN.m at 6 m are 200 / (9.80665 * 6) = 3399 kg without booms.
    text = HEAD + "full,full,,,,,6,3400\nfull,full,,,,,9,2000\nfull,full,,,,,12,100\n"
    found = read_charts(text, TYPE)
    assert len(found.charts) == 1
    assert [
        (warning.line, warning.text.split(" lies")[0].split(" is above")[0]) for warning in found.warnings
    ] == [
        (2, "load moment 200 kN.m"),
        (4, "outreach 12 m"),
    ]


def test_charts_written_are_read_back() -> None:
    charts = (
        *CHARTS,
        chart_by_height(
            {0.0: ((2.0, 3000.0), (4.0, 2000.0)), 4.0: ((2.0, 2500.0), (4.0, 1500.0))}, left=Spread.NONE
        ),
    )
    found = read_charts(write_charts(charts))
    assert not found.problems
    assert found.charts == charts


@settings(deadline=None, max_examples=60)
@given(st.text(max_size=400))
def test_no_text_breaks_the_reader(text: str) -> None:
    found = read_charts(text)
    assert isinstance(found, ChartFile)
    assert not (found.charts and found.problems)


CELLS = st.sampled_from(
    [
        "full",
        "part",
        "none",
        "",
        "yes",
        "no",
        "side",
        "2",
        "3.5",
        "4,5",
        "nan",
        "inf",
        "-1",
        "1e400",
        '"',
        "\x00",
        "²",
    ]
)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(CELLS, min_size=8, max_size=8), max_size=8))
def test_no_cells_break_the_reader(rows: list[list[str]]) -> None:
    found = read_charts(HEAD + "\n".join(",".join(row) for row in rows))
    assert bool(found.charts) != bool(found.problems)


def test_all_round_charts_leave_no_warning() -> None:
    assert not read_charts(write_charts((chart(),)), TYPE).warnings


def test_a_hole_is_stated_by_0_or_a_dash() -> None:
    for word in ("0", "-", "\u2013"):
        read = read_charts(
            f"{HEAD}full,full,,,,,2,3000\nfull,full,,,,,5,2000\nfull,full,,,,,9,{word}\nfull,full,,,,,10,900\n"
        )
        assert read.problems == ()
        assert [point.capacity_kg for point in read.charts[0].points] == [3000.0, 2000.0, 0.0, 900.0]
    # Behind a hole the capacity may not be above what was before it.
    risen = problems_of(f"{HEAD}full,full,,,,,2,3000\nfull,full,,,,,5,0\nfull,full,,,,,9,3001\n")
    assert any("above the 3000 kg of line 2" in text for _, text in risen)


def test_what_one_door_refuses_every_door_refuses() -> None:
    """The same charts as CSV and as the JSON of a type: refused for the same reason."""
    gap = ((2.0, 3000.0), (3.0, 2500.0), (4.0, 2000.0), (5.0, 1500.0), (9.0, 900.0))
    single = chart(((2.0, 3000.0), (4.0, 2000.0)))
    stray = LoadChart.model_validate(
        single.model_dump()
        | {"points": [{"outreach_m": r, "capacity_kg": 9.0, "hook_height_m": r} for r in (2.0, 4.0)]}
    )
    for charts, says in (
        ((chart(gap),), "hole: nothing between 5 m and 9 m"),
        ((stray,), "the only point of its row"),
        ((chart(JIB_POINTS, jib=True).model_copy(update={"stage": 7}),), "stage"),
    ):
        as_csv = read_charts(write_charts(charts), TYPE)
        as_json = check_charts(charts, TYPE)
        assert any(says in one.text for one in as_csv.problems), (says, as_csv.problems)
        assert any(says in one.text for one in as_json), (says, as_json)
        with pytest.raises(InvalidInput, match="load charts of"):
            refuse_charts(TYPE.model_copy(update={"charts": charts}))
    assert check_charts(TYPE.charts, TYPE) == []


def test_two_charts_for_one_set_up_are_refused() -> None:
    twice = (chart(), chart(((2.0, 9000.0), (10.0, 8000.0))))
    assert [one.text for one in check_charts(twice, TYPE)] == [
        "the same set-up as chart 1: keep the one that holds"
    ]
    # From different days on both may stand: the later takes over.
    later = twice[1].model_copy(update={"valid_from": date(2027, 1, 1)})
    assert check_charts((twice[0], later), TYPE) == []
    # Should two have come in all the same, the weaker reading counts, whichever came last.
    for order in (twice, twice[::-1]):
        assert len(charts_in_force(order, date(2027, 1, 1))) == 2
    assert charts_in_force((twice[0], later), date(2027, 1, 1)) == (later,)
