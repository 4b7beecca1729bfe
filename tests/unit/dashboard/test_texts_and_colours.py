"""The catalogue is complete and has nothing left over; colours keep their contrast; numbers read as agreed."""

import ast
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest

from dashboard.pages.crane import tables
from dashboard.palette import DARK, LIGHT, contrast
from dashboard.visit import Visit
from domain.alerts import AlertKind
from domain.answers import Lift
from domain.channels import CHANNEL_NAMES
from domain.errors import QuarantineReason
from domain.remark import Quantity, count
from words import numbers, remarks
from words.numbers import NBSP, THIN, Units
from words.remarks import remark
from words.texts import english, t

ROOM = Path(__file__).parents[3] / "dashboard"
ROOMS = ("alerts", "answers", "api", "dashboard", "domain", "duty", "reports", "words")
SOURCES = [path.read_text() for room in ROOMS for path in sorted((ROOM.parent / room).rglob("*.py"))]


def keys_asked_for(sources: list[str]) -> tuple[set[str], set[str]]:
    """Keys as they stand in the code, and the patterns of those that are put together for `t`, `remark` or `coded`."""
    whole: set[str] = set()
    patterns: set[str] = set()
    for source in sources:
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                whole.add(node.value)
            is_t = (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ("t", "remark", "coded")
            )
            if is_t and node.args and isinstance(node.args[0], ast.JoinedStr):
                parts = [
                    re.escape(p.value) if isinstance(p, ast.Constant) else "[a-z0-9_]+"
                    for p in node.args[0].values
                ]
                patterns.add("".join(parts))
    return whole, patterns


def test_every_text_asked_for_is_in_the_catalogue() -> None:
    asked = {
        node.args[0].value
        for source in SOURCES
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "t"
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    assert len(asked) > 200
    assert asked - set(english().texts) == set()


def test_every_value_of_a_list_has_its_text() -> None:
    """Keys that end in a value, like `channel.slew_deg`: a value without a text would end a page with an error."""
    asked = {f"channel.{name}" for name in CHANNEL_NAMES}
    asked |= {f"rules.kind.{kind}" for kind in AlertKind} | {
        f"quarantine.{reason}" for reason in QuarantineReason
    }
    assert asked - set(english().texts) == set()


def test_no_text_is_left_over() -> None:
    whole, patterns = keys_asked_for(SOURCES)
    left = {
        key
        for key in english().texts
        if not key.startswith(("remark.", "duration.", "layout."))
        and (stem := key.removesuffix(".one")) not in whole
        and not any(re.fullmatch(one, stem) for one in patterns)
    }
    assert left == set()


def test_the_layouts_of_documents_ask_for_their_words_and_no_other() -> None:
    layouts = [path.read_text() for path in (ROOM.parent / "reports" / "layouts").glob("*.typ")]
    asked = {key for layout in layouts for key in re.findall(r't\("(\w+)"\)', layout)}
    assert asked == {key.removeprefix("layout.") for key in english().texts if key.startswith("layout.")}


def test_every_remark_has_words_and_no_words_are_left_over() -> None:
    """Codes stand in the rooms that tell something, whole or put together; their words in the catalogue."""
    calls = [
        node.args[0]
        for source in SOURCES
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("remark", "coded") and len(node.args) == 1
    ]  # fmt: skip
    whole, patterns = keys_asked_for(SOURCES)
    codes = {
        key.removeprefix("remark.").removesuffix(".one")
        for key in english().texts
        if key.startswith("remark.")
    }
    assert len(codes) > 50
    assert {one.value for one in calls if isinstance(one, ast.Constant)} - codes == set()
    assert {
        code for code in codes if code not in whole and not any(re.fullmatch(one, code) for one in patterns)
    } == set()


def test_no_text_has_braces_that_would_stand_on_a_screen() -> None:
    """A text without values is taken as it stands: doubled braces would be read by people, or by plotly as words."""
    assert [key for key, text in english().texts.items() if "{{" in text or "}}" in text] == []


def test_one_is_said_as_one() -> None:
    assert t("dispatch.fit", count=1) == "One crane fits by chart and entries"
    assert t("dispatch.fit", count=3) == "3 cranes fit by chart and entries"


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("text", ["ink", "ink_soft", "accent", "good", "watch", "act", "stale"])
@pytest.mark.parametrize("ground", ["ground", "surface", "raised"])
def test_text_has_contrast(theme: dict[str, str], text: str, ground: str) -> None:
    assert contrast(theme[text], theme[ground]) >= 4.5


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("line", ["line_strong", "series", "accent", "act_fill", "watch"])
def test_lines_and_marks_have_contrast(theme: dict[str, str], line: str) -> None:
    assert contrast(theme[line], theme["surface"]) >= 3.0


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=["light", "dark"])
def test_words_on_buttons_and_soft_grounds_have_contrast(theme: dict[str, str]) -> None:
    assert contrast(theme["on_accent"], theme["accent"]) >= 4.5
    assert contrast(theme["ink"], theme["accent_soft"]) >= 4.5
    assert contrast(theme["watch"], theme["watch_soft"]) >= 4.5
    assert contrast(theme["act"], theme["act_soft"]) >= 4.5


