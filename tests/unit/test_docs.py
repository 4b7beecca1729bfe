"""The documents are true: commands, targets, links and environment variables that they name exist."""

import re
from pathlib import Path

import pytest
import typer.main

from boomledger.cli import app
from boomledger.settings import Settings

ROOT = Path(__file__).parents[2]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
COMMAND = typer.main.get_command(app)


def commands_in(text: str) -> set[str]:
    spans = re.findall(r"`([^`\n]+)`", text) + re.findall(r"^    (\S.*)$", text, flags=re.MULTILINE)
    return {
        found for span in spans for found in re.findall(r"^(?:\.venv/bin/)?boomledger ((?:[a-z-]+ ?)+)", span)
    }


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_exist(page: Path) -> None:
    for words in commands_in(page.read_text()):
        command = COMMAND
        for word in words.split():
            if word.startswith("-") or not hasattr(command, "commands"):
                break
            assert word in command.commands, f"{page.name}: boomledger {words}"
            command = command.commands[word]


def test_every_command_has_help_and_stands_in_the_documents() -> None:
    text = "\n".join(page.read_text() for page in PAGES)
    for name, command in COMMAND.commands.items():  # type: ignore[attr-defined]
        assert command.help, name
        assert f"boomledger {name}" in text, f"`boomledger {name}` is not documented"
        for sub_name, sub in getattr(command, "commands", {}).items():
            assert sub.help, f"{name} {sub_name}"
            assert f"boomledger {name} {sub_name}" in text, (
                f"`boomledger {name} {sub_name}` is not documented"
            )


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_make_targets_exist(page: Path) -> None:
    text = page.read_text()
    for target in re.findall(r"\]\((?!https?:|#|mailto:)([^)#]+)", text):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"
    makefile = (ROOT / "Makefile").read_text()
    for target in re.findall(r"^    make ([a-z]+)", text, flags=re.MULTILINE):
        assert f"\n{target}:" in makefile, f"make {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_environment_variables_are_settings(page: Path) -> None:
    known = {f"BOOMLEDGER_{name.upper()}" for name in Settings.model_fields} | {
        "BOOMLEDGER_CONFIG",
        "BOOMLEDGER_TEST_DATABASE_URL",
        "BOOMLEDGER_TEST_CITUS_WORKERS",
        "BOOMLEDGER_TEST_SPARKPLUG_PYTHON",
        "BOOMLEDGER_TEST_ENGINE",
    }
    assert set(re.findall(r"BOOMLEDGER_[A-Z_]+[A-Z]", page.read_text())) <= known


@pytest.mark.parametrize(
    "page", [page for page in PAGES if page.name != "CHANGELOG.md"], ids=lambda page: page.name
)
def test_places_in_the_code_exist(page: Path) -> None:
    rooms = "|".join(path.parent.name for path in ROOT.glob("*/py.typed"))
    named = re.findall(rf"`((?:{rooms}|tests|benchmarks|docs)/[\w/.-]*)`", page.read_text())
    assert [place for place in named if "NOUN" not in place and not (ROOT / place).exists()] == []
