"""The job of the dispatch page: address, typed values and question say the same; what is wrong is named by field."""

from datetime import UTC, date, datetime
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo

import pytest

from dashboard.pages.dispatch.answer import configuration_words
from dashboard.pages.dispatch.form import address_typed
from dashboard.pages.dispatch.levelling import advice_words
from dashboard.pages.dispatch.list import read_list, read_pasted, shown
from dashboard.pages.dispatch.question import NUMBERS, Bad, address_of, allowed, query_of_typed, question_of
from dashboard.parts.form import Unreadable
from domain.crane import Sector, Spread
from domain.dispatch_answers import DispatchCandidate
from domain.job import JibRule, Position, Way
from domain.job_answers import LevellingRow
from domain.remark import count
from words.numbers import NBSP, THIN, Units
from words.remarks import remark

VIENNA = ZoneInfo("Europe/Vienna")
LEAST = {"mass_kg": "1500", "rigging_kg": "0", "outreach_m": "9"}
WHOLE = LEAST | {
    "rigging_kg": "62.5",
    "hook_height_m": "4",
    "sector": "rear",
    "pick_outreach_m": "5.5",
    "pick_hook_height_m": "1",
    "pick_sector": "side",
    "way": "clockwise",
    "wind_m_s": "8",
    "slope_deg": "2.5",
    "obstacle_height_m": "3",
    "below_hook_m": "1.5",
    "clearance_m": "0.7",
    "spread_left": "part",
    "spread_right": "none",
    "sectors": "side,rear",
    "jib": "forbidden",
    "ground_bearing_kpa": "1500",
    "plate_area_m2": "0.36",
    "planning_limit_pct": "75",
    "hoisting_factor": "1.4",
    "tolerated": "E-1,H-207",
    "w_life_per_ppm": "2",
    "w_distance_per_km": "0.5",
    "from": "2027-03-02T06:00Z",
    "to": "2027-03-02T08:00Z",
}


def test_every_field_of_an_address_reaches_the_question() -> None:
    asked = question_of(WHOLE)
    assert (asked.mass_kg, asked.rigging_kg, asked.hook_load_kg) == (1500.0, 62.5, 1562.5)
    assert asked.pick is not None
    assert (asked.pick.outreach_m, asked.pick.hook_height_m, asked.pick.sector) == (5.5, 1.0, Sector.SIDE)
    assert asked.sectors == {Sector.RIGHT, Sector.LEFT, Sector.REAR}
    assert (asked.way, asked.wind_m_s, asked.slope_deg) == (Way.CLOCKWISE, 8.0, 2.5)
    assert (question_of(LEAST).spread_left, question_of(LEAST).sector) == (None, None)
    assert (asked.spread_left, asked.spread_right, asked.jib) == (Spread.PART, Spread.NONE, JibRule.FORBIDDEN)
    assert (asked.weights.life_per_ppm, asked.weights.distance_per_km) == (2.0, 0.5)
    assert asked.tolerated_faults == {"E-1", "H-207"}
    assert asked.window is not None
    assert asked.window.starts_at == datetime(2027, 3, 2, 6, tzinfo=UTC)


@pytest.mark.parametrize("query", [LEAST, WHOLE])
def test_a_question_comes_back_from_its_own_address(query: dict[str, str]) -> None:
    asked = question_of(query)
    assert question_of(dict(parse_qsl(urlsplit(address_of(asked)).query))) == asked


@pytest.mark.parametrize(
    ("change", "field", "says"),
    [
        ({"mass_kg": "-1"}, "mass_kg", f"above 0 to 200{NBSP}t"),
        ({"mass_kg": "heavy"}, "mass_kg", "not a number"),
        ({"mass_kg": "nan"}, "mass_kg", "above 0"),
        ({"outreach_m": "101"}, "outreach_m", f"above 0 to 100{NBSP}m"),
        ({"hook_height_m": "-61"}, "hook_height_m", f"\u221260 to 120{NBSP}m"),
        ({"planning_limit_pct": "101"}, "planning_limit_pct", f"10 to 100{NBSP}%"),
        ({"hoisting_factor": "0.5"}, "hoisting_factor", "1 to 2"),
        ({"pick_outreach_m": "0"}, "pick_outreach_m", "above 0 to 100"),
        ({"w_not_free": "-5"}, "w_not_free", f"0 to 1{THIN}000{THIN}000"),
        ({"from": "2027-03-02T08:00Z", "to": "2027-03-02T07:00Z"}, "to", "after"),
        ({"spread_left": "wide"}, "spread_left", "full"),
        ({"sector": "rear", "sectors": "side"}, "", "sectors allowed"),
    ],
)
def test_what_is_wrong_is_named_with_the_range(change: dict[str, str], field: str, says: str) -> None:
    with pytest.raises(Bad) as caught:
        question_of(LEAST | change)
    assert says in caught.value.problems[field]


