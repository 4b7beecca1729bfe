"""A history that several processes write and count equals the one that a single process makes."""

import threading
from dataclasses import asdict
from datetime import date

import psycopg
import pytest

from boomledger import history
from boomledger.settings import Settings
from boomledger.yard import register
from domain.errors import Unavailable
from simulator.record import DayRecord
from simulator.yard import Yard, load_yard
from store.connection import connect
from store.summary import CRANE_SUMMARY
from store.touched import waiting_days

FIRST = date(2025, 11, 3)
WHOLE = load_yard(date(2026, 1, 5))
PLAN = history.History(
    yard=Yard(site=WHOLE.site, cranes=(WHOLE.crane("yard-02"), WHOLE.crane("yard-12"))),
    first_day=FIRST,
    days=9,
    dt_ms=500,
)


def name_and_samples(record: DayRecord) -> tuple[str, date, int]:
    return record.crane, record.day, record.samples


def made(url: str, processes: int) -> list[tuple[str, date, int]]:
    register(url, PLAN.yard, FIRST)
    with history.workers(Settings(), processes) as crew:
        parts = list(history.write(crew, url, PLAN, name_and_samples))
        history.count(crew, url)
    assert sum(done for done, _, _ in parts) == PLAN.crane_days
    notes = [note for _, _, notes in parts for note in notes]
    assert sum(written.samples for _, written, _ in parts) == sum(samples for _, _, samples in notes)
    return notes


def summaries(url: str) -> list[dict[str, object]]:
    with connect(url) as conn:
        assert waiting_days(conn) == 0
        rows = [asdict(CRANE_SUMMARY.first(conn, crane=crane.name)) for crane in PLAN.yard.cranes]
    return [{name: value for name, value in row.items() if name != "counted_at"} for row in rows]


def test_two_processes_write_and_count_what_one_does(database: str) -> None:
    notes = made(database, 2)
    by_two = summaries(database)
    assert [row["lifts"] for row in by_two] > [0, 0]
    # the same again changes nothing that is stored, and counts to the same
    assert made(database, 1) == notes
    assert summaries(database) == by_two


def test_counting_that_is_told_to_stop_leaves_the_rest_for_later(database: str) -> None:
    register(database, PLAN.yard, FIRST)
    stop = threading.Event()
    stop.set()
    with history.workers(Settings(), 1) as crew:
        next(iter(history.write(crew, database, PLAN, name_and_samples)))
        left: list[int] = []
        history.count(crew, database, stop=stop, on_left=left.append)
        assert left[0] > 0
        with connect(database) as conn:
            assert waiting_days(conn) == left[0]


def test_days_that_cannot_be_counted_are_said(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    register(database, PLAN.yard, FIRST)
    monkeypatch.setattr(
        "analytics.worker.count_days", lambda *_: (_ for _ in ()).throw(ValueError("broken count"))
    )
    with history.workers(Settings(), 1) as crew:
        next(iter(history.write(crew, database, PLAN, name_and_samples)))
        with pytest.raises(Unavailable, match="crane-days could not be counted"):
            history.count(crew, database)


def test_database_errors_reach_the_leader(database: str) -> None:
    with history.workers(Settings(), 1) as crew, pytest.raises((psycopg.Error, KeyError)):
        list(history.write(crew, database, PLAN, name_and_samples))  # nobody registered the yard
