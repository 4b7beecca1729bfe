"""Migrations: once, in order, safe when several processes start at once, and an edited file is refused."""

from concurrent.futures import ThreadPoolExecutor

import psycopg
import pytest
from psycopg.types.json import Jsonb

from domain.description import BEGINNING
from domain.errors import Conflict, Unavailable
from store import cranes, descriptions
from store import migrate as module
from store.migrate import Migration, migrate, migrations
from tests.support.telemetry import CRANE_TYPE, SITE, crane


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


def test_cranes_of_before_own_a_copy_of_their_type_from_the_beginning(
    empty_database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = migrations()
    monkeypatch.setattr(module, "migrations", lambda: [one for one in every if one.number <= 20])
    migrate(empty_database)
    spec = CRANE_TYPE.model_dump(mode="json")
    with psycopg.connect(empty_database) as conn:
        conn.execute("insert into site (name, spec) values ('y', %s)", [Jsonb(SITE.model_dump(mode="json"))])
        conn.execute("insert into crane_type (name, spec) values (%s, %s)", [CRANE_TYPE.name, Jsonb(spec)])
        for name in ("one", "two"):
            entered = crane(name).model_dump(mode="json", exclude={"type", "site"})
            conn.execute(
                "insert into crane (name, site_id, type_id, registered_at, spec)"
                " select %s, site_id, type_id, '2025-01-01', %s from site, crane_type",
                [name, Jsonb(entered)],
            )
        conn.execute(
            "insert into counting (settings_hash, version, settings, in_use) values ('h', 1, '{}', true)"
        )
        conn.execute(
            "insert into day_figure (crane_id, counting_id, day, time_zone, day_start_at, day_end_at, sensor_gap_ms, lift_part)"
            " select crane_id, counting_id, '2026-03-02', 'UTC', '2026-03-02', '2026-03-03', 7, ''"
            " from crane, counting where name = 'one'"
        )
        conn.execute(
            "insert into gap (crane_id, day, from_at, to_at, cause, missing_ms)"
            " select crane_id, '2026-03-02', '2026-03-02 08:00Z', '2026-03-02 09:00Z', 'sensor', 7 from crane"
        )
    monkeypatch.undo()
    migrate(empty_database)
    with psycopg.connect(empty_database) as conn:
        for name in ("one", "two"):
            record = cranes.get_crane(conn, name)
            (entry,) = descriptions.descriptions_of(conn, record.crane_id)
            assert record.crane.type == entry.type == CRANE_TYPE
            assert (entry.valid_from, entry.entered_by) == (BEGINNING, "upgrade")
        assert conn.execute("select count(*) from crane_spec").fetchone() == (1,)
        assert conn.execute("select excluded_ms, sensor_gap_ms from day_figure").fetchall() == [(0, 7)]
        assert conn.execute("select cause from gap").fetchall() == [("sensor",), ("sensor",)]
        cranes.save_type(conn, CRANE_TYPE.model_copy(update={"rated_moment_kn_m": 90.0}))
        assert cranes.get_crane(conn, "one").crane.type == CRANE_TYPE
        newcomer = cranes.save_crane(conn, crane("three", "y"))
        assert len(descriptions.descriptions_of(conn, newcomer)) == 1