@pytest.mark.parametrize("part", [{"pick_sector": "rear"}, {"pick_hook_height_m": "6"}])
def test_a_pick_up_point_without_its_outreach_is_not_passed_over(part: dict[str, str]) -> None:
    with pytest.raises(Bad) as refused:
        question_of(LEAST | part)
    assert list(refused.value.problems) == ["pick_outreach_m"]


def test_rigging_has_to_be_said() -> None:
    with pytest.raises(Bad) as caught:
        question_of({"mass_kg": "1500", "outreach_m": "9"})
    assert list(caught.value.problems) == ["rigging_kg"]


def test_ranges_are_told_in_the_units_of_the_person() -> None:
    by_name = {one.name: one for one in NUMBERS}
    # 200 000 kg are 440 925 lb, 100 m are 328 ft.
    assert allowed(by_name["mass_kg"], Units.US) == f"above 0 to 440{THIN}925{NBSP}lb"
    assert allowed(by_name["outreach_m"], Units.US) == f"above 0 to 328{NBSP}ft"
    for one in NUMBERS:
        assert " to " in allowed(one, Units.METRIC), one.name


def test_a_job_as_typed_becomes_an_address() -> None:
    typed = {"mass_kg": 1.5, "rigging_kg": 0, "outreach_m": 9, "hook_height_m": 2, "planning_limit_pct": 85}
    chosen = {
        "spread_left": "unknown",
        "spread_right": "part",
        "sectors": ["right", "over_cab", "rear", "left"],
        "sector": "unknown",
        "jib": "any",
        "day": "2027-07-02",
        "from": "08:00",
        "to": "10:00",
    }
    search, problems = address_typed(typed, chosen, Units.METRIC, VIENNA)
    assert problems == {}
    assert search is not None
    # Defaults stay out of the address; 08:00 in Vienna in July is 06:00 UTC.
    assert dict(parse_qsl(search.lstrip("?"))) == {
        "mass_kg": "1500",
        "rigging_kg": "0",
        "outreach_m": "9",
        "hook_height_m": "2",
        "spread_right": "part",
        "from": "2027-07-02T06:00Z",
        "to": "2027-07-02T08:00Z",
    }
    in_pounds, _ = address_typed({"mass_kg": 1000, "rigging_kg": 0, "outreach_m": 10}, {}, Units.US, VIENNA)
    assert in_pounds is not None
    # 1000 lb * 0.45359237 kg/lb; 10 ft * 0.3048 m/ft.
    assert dict(parse_qsl(in_pounds.lstrip("?")))["mass_kg"] == "453.592"
    assert dict(parse_qsl(in_pounds.lstrip("?")))["outreach_m"] == "3.048"


@pytest.mark.parametrize(
    ("typed", "chosen", "fields"),
    [
        ({"mass_kg": "", "rigging_kg": "", "outreach_m": 9}, {}, {"mass_kg", "rigging_kg"}),
        ({}, {"day": "2027-07-02"}, {"from", "to"}),
        ({}, {"day": "2027-07-02", "from": "10:00", "to": "08:00"}, {"to"}),
        ({}, {"day": "2027-07-02", "from": "ten", "to": "11:00"}, {"from"}),
        ({"mass_kg": 900}, {}, {"mass_kg"}),
        ({}, {"sectors": []}, {"sectors"}),
    ],
)
def test_what_is_typed_wrong_stays_beside_its_field(
    typed: dict[str, object], chosen: dict[str, object], fields: set[str]
) -> None:
    whole = {"mass_kg": 1.5, "rigging_kg": 0, "outreach_m": 9} | typed
    search, problems = address_typed(whole, chosen, Units.METRIC, VIENNA)
    assert search is None
    assert set(problems) == fields


