"""A file that is brought in: examples to begin with, bytes as they came, and the step that follows each answer."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard.app import ASSETS
from dashboard.pages.health.file_import import EXAMPLES, how_far, section
from dashboard.pages.health.import_answer import answer
from dashboard.parts.form import content_of
from domain.answers import Page
from domain.errors import InvalidInput
from domain.transfer_answers import ImportDone, ImportProblem, ImportProgress, ImportRunning

EXAMPLES_OF_DOCS = Path(__file__).parents[3] / "docs" / "examples"
PROBLEM = ImportProblem(first_line=4, last_line=1204, text="no number")


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_on_the_screen_are_those_of_the_documentation(name: str) -> None:
    assert (ASSETS / name).read_bytes() == (EXAMPLES_OF_DOCS / name).read_bytes()


@pytest.mark.parametrize("contents", [None, "", "data:text/csv", "data:text/csv;base64,%%%"])
def test_a_file_that_did_not_come_is_told(contents: str | None) -> None:
    with pytest.raises(InvalidInput, match="hoose"):
        content_of(contents)


def test_a_file_comes_as_its_bytes() -> None:
    assert content_of("data:text/csv;base64,Y3JhbmUK") == b"crane\n"


BLANK: dict[str, Any] = {
    "stored": False, "rows": 0, "empty_rows": 0, "new": 0, "known": 0, "samples": 0, "cranes": (),
    "problem_count": 0, "problems": (),
}  # fmt: skip


@pytest.mark.parametrize(
    ("came", "step"),
    [
        ({"new": 3}, "Store it"),
        ({"new": 3, "problems": (PROBLEM,), "problem_count": 1}, "Store the good rows"),
        ({"known": 3}, "Everything in it is stored already."),
        ({}, "No row of it can be used."),
        ({"new": 3, "stored": True}, "The days that changed are counted next"),
    ],
)
def test_every_answer_leads_on(came: dict[str, Any], step: str) -> None:
    words = str(answer(ImportDone(**{**BLANK, **came}), "march.csv", ZoneInfo("UTC")))
    assert step in words
    assert ("Lines 4 to 1" in words) == ("problems" in came)
    assert ("import-store" in words) == step.startswith("Store")


def test_a_file_with_readings_out_of_range_is_not_called_sound() -> None:
    done = ImportDone(**{**BLANK, "new": 3})
    assert "march.csv: sound" in str(answer(done, "march.csv", ZoneInfo("UTC")))
    done = done.model_copy(update={"refused": (PROBLEM,), "refused_count": 7})
    words = str(answer(done, "march.csv", ZoneInfo("UTC")))
    assert "sound" not in words
    assert "will be missing" in words
    assert "children='7'" in words
    assert "import-store" in words


@pytest.mark.parametrize(
    ("phase", "words"),
    [
        ("receiving", "Receiving the file."),
        ("waiting", "Waiting for files of other accounts."),
        ("checking", "Checking: 40,000 rows read. Nothing is stored yet."),
        ("storing", "Storing: 40,000 rows read."),
    ],
)
def test_an_import_says_how_far_it_is_and_one_that_began_before_is_shown(phase: Any, words: str) -> None:
    begun = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    now = ImportProgress(started_at=begun, file="march.csv", dry_run=False, phase=phase, rows=40_000)
    assert how_far(now).replace("\u2009", ",").replace("\u202f", ",") == words
    for running, hidden in ((now, False), (None, True)):
        shown = section(Page[Any](items=[]), ImportRunning(running=running), ZoneInfo("UTC")).children
        (part,) = [one for one in shown if getattr(one, "id", None) == "import-running"]
        assert part.hidden == part.children[0].disabled == hidden
        assert how_far(running) == part.children[1].children
