"""The commands of administration as a person types them, on a real database."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from boomledger.cli import app
from boomledger.console import out
from domain.alerts import DEFAULT_RULES
from domain.errors import BoomledgerError
from simulator.yard import field_cases
from words.texts import english

Run = Callable[..., Result]


@pytest.fixture
def run(database: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", database)
    # A process of several tests has no terminal: the width would be that of a dumb one.
    monkeypatch.setattr(out, "_width", 200)
    monkeypatch.setattr(out, "_height", 50)
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    return lambda *words, **more: runner.invoke(app, list(words), **more)


def succeeded(result: Result) -> str:
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


def test_migrating_twice_does_nothing_the_second_time(run: Run) -> None:
    assert "nothing to do" in succeeded(run("db", "migrate"))


def test_the_example_crane_can_be_added_and_is_listed(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "crane.json"
    file.write_text(succeeded(run("crane", "example")))
    assert "yard-01 at example-yard is registered" in succeeded(run("crane", "add", str(file)))
    assert "yard-01" in succeeded(run("crane", "list"))


def test_a_wrong_crane_file_names_every_field(run: Run, tmp_path: Path) -> None:
    content = json.loads(succeeded(run("crane", "example")))
    content["crane"]["name"] = "No Such Name"
    content["crane"]["type"]["main_boom"]["length_m"] = -3
    file = tmp_path / "crane.json"
    file.write_text(json.dumps(content))
    result = run("crane", "add", str(file))
    assert isinstance(result.exception, BoomledgerError)
    assert "crane.name" in str(result.exception)
    assert "crane.type.main_boom.length_m" in str(result.exception)


def test_entries_about_a_life_that_cannot_be_are_refused_by_both_commands(run: Run, tmp_path: Path) -> None:
    content = json.loads(succeeded(run("crane", "example")))
    file = tmp_path / "crane.json"
    begun = english().day(date.fromisoformat(content["crane"]["commissioned_on"]))
    wrong = {
        f"in service since {begun}: correct one of the two": {"manufactured_on": "2099-01-01"},
        "design_years": {"design_years": 0},
        "would count twice": {"prior_duty": {"lifts": 10, "kq": 0.1, "f1": 1.2, "years": 90}},
        "is no duty": {"prior_duty": {"lifts": 10, "kq": 0, "f1": 1.2}},
    }
    for told, entry in wrong.items():
        file.write_text(json.dumps({**content, "crane": {**content["crane"], **entry}}))
        result = run("crane", "add", str(file))
        assert isinstance(result.exception, BoomledgerError), told
        assert told in str(result.exception)
    assert "yard-01" not in succeeded(run("crane", "list"))
    file.write_text(json.dumps(content))
    succeeded(run("crane", "add", str(file)))
    before = succeeded(run("crane", "history"))
    for told, line in {
        "lies ahead": "yard-01,2099-01-01,,,,,,,",
        "line 2: design_years": "yard-01,,0,,,,,,",
        "line 2, yard-01: duty is entered for 90 years": "yard-01,,,,10,0.1,1.2,90,",
        "stands there twice": "yard-01,,12,,,,,,\nyard-01,,13,,,,,,",
    }.items():
        (tmp_path / "lives.csv").write_text(f"{before.splitlines()[0]}\n{line}\n")
        result = run("crane", "history", str(tmp_path / "lives.csv"))
        assert isinstance(result.exception, BoomledgerError), told
        assert told in str(result.exception)
    assert succeeded(run("crane", "history")) == before


def test_an_account_is_added_once_and_its_password_is_not_shown(run: Run) -> None:
    secret = "plenty of unrelated words"
    output = succeeded(run("user", "add", "first", "--role", "admin", input=f"{secret}\n"))
    assert "first may sign in as admin" in output
    assert secret not in output
    again = run("user", "add", "first", "--role", "admin", input=f"{secret}\n")
    assert "already" in str(again.exception)


def test_a_role_that_does_not_exist_is_refused(run: Run) -> None:
    assert run("user", "add", "x", "--role", "king", input="plenty of unrelated words\n").exit_code == 2


def test_simulated_days_are_counted_and_equal_the_truth(run: Run, tmp_path: Path) -> None:
    output = succeeded(
        run(
            *("simulate", "--days", "7", "--last-day", "2026-01-09", "--cranes", "2"),
            *("--check", "--truth", str(tmp_path / "truth")),
        )
    )
    cases = {crane.name for crane in field_cases().cranes if crane.expected and not crane.expected.by_ingest}
    assert output.count(" ok ") == 2 + len(cases)
    assert {file.name for file in (tmp_path / "truth").iterdir()} >= {
        "lifts.parquet",
        "events.parquet",
        "days.parquet",
    }


def test_without_a_database_the_word_says_what_to_do(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BOOMLEDGER_DATABASE_URL")
    result = run("crane", "list")
    assert "BOOMLEDGER_DATABASE_URL" in str(result.exception)


def test_credentials_of_a_crane_come_and_go(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "passwords"
    file.touch()
    password = succeeded(run("account", "issue", "yard-01", "--file", str(file))).strip()
    assert len(password) > 20
    assert password not in file.read_text()
    assert "yard-01" in file.read_text()
    succeeded(run("account", "revoke", "yard-01", "--file", str(file)))
    assert "yard-01" not in file.read_text()


def test_status_codes_are_imported_whole_and_listed(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "codes.csv"
    file.write_text("code;meaning;advice\nX-01;oil hot (invented);let it cool\nX-02;;\n")
    refused = run("codes", "import", str(file), "--source", "test")
    assert refused.exit_code == 1
    assert "codes.csv:3: the meaning of X-02 is empty" in refused.stderr.replace("\n", "")
    assert "X-01" not in succeeded(run("codes", "list"))
    file.write_text("code;meaning;advice\nX-01;oil hot (invented);let it cool\n")
    assert "1 status codes stored" in succeeded(run("codes", "import", str(file), "--source", "test"))
    assert "oil hot (invented)" in succeeded(run("codes", "list"))
    missing = run("codes", "import", str(file), "--source", "test", "--type", "no-such")
    assert "no-such" in str(missing.exception)


def test_alert_rules_to_start_from_are_entered_once_and_judged(
    run: Run, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert f"{len(DEFAULT_RULES)} rules entered" in succeeded(run("alert", "defaults"))
    assert "0 rules entered" in succeeded(run("alert", "defaults"))
    succeeded(run("watch", "--once"))
    no_secret = run("alert", "key", "office")
    assert no_secret.exit_code == 2
    monkeypatch.setenv("BOOMLEDGER_WEBHOOK_SECRET", "s" * 40)
    assert succeeded(run("alert", "key", "office")).startswith("whsec_")


def test_a_span_is_excluded_listed_and_withdrawn(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "crane.json"
    file.write_text(succeeded(run("crane", "example")))
    succeeded(run("crane", "add", str(file)))
    span = ("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-02T09:00:00Z", "--reason", "sensor hung")
    assert "exclusion 1: 0 days are counted again" in succeeded(run("exclusion", "add", "yard-01", *span))
    assert "exclusion 1:" in succeeded(run("exclusion", "add", "yard-01", *span))
    assert "sensor hung" in succeeded(run("exclusion", "list", "--crane", "yard-01"))
    assert run("exclusion", "add", "yard-01", *span, "--channel", "load").exit_code == 2
    assert run("exclusion", "add", "yard-01", *span[:4], "--reason", " ").exit_code == 2
    assert "exclusion 1 is withdrawn" in succeeded(run("exclusion", "withdraw", "yard-01", "1"))
    assert "command line" in succeeded(run("exclusion", "list"))


def test_a_crane_is_described_from_a_day_on(run: Run, tmp_path: Path) -> None:
    file, change = tmp_path / "crane.json", tmp_path / "change.json"
    file.write_text(succeeded(run("crane", "example")))
    succeeded(run("crane", "add", str(file)))
    change.write_text(json.dumps({"attachments": [{"name": "grab", "mass_kg": 240}], "note": "fitted"}))
    told = succeeded(run("crane", "describe", "yard-01", str(change), "--from", "2026-03-02"))
    assert "yard-01 as of 2026-03-02: 0 days are counted again" in told
    listed = succeeded(run("crane", "descriptions", "yard-01"))
    assert "grab 240 kg" in listed
    assert "the beginning" in listed
    change.write_text(json.dumps({"note": "by the plate"}))
    assert "as of 1970-01-01" in succeeded(
        run("crane", "describe", "yard-01", str(change), "--correct", "1970-01-01")
    )
    change.write_text(json.dumps({"rating": 1}))
    assert run("crane", "describe", "yard-01", str(change)).exit_code == 2