def test_a_days_list_is_read_line_by_line() -> None:
    lines, problems = read_list(
        [
            "Roof;08:00;10:00;20;1200;60;9;6;right;3;1;rear;full;part",
            "Pallets;08:00;09:30;;800;0;6;",
            "Late;10:00;09:00;0;800;0;6;",
            "Words;10:00;25:00;0;heavy;0;6;",
            "Bare;10:00;11:00;0;800;;6;",
        ],
        date(2027, 7, 2),
        VIENNA,
    )
    assert [line.asked.title for line in lines] == ["Roof", "Pallets"]
    roof, pallets = (line.asked for line in lines)
    assert (roof.travel_minutes, pallets.travel_minutes) == (20.0, 0.0)
    assert (roof.job.hook_height_m, pallets.job.hook_height_m) == (6.0, None)
    assert roof.job.pick == Position(outreach_m=3.0, hook_height_m=1.0, sector=Sector.REAR)
    assert (roof.job.sector, roof.job.spread_left, roof.job.spread_right) == ("right", "full", "part")
    assert (pallets.job.sector, pallets.job.spread_left, pallets.job.pick) == (None, None, None)
    assert roof.job.window is not None
    assert roof.job.window.starts_at == datetime(2027, 7, 2, 6, tzinfo=UTC)
    assert [problem.split(":")[0] for problem in problems] == ["Line 3", "Line 4", "Line 5"]
    assert problems[1] == "Line 4: Load: not a number; Until: hours and minutes, 08:30"
    assert problems[2] == "Line 5: Rigging: not a number"


@pytest.mark.parametrize(("day", "before"), [("2027-10-31", "23:15Z"), ("2027-03-28", "00:15Z")])
def test_a_time_that_comes_twice_or_never_makes_no_window_too_short(day: str, before: str) -> None:
    # Central Europe. In autumn 02:30 is 00:30 and 01:30 UTC; in spring there is no 02:30, and it may mean either of the two.
    typed = {"mass_kg": 1.5, "rigging_kg": 0, "outreach_m": 9}
    until = query_of_typed(typed, {"day": day, "from": "01:15", "to": "02:30"}, Units.METRIC, VIENNA)
    assert (until["from"][11:], until["to"][11:]) == (before, "01:30Z")
    since = query_of_typed(typed, {"day": day, "from": "02:30", "to": "04:00"}, Units.METRIC, VIENNA)
    assert since["from"] == f"{day}T00:30Z"
    lines, problems = read_list(["Roof;02:30;02:30;0;1200;0;9"], date.fromisoformat(day), VIENNA)
    assert problems == []
    window = lines[0].asked.job.window
    assert window is not None
    assert (f"{window.starts_at:%H:%M}", f"{window.ends_at:%H:%M}") == ("00:30", "01:30")


@pytest.mark.parametrize(
    "word", ["08:00 PM", "08:00+05:00", "08:00Z", "08:00-10:00", "0800", "25:00", "8.30", "08:00:30"]
)
def test_nothing_behind_a_clock_time_is_cut_off(word: str) -> None:
    # 08:00 PM is no morning, and a zone of its own is not that of the yard.
    lines, problems = read_list([f"Roof;06:00;{word};0;1200;0;9"], date(2027, 7, 2), VIENNA)
    assert (lines, len(problems)) == ([], 1)
    typed = {"mass_kg": 1.5, "rigging_kg": 0, "outreach_m": 9}
    with pytest.raises(Bad):
        query_of_typed(typed, {"day": "2027-07-02", "from": "06:00", "to": word}, Units.METRIC, VIENNA)


def test_a_clock_time_is_read_as_people_write_it() -> None:
    lines, _ = read_list(["Roof;6:00;08:00:00;30;1200;0;9"], date(2027, 7, 2), VIENNA)
    busy = lines[0].asked.busy
    assert busy is not None
    # 06:00 to 08:00 in July are 04:00 to 06:00 UTC; half an hour of travel before and after.
    assert (busy.starts_at, busy.ends_at) == (
        datetime(2027, 7, 2, 3, 30, tzinfo=UTC),
        datetime(2027, 7, 2, 6, 30, tzinfo=UTC),
    )


def test_the_words_of_a_set_up_name_the_extensions_of_its_chart() -> None:
    one = DispatchCandidate(
        crane="yard-04", title="", type="t", site="s", fit=True, usable=True, ruling="fit",
        spread_left=Spread.FULL, spread_right=Spread.PART, jib_fitted=False, stage=1,
    )  # fmt: skip
    assert configuration_words(one).endswith(", 1 extension out and no more")
    assert configuration_words(one.model_copy(update={"stage": 0})).endswith(", 0 extensions out and no more")
    assert "extension" not in configuration_words(one.model_copy(update={"stage": None}))


