"""Migrations: once, in order, safe when several processes start at once, and an edited file is refused."""

from concurrent.futures import ThreadPoolExecutor

import psycopg
import pytest

from domain.errors import Conflict, Unavailable
from store import migrate as module
from store.migrate import Migration, migrate, migrations


def test_numbers_are_unique() -> None:
    numbers = [migration.number for migration in migrations()]
    assert len(set(numbers)) == len(numbers)


def test_a_second_run_applies_nothing(empty_database: str) -> None:
    assert migrate(empty_database) == [migration.name for migration in migrations()]
    assert migrate(empty_database) == []


def test_processes_that_start_at_once_apply_each_file_once(empty_database: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        applied = [name for names in pool.map(migrate, [empty_database] * 4) for name in names]
    assert applied == [migration.name for migration in migrations()]


def test_an_edited_file_is_refused(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    first, *rest = migrations()
    edited = [Migration(first.number, first.name, first.text + "\n-- one more thought"), *rest]
    monkeypatch.setattr(module, "migrations", lambda: edited)
    with pytest.raises(Conflict, match="0001_base was edited"):
        migrate(database)


def test_a_file_that_fails_leaves_nothing_behind(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    found = migrations()
    broken = Migration(found[-1].number + 1, "broken", "create table left_over (x integer); select 1 / 0;")
    monkeypatch.setattr(module, "migrations", lambda: [*found, broken])
    with pytest.raises(psycopg.errors.DivisionByZero):
        migrate(database)
    with psycopg.connect(database) as conn:
        assert conn.execute("select to_regclass('left_over')").fetchone() == (None,)
    monkeypatch.undo()
    assert migrate(database) == []


def test_a_database_that_is_not_there_is_said_plainly() -> None:
    with pytest.raises(Unavailable, match="cannot be reached"):
        migrate("postgresql://postgres@127.0.0.1:1/nothing?connect_timeout=2")