def test_contrast_agrees_with_the_definition_of_wcag() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the well-known near miss


GROUND = remark(
    "ruled.ground",
    pressure=Quantity(value=120.0, unit="kPa", bound="least"),
    bearing=Quantity(value=100.0, unit="kPa"),
    plate=Quantity(value=1.194, unit="m2", decimals=2, bound="least"),
)
DAYS = remark("pace_unknown", recorded_days=count(1005), of_days=count(2000))
CAPACITY = remark(
    "ruled.capacity",
    load=Quantity(value=8000.3, unit="kg", bound="least"),
    capacity=Quantity(value=8000.2, unit="kg", bound="most"),
    outreach=Quantity(value=8.4, unit="m", decimals=1),
)


@pytest.mark.parametrize(
    ("shown", "wanted"),
    [
        (numbers.percent(9.94), f"9.9{NBSP}%"),
        (numbers.percent(9.96), f"10{NBSP}%"),
        (numbers.percent(None), "–"),
        (numbers.share(0.423), f"42{NBSP}%"),
        (numbers.plain(-12480), f"\u221212{THIN}480"),
        (numbers.mass(850, Units.METRIC), f"850{NBSP}kg"),
        (numbers.mass(1850, Units.METRIC), f"1.85{NBSP}t"),
        (numbers.mass(1850, Units.US), f"4{THIN}080{NBSP}lb"),
        (numbers.rated(4998, Units.METRIC), f"4.99{NBSP}t"),  # cut: a capacity is never rounded up
        (numbers.rated(4998, Units.US), f"11{THIN}010{NBSP}lb"),
        (numbers.rated(430, Units.METRIC), f"430{NBSP}kg"),
        (numbers.rated(None, Units.METRIC), "–"),
        (numbers.length(8.4, Units.METRIC), f"8.4{NBSP}m"),
        (numbers.length(8.4, Units.US), f"27.6{NBSP}ft"),
        (numbers.force(134.2, Units.METRIC), f"135{NBSP}kN"),  # an upper bound is never rounded down
        (numbers.force(134.0, Units.METRIC), f"134{NBSP}kN"),
        (numbers.pressure(1500.4, Units.METRIC), f"1{THIN}501{NBSP}kPa"),
        (numbers.percent(84.2, "least"), f"85{NBSP}%"),
        (numbers.percent(0.99, "most"), f"0.9{NBSP}%"),
        (numbers.length(0.59, Units.METRIC, "most"), f"0.5{NBSP}m"),
        (numbers.load(1204, Units.METRIC), f"1.21{NBSP}t"),  # a load is never rounded down
        (numbers.load(1200, Units.METRIC), f"1.20{NBSP}t"),
        (numbers.load(999.4, Units.METRIC), f"1{THIN}000{NBSP}kg"),
        (numbers.force(10, Units.US), f"2{THIN}300{NBSP}lbf"),  # 2 248.1 by 4.448 222 N in NIST SP 811
        (numbers.pressure(100, Units.METRIC), f"100{NBSP}kPa"),
        (numbers.pressure(100, Units.US), f"2{THIN}090{NBSP}psf"),  # 2 088.5 by 47.880 26 Pa in NIST SP 811
        (remarks.text(DAYS, Units.US), f"on record for 1{THIN}005 of 2{THIN}000 days, so its pace is not known"),
        (remarks.text(GROUND, Units.METRIC), f"ground: up to 120{NBSP}kPa under a pad, and the ground bears 100{NBSP}kPa; 1.20{NBSP}m² of stiff plate under each pad would do"),
        (remarks.text(GROUND, Units.US), f"ground: up to 2{THIN}507{NBSP}psf under a pad, and the ground bears 2{THIN}089{NBSP}psf; 12.9{NBSP}ft² of stiff plate under each pad would do"),
        (remarks.text(CAPACITY, Units.METRIC), f"capacity: 8{THIN}001{NBSP}kg is more than the rated 8{THIN}000{NBSP}kg at 8.4{NBSP}m"),
        (remarks.text(CAPACITY, Units.US), f"capacity: 17{THIN}638{NBSP}lb is more than the rated 17{THIN}637{NBSP}lb at 27.6{NBSP}ft"),
        (numbers.duration(59), f"59{NBSP}s"),
        (numbers.duration(3599), f"1{NBSP}h{NBSP}00{NBSP}min"),
        (numbers.duration(11100), f"3{NBSP}h{NBSP}05{NBSP}min"),
        (numbers.day(date(2026, 11, 25)), f"25{NBSP}Nov{NBSP}2026"),
        (
            numbers.moment(datetime(2026, 7, 1, 10, 5, tzinfo=UTC), ZoneInfo("Europe/Vienna")),
            f"1{NBSP}Jul{NBSP}2026, 12:05{NBSP}CEST",
        ),
        (numbers.listed(["a", "b", "c"]), "a, b and c"),
    ],
)  # fmt: skip
def test_numbers_read_as_agreed(shown: str, wanted: str) -> None:
    assert shown == wanted