def test_ground_is_typed_in_the_units_of_the_person_too() -> None:
    typed = {
        "mass_kg": 2000,
        "rigging_kg": 0,
        "outreach_m": 20,
        "ground_bearing_kpa": 2000,
        "plate_area_m2": 10,
    }
    question = question_of(query_of_typed(typed, {}, Units.US, ZoneInfo("UTC")))
    assert question.ground_bearing_kpa == pytest.approx(2000 * 0.04788026, rel=1e-5)  # NIST SP 811
    assert question.plate_area_m2 == pytest.approx(0.9290304)


def test_a_pasted_list_is_read_in_the_units_of_the_form() -> None:
    # Beside a form in tonnes 1.2 is 1200 kg; beside one in pounds and feet 1000 lb are 453.592 kg and 20 ft 6.096 m.
    tonnes = read_pasted(["Roof;08:00;10:00;20;1.2;0.06;9;6;right"], Units.METRIC)
    assert tonnes == ["Roof;08:00;10:00;20;1200;60;9;6;right"]
    assert read_pasted(["Roof\t08:00\t10:00\t20\t1000\t0\t20"], Units.US) == [
        "Roof;08:00;10:00;20;453.592;0;6.096"
    ]
    assert shown(tonnes, Units.METRIC) == ["Roof;08:00;10:00;20;1.2;0.06;9;6;right"]
    # A first line that names the columns says its own units, in any order.
    named = ["title;from;to;outreach_m;mass_kg;rigging_t", "Roof;08:00;10:00;9;1200;0.06"]
    for units in Units:
        assert read_pasted(named, units) == ["Roof;08:00;10:00;;1200;60;9"]
    with pytest.raises(Unreadable) as caught:
        read_pasted(["title;from;to;mass", "Roof;08:00;10:00;1200"], Units.METRIC)
    assert "column mass is not known" in caught.value.problems["jobs"]
    assert "mass_t" in caught.value.problems["jobs"]
    # More cells than columns: nothing is lost without a word. Empty ones at the end say nothing.
    whole = "Roof;08:00;10:00;20;1.2;0.06;9;6;right;3;1;rear;full;part"
    assert read_pasted([f"{whole};;"], Units.METRIC) == read_pasted([whole], Units.METRIC)
    with pytest.raises(Unreadable) as surplus:
        read_pasted([whole, "", f"Roof; north{whole[4:]}", "title;1;2"], Units.METRIC)
    assert surplus.value.problems["jobs"].startswith("Line 3: 15 cells where the list has 14 columns")
    with pytest.raises(Unreadable, match="Line 2: 4 cells where the list has 3 columns"):
        read_pasted(["title;from;to", "Roof;08:00;10:00;1200"], Units.METRIC)
    # An address made by hand is held to the same.
    lines, problems = read_list([f"{whole};extra"], date(2027, 7, 2), VIENNA)
    assert (lines, len(problems)) == ([], 1)
    assert problems[0].startswith("Line 1: 15 cells")
    # Ranges are told in the units of the form: 100 m are 328 ft.
    far = read_list(["Roof;08:00;10:00;20;1200;60;200"], date(2027, 7, 2), VIENNA, Units.US)[1]
    assert "328" in far[0]
    # Neither of two masses is passed over.
    with pytest.raises(Unreadable) as twice:
        read_pasted(["title;from;to;mass_t;mass_kg", "Roof;08:00;10:00;2;20"], Units.METRIC)
    assert twice.value.problems["jobs"].startswith("column mass_kg says what another column says")


def test_what_speaks_against_more_work_stands_beside_the_advice() -> None:
    row = LevellingRow(
        crane="heron-3", used_share=0.2, review_on=date(2027, 3, 1), pace_share_per_month=0.001, even_share_per_month=0.002,
        advice=remark("no_more_than_now"),
        held_back=(
            remark("open_fault", fault="H-207"),
            remark("most_overrides", overrides=count(1200), days=count(90)),
        ),
    )  # fmt: skip
    assert (
        advice_words(row, Units.US)
        == f"no more work than now (open fault H-207; most limiter overrides: 1{THIN}200 in 90 days)"
    )
    assert advice_words(row.model_copy(update={"held_back": ()}), Units.METRIC) == "no more work than now"
