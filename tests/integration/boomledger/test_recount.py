"""`boomledger recount` as a person types it, on a real database with counted days."""

import json
import threading
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from click.testing import Result
from psycopg.types.json import Jsonb
from typer.testing import CliRunner

from analytics import rebuild, worker
from analytics.counting import CountingSettings
from analytics.worker import Heartbeat
from boomledger.cli import app
from domain.errors import Conflict, InvalidInput
from tests.integration.analytics.crane_at_work import Yard, put_crane, working

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
Run = Callable[..., Result]


@pytest.fixture
def yard(database: str) -> Yard:
    """Three counted days."""
    made = put_crane(database)
    for day in range(3):
        made.store(made.messages(START + timedelta(days=day), working(0.3, seed=day), boot=day + 1))
    made.count()
    return made


@pytest.fixture
def run(database: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", database)
    monkeypatch.chdir(tmp_path)
    return lambda *words: CliRunner().invoke(app, ["recount", *words])


def countings(yard: Yard) -> list[tuple[bool, int]]:
    """Of each counting: whether it is in use, and how many days it has."""
    with psycopg.connect(yard.url) as conn:
        return conn.execute(
            "select in_use, coalesce(days, 0) from counting"
            " left join (select counting_id, count(*) as days from day_figure group by 1) counted using (counting_id)"
            " order by counting_id"
        ).fetchall()


def test_a_changed_setting_counts_everything_anew(yard: Yard, run: Run, tmp_path: Path) -> None:
    shown = run("--show")
    assert json.loads(shown.stdout) == json.loads(json.dumps(asdict(CountingSettings())))
    file = tmp_path / "counting.json"
    file.write_text(json.dumps({"directions": 12, "edges": {"classes": 128}}))
    result = run("--settings", str(file))
    assert result.exit_code == 0, (result.output, result.exception)
    assert "3 crane-days counted" in result.stdout
    assert countings(yard) == [(True, 3)]
    used = rebuild.settings_in_use(yard.url)
    assert (used.directions, used.edges.classes, used.lift_rule) == (12, 128, CountingSettings().lift_rule)


def test_old_counts_can_be_kept(yard: Yard, run: Run, tmp_path: Path) -> None:
    file = tmp_path / "counting.json"
    file.write_text('{"directions": 12}')
    assert run("--settings", str(file), "--keep").exit_code == 0
    assert countings(yard) == [(False, 3), (True, 3)]


def test_without_a_change_there_is_nothing_to_do(yard: Yard, run: Run) -> None:
    result = run()
    assert result.exit_code == 0, result.exception
    assert "analyse --again" in result.stdout
    assert countings(yard) == [(True, 3)]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("{", "no JSON"),
        ("[]", "no object"),
        ('{"colour": 1}', "colour"),
        ('{"edges": 7}', "edges"),
        ('{"edges": {"classes": 1}}', "classes"),
        ('{"lift_rule": {"made_up": 1}}', "made_up"),
    ],
)
def test_settings_that_are_none_are_refused(
    yard: Yard, run: Run, tmp_path: Path, text: str, word: str
) -> None:
    file = tmp_path / "counting.json"
    file.write_text(text)
    result = run("--settings", str(file))
    assert isinstance(result.exception, InvalidInput)
    assert word in str(result.exception)
    assert countings(yard) == [(True, 3)]


def test_stopped_it_says_what_is_left_and_goes_on(
    yard: Yard, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "counting.json"
    file.write_text('{"directions": 12}')
    stop = threading.Event()
    monkeypatch.setattr("boomledger.services.stop_on_signals", lambda: stop)
    whole = rebuild._step

    def one_step(*args: object) -> int:
        stop.set()
        return whole(*args)  # type: ignore[arg-type]

    with monkeypatch.context() as during:
        during.setattr(rebuild, "_step", one_step)
        result = run("--settings", str(file), "--days-per-claim", "1")
    assert result.exit_code == 1
    assert "1 crane-days counted, 2 left" in result.stderr
    assert rebuild.settings_in_use(yard.url) == CountingSettings()
    stop.clear()
    assert "2 crane-days counted" in run("--settings", str(file)).stdout
    assert rebuild.settings_in_use(yard.url).directions == 12


def older(yard: Yard) -> None:
    """The counts as version 1 of the method left them."""
    old = {"load_on_pct": 6.0, "load_off_pct": 3.0, "hold_ms": 2000}
    with psycopg.connect(yard.url) as conn:
        conn.execute(
            "update counting set version = 1, settings_hash = 'older', settings = settings || %s",
            [Jsonb({"lift_rule": old})],
        )
        conn.execute("update day_figure set lift_part = '\\x00', lifts = 99")


def test_migrate_counts_again_what_an_older_method_counted(yard: Yard, run: Run) -> None:
    days = yard.rows("day_figure")
    older(yard)
    later = CliRunner().invoke(app, ["db", "migrate", "--recount-later"])
    assert later.exit_code == 0, (later.output, later.exception)
    assert "boomledger recount" in later.output
    assert [row["lifts"] for row in yard.rows("day_figure")] == [99, 99, 99]
    done = CliRunner().invoke(app, ["db", "migrate"])
    assert done.exit_code == 0, (done.output, done.exception)
    assert "older method" in done.output
    assert "3 crane-days counted" in done.output
    names = ("lifts", "lift_part", "peak_cubed_sum", "loaded_ms")
    assert [[row[name] for name in names] for row in yard.rows("day_figure")] == [
        [row[name] for name in names] for row in days
    ]
    assert rebuild.settings_in_use(yard.url) == CountingSettings()
    assert "nothing to do" in CliRunner().invoke(app, ["db", "migrate"]).output


def test_a_worker_that_meets_counts_of_an_older_method_waits_and_says_what_to_do(yard: Yard) -> None:
    older(yard)
    with pytest.raises(Conflict, match="boomledger recount"):
        worker.run(yard.url, threading.Event(), once=True)
    stop, heartbeat = threading.Event(), Heartbeat()
    running = threading.Thread(target=worker.run, args=(yard.url, stop), kwargs={"heartbeat": heartbeat})
    running.start()
    give_up = time.monotonic() + 60
    while "boomledger recount" not in heartbeat.not_ready() and time.monotonic() < give_up:
        time.sleep(0.05)
    assert "boomledger recount" in heartbeat.not_ready()
    assert running.is_alive()
    stop.set()
    running.join(30)
    assert not running.is_alive()