@pytest.mark.parametrize("units", list(Units))
def test_what_the_drawings_are_told_reads_as_the_pages_do(units: Units) -> None:
    """The browser applies these values and nothing else (assets/drawings.mjs)."""
    told = numbers.drawn(units)
    for kg in (0.0, 999.4, 1000.0, 1234.5, 9_999.0, 10_000.0, 45_678.0):
        form = next(one for one in told["mass"] if one["below"] is None or kg < one["below"])
        steps = round(kg * form["per_si"] / form["step"])
        text = numbers.plain(steps * form["step"], form["decimals"])
        assert f"{text}{NBSP}{form['unit']}" == numbers.mass(kg, units)
    assert 7.5 * told["length"]["per_si"] == pytest.approx(
        {Units.METRIC: 7.5, Units.US: 24.606}[units], abs=1e-3
    )


def test_a_lift_a_little_over_the_limit_does_not_read_as_one_at_it() -> None:
    """100.4 % of what the structure was calculated for is more than 100 %, and a table of whole percents must say so."""
    at = datetime(2026, 11, 25, 8, tzinfo=UTC)
    lift = Lift(crane="heron-3", started_at=at, ended_at=at + timedelta(minutes=2), peak_utilisation_pct=100.2, peak_structural_pct=100.4)  # fmt: skip
    row = tables._lift_row(
        lift, Visit(client=cast("Any", None), path="/crane/heron-3/lifts", now=at), ZoneInfo("UTC")
    )
    assert (row["structural"], row["peak_text"]) == (101, numbers.percent(101.0))
    exact = lift.model_copy(update={"peak_utilisation_pct": 100.0, "peak_structural_pct": 100.0})
    assert (
        tables._lift_row(exact, Visit(client=cast("Any", None), path="/", now=at), ZoneInfo("UTC"))[
            "structural"
        ]
        == 100
    )
