"""What the fleet page says of rows made by hand: attention, sentences, the change over the weeks."""

import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from dashboard.engine.pack import plain
from dashboard.pages.fleet import morning as fleet_morning
from dashboard.pages.fleet import table as fleet_table
from dashboard.pages.fleet import weeks as fleet_weeks
from dashboard.pages.health import page as health
from dashboard.parts import marks
from domain.attention import State
from domain.fleet_answers import FleetAnswer, FleetRow, FleetWeeksAnswer, FleetWeeksRow

TODAY = date(2026, 11, 25)


def row(crane: str = "heron-3", **changes: Any) -> FleetRow:
    now = datetime(2026, 11, 25, 8, tzinfo=UTC)
    counts = dict.fromkeys(
        ("limiter_stops", "limiter_overrides", "warnings", "faults", "near_limit_lifts", "open_faults"), 0
    )
    seconds = dict.fromkeys(("recorded_s", "working_s", "loaded_s", "near_limit_s", "emergency_s"), 0.0)
    base: dict[str, Any] = {
        **counts,
        **seconds,
        "crane": crane,
        "title": "",
        "type": "long",
        "site": "north",
        "draft": False,
        "online": True,
        "last_at": now,
        "age_s": 5.0,
        "utilisation_pct": 20.0,
        "near_limit_pct": 0.5,
        "lifts": 10,
        "used_share": 0.2,
        "counted_at": now,
    }
    return FleetRow(**{**base, **changes})


def fleet(*rows: FleetRow) -> FleetAnswer:
    return FleetAnswer(
        cautions=(),
        day_from=TODAY - timedelta(days=6),
        day_to=TODAY,
        near_limit_from_pct=90.0,
        rows=rows,
        quarantined=0,
    )


def said(*rows: FleetRow) -> str:
    return str(fleet_morning.sentences(fleet(*rows), {}, TODAY))


@pytest.mark.parametrize(
    ("changes", "state", "word"),
    [
        ({}, State.OK, "Nothing pressing"),
        ({"open_faults": 2}, State.ACT, "2 open faults"),
        ({"open_overloads": 1, "findings": 3}, State.WATCH, "Open overload"),
        ({"open_overloads": 3, "open_faults": 1}, State.ACT, "Open fault"),
        ({"near_limit_pct": 5.0}, State.ACT, "Often near limit"),
        ({"near_limit_pct": 3.0, "service_due_on": TODAY - timedelta(days=1)}, State.ACT, "Service overdue"),
        ({"service_due_on": TODAY + timedelta(days=30)}, State.WATCH, "Service due soon"),
        ({"service_due_on": TODAY + timedelta(days=31)}, State.OK, "Nothing pressing"),
        ({"used_share": 0.95}, State.ACT, "Life nearly used"),
        ({"age_s": 90_000.0}, State.STALE, "Silent"),
        ({"findings": 1}, State.WATCH, "1 finding"),
        ({"findings": 3, "age_s": 90_000.0}, State.WATCH, "3 findings"),
        ({"findings": 3, "open_faults": 2}, State.ACT, "2 open faults"),
        ({"draft": True, "open_faults": 1}, State.WATCH, "Not set up yet"),
    ],
)
def test_the_most_pressing_thing_names_the_state(changes: dict[str, Any], state: State, word: str) -> None:
    assert fleet_table.pressing(row(**changes), TODAY) == (state, word)


def test_a_healthy_fleet_has_no_line_that_wants_attention() -> None:
    words = said(row(service_due_on=TODAY + timedelta(days=90)), row("crake-1"))
    assert "bl-act" not in words
    assert "bl-watch" not in words
    assert "No service falls due within 30 days." in words


def test_services_past_and_soon_are_named_apart() -> None:
    words = said(
        row("crake-1", service_due_on=TODAY - timedelta(days=3)),
        row("heron-3", service_due_on=TODAY + timedelta(days=3)),
    )
    _, past, soon = re.split("Service is overdue: |Service falls due within 30 days: ", words)
    assert ("crake-1" in past, "heron-3" in past) == (True, False)
    assert "heron-3" in soon
    assert "bl-act" in words


def test_a_long_list_of_silent_cranes_ends_in_a_count() -> None:
    words = said(*(row(f"crane-{number}", age_s=None) for number in range(8)))
    assert "crane-5" in words
    assert "crane-6" not in words
    assert " and 2 more" in words


def test_the_change_compares_the_later_half_of_the_weeks_with_the_earlier() -> None:
    assert fleet_weeks.change_points((1.0, None, 3.0, 5.0, 7.0, None)) == pytest.approx(4.0)
    assert fleet_weeks.change_points((None, None, 3.0, 5.0)) is None


def test_small_multiples_name_cranes_that_came_nearer_to_the_limit() -> None:
    weeks = FleetWeeksAnswer(
        weeks=tuple(TODAY - timedelta(weeks=back) for back in (3, 2, 1, 0)),
        near_limit_from_pct=90.0,
        rows=(
            FleetWeeksRow(crane="crake-1", near_limit_pct=(1.0, 1.0, 4.0, 4.0)),
            FleetWeeksRow(crane="heron-3", near_limit_pct=(0.1, None, 0.1, 0.2)),
        ),
    )
    drawn = str(plain(fleet_weeks.small_multiples(weeks, fleet(row("crake-1"), row("heron-3")))))
    assert "Later weeks ran nearer to the limit on crake-1." in drawn
    assert (
        drawn.count("bl-week bl-week-act") + drawn.count("bl-week bl-week-watch") == 2
    )  # only the newest two stand out
    assert drawn.count("bl-week-none") == 1
    assert "crake-1: 4 weeks between 1.0\\xa0% and 4.0\\xa0%, last 4.0\\xa0%." in drawn


@pytest.mark.parametrize(
    ("left", "words"), [(-2, "2 days past"), (-1, "One day past"), (0, "today"), (1, "tomorrow"), (9, "in 9 days")]
)  # fmt: skip
def test_due_days_read_as_people_say_them(left: int, words: str) -> None:
    assert marks.due_words(TODAY + timedelta(days=left), TODAY) == words


def test_of_a_large_fleet_the_record_of_the_longest_silent_is_drawn() -> None:
    rows = [row(f"crane-{number:02d}", age_s=float(number)) for number in range(20)]
    drawn = health.record_cranes([row("never", age_s=None), *rows])
    assert drawn == [f"crane-{number:02d}" for number in range(8, 20)]


def test_cranes_whose_readings_are_in_doubt_are_named_with_the_way_to_what_was_found() -> None:
    words = said(row(findings=1), row("crake-1", findings=2), row("teal-2"))
    assert "Readings of 2 cranes are in doubt" in words
    assert words.index("/data?crane=crake-1") < words.index("/data?crane=heron-3")
    assert "/data?crane=teal-2" not in words
    assert "in doubt" not in said(row())


def test_open_overloads_are_named_with_the_way_to_their_register() -> None:
    words = said(
        row("a-1", open_overloads=2, overloads=9), row("b-2", overloads=4), row("c-3", open_overloads=5)
    )
    assert "7 overloads are not decided on" in words
    assert words.index("/overloads?crane=c-3") < words.index("/overloads?crane=a-1")
    assert "/overloads?crane=b-2" not in words
    assert "not decided on" not in said(row("b-2", overloads=4))
