"""One rule, one author, one language: docs/house.py finds what reads a chart, a threshold, a unit or a sentence a second time."""

import importlib.util
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def house() -> ModuleType:
    spec = importlib.util.spec_from_file_location("house", ROOT / "docs" / "house.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["house"] = module
    spec.loader.exec_module(module)
    return module


def test_no_rule_stands_outside_its_author(house: ModuleType) -> None:
    found = house.strays()
    assert found == [], f"{len(found)} rules outside their author, 0 asked"


def test_what_may_stand_twice_still_does(house: ModuleType) -> None:
    """An exception that nothing needs any more goes."""
    for place, rule in house.ALLOWED:
        path = ROOT / place
        assert rule in {stray.rule for stray in house._READERS[path.suffix](place, path.read_text())}, place


def test_only_the_application_imports_the_engine_of_the_pages_and_only_by_its_face(house: ModuleType) -> None:
    assert house.engine_imports() == {"dashboard/app.py": {"dashboard.engine"}}


Reader = Callable[[str, str], Iterator[tuple[str, int, str, str]]]


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("shown = length_m / 0.3048", "conversion"),
        ("hours = 3_600_000 * ms", "conversion"),
        ("years = days / 365.25", "conversion"),
        ("x = reach * np.cos(angle)", "kinematics"),
        ("kg = np.interp(at, outreach_m, capacity)", "chart"),
        ("i = chart_m.searchsorted(at)", "chart"),
        ("near = row.utilisation_pct >= 90", "threshold"),
        ("act = 0.95 <= one.used_share", "threshold"),
        ("WATCH_PCT: Final = 5.0", "threshold"),
        ("sums = peak ** 3", "formula"),
        ("told = f'{days} days are too few to tell'", "english"),
        ("return 'Nothing is recorded yet.'", "english"),
        ("page = '<p class=note>'", "markup"),
        ("act = 'window.open(address)'", "markup"),
        ("rows = 'row => row.name'", "markup"),
        ("late = note.text.startswith('reserved')", "sentence"),
        ("found = re.search('kg', one.sentence)", "sentence"),
        ("heavy = 'kg' in row.advice", "sentence"),
    ],
)
def test_a_second_author_in_python_is_found(house: ModuleType, text: str, rule: str) -> None:
    assert [stray.rule for stray in house.in_python("dashboard/pages/new.py", text)] == [rule]


@pytest.mark.parametrize(
    "text",
    [
        "width = 100 * part / full",
        "size = 6 + 12 * part ** 0.5",
        "near = row.utilisation_pct >= attention.WARNING_PCT",
        "some = row.near_limit_pct > 0",
        "FULL_SCALE_PCT: Final = 110.0",
        "words = said.words.format(**shown)",
        'def page():\n    """Looks for <script> in a page."""',
        "sign = '<='",
    ],
)
def test_drawing_is_no_second_author(house: ModuleType, text: str) -> None:
    assert list(house.in_python("dashboard/pages/new.py", text)) == []


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("const feet = metres / 0.3048;", "conversion"),
        ("const seconds = (Date.now() - at) / 1000;", "conversion"),
        ("const x = out * Math.cos(angle);", "kinematics"),
        ("if (utilisation >= 90) warn();", "threshold"),
        ("...line(100, 'limit'),", "threshold"),
        ("if (value >= act) return 'act';", "threshold"),
        ("return value >= props.watch_from ? 'watch' : 'ok';", "threshold"),
        ("const near = row.values.utilisation_pct > near_from;", "threshold"),
        ("const kg = capacityAt(chart, x);", "chart"),
        ("if (row.text.includes('kg')) convert();", "sentence"),
    ],
)
def test_a_second_author_in_javascript_is_found(house: ModuleType, text: str, rule: str) -> None:
    assert [stray.rule for stray in house.in_javascript("dashboard/assets/new.mjs", text)] == [rule]
    assert list(house.in_javascript("dashboard/assets/new.mjs", f"/* {text} */")) == []


def test_a_second_author_in_a_query_is_found(house: ModuleType) -> None:
    found = house.in_sql(
        "store/queries/new.sql", "select 1 where peak_pct >= 90; -- from 90 %\nselect power(x, 3)"
    )
    assert [stray.rule for stray in found] == ["threshold", "formula"]


def test_the_measures_are_one_line_of_json() -> None:
    command = [sys.executable, str(ROOT / "docs" / "house.py"), "--json"]
    found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    assert found["rules_outside_their_author"] == 0
    assert found["python_lines_total"] == sum(found["python_lines"].values()) > 10_000
    assert found["javascript_lines"] > 0
