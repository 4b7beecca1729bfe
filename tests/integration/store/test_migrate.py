"""Migration: an empty database is made at once, an older one takes its steps, and both end as the same, with every row."""

import secrets
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.types.json import Jsonb

from domain.description import BEGINNING
from domain.errors import Conflict, Unavailable
from duty.overloads import OVERLOAD_PCT
from store import cranes, descriptions
from store import migrate as module
from store.migrate import Migration, migrate, migrations
from tests.support.catalogue import catalogue, contents
from tests.support.databases import new_database
from tests.support.telemetry import CRANE_TYPE, SITE, crane

LAST_OF_0_1 = 42
REPLACED = "functions, views and rights"
# Rows of the steps themselves, of changes that the steps made to the fleet, and the key, which is random.
NOT_COMPARED = {"schema_migration", "fleet_change", "scope_key"}
TABLES_RENAMED = {"process_pulse": "process_heartbeat"}
COLUMNS_RENAMED = {"beaten_at": "beat_at"}


def as_before(url: str, number: int) -> None:
    """Bring a database, or an empty one, to a number of the release before, as that release did it."""
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute(
            "create table if not exists schema_migration (number integer primary key, name text not null,"
            " checksum text not null, applied_at timestamptz not null default now())"
        )
        done = {n for (n,) in conn.execute("select number from schema_migration").fetchall()}
        for step in migrations():
            if step.number <= number and step.number not in done:
                conn.execute(step.text.encode())
                conn.execute(
                    "insert into schema_migration values (%s, %s, %s)",
                    [step.number, step.name, step.checksum],
                )
        if 13 <= number < 60:
            conn.execute("select wall_off()")
        if number >= 15:
            conn.execute("select offer_plain_readings()")


def everything(url: str) -> tuple[dict[str, str], dict[str, list[dict[str, Any]]]]:
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("select segment_make_ranges('2026-02-20', '2026-03-31')")
        return catalogue(conn), contents(conn)


@pytest.fixture(scope="module")
def fresh(database_server: str) -> Iterator[tuple[dict[str, str], dict[str, list[dict[str, Any]]]]]:
    """Objects and rows of a database that is made by this release."""
    with new_database(database_server) as url:
        migrate(url)
        yield everything(url)


def differing(one: dict[str, Any], other: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
    return {
        key: (one.get(key), other.get(key))
        for key in sorted(one.keys() | other.keys())
        if key not in NOT_COMPARED and one.get(key) != other.get(key)
    }


def test_numbers_are_unique() -> None:
    numbers = [migration.number for migration in migrations()]
    assert len(set(numbers)) == len(numbers)


def test_a_second_run_applies_nothing(empty_database: str) -> None:
    assert migrate(empty_database) == ["schema"]
    assert migrate(empty_database) == []


def test_processes_that_start_at_once_make_it_once(empty_database: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        applied = [name for names in pool.map(migrate, [empty_database] * 4) for name in names]
    assert applied == ["schema"]


def test_processes_that_start_at_once_apply_each_step_once(empty_database: str) -> None:
    as_before(empty_database, 1)
    with ThreadPoolExecutor(4) as pool:
        applied = [name for names in pool.map(migrate, [empty_database] * 4) for name in names]
    assert applied == [*(migration.name for migration in migrations()[1:]), REPLACED]


def test_an_edited_step_is_refused(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    first, *rest = migrations()
    edited = [Migration(first.number, first.name, first.text + "\n-- one more thought"), *rest]
    monkeypatch.setattr(module, "migrations", lambda: edited)
    with pytest.raises(Conflict, match="0001_base was edited"):
        migrate(database)


def test_a_step_that_fails_leaves_nothing_behind_and_those_before_it_done(
    empty_database: str,
    monkeypatch: pytest.MonkeyPatch,
    fresh: tuple[dict[str, str], dict[str, list[dict[str, Any]]]],
) -> None:
    found = migrations()
    as_before(empty_database, found[-2].number)
    broken = Migration(found[-1].number + 1, "broken", "create table left_over (x integer); select 1 / 0;")
    monkeypatch.setattr(module, "migrations", lambda: [*found, broken])
    with pytest.raises(psycopg.errors.DivisionByZero):
        migrate(empty_database)
    monkeypatch.undo()
    assert migrate(empty_database) == [REPLACED]
    assert differing(fresh[0], everything(empty_database)[0]) == {}


def test_what_is_replaced_is_replaced_when_it_changed(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = module._schema
    view = "create or replace view one_more as select 1 as one;"
    monkeypatch.setattr(
        module, "_schema", lambda folder: [*kept(folder), *([view] if folder == "replaced" else [])]
    )
    assert migrate(database) == [REPLACED]
    assert migrate(database) == []
    with psycopg.connect(database) as conn:
        assert conn.execute("select one from one_more").fetchone() == (1,)


def test_an_owner_who_gets_the_role_of_the_api_later_gives_it_its_rights_then(
    database_server: str, empty_database: str
) -> None:
    owner = f"owner_{secrets.token_hex(4)}"
    name = psycopg.conninfo.conninfo_to_dict(empty_database)["dbname"]
    with psycopg.connect(database_server, autocommit=True) as conn:
        conn.execute(f"create role {owner} login")
        try:
            conn.execute(f"alter database {name} owner to {owner}")
            url = psycopg.conninfo.make_conninfo(empty_database, user=owner)
            assert migrate(url) == ["schema"]
            conn.execute(
                "do $$ begin create role boomledger_api nologin; exception when duplicate_object then null; end $$"
            )
            conn.execute(f"grant boomledger_api to {owner}")
            assert migrate(url) == [REPLACED]
            assert migrate(url) == []
            with psycopg.connect(url) as theirs:
                assert theirs.execute(
                    "select has_table_privilege('boomledger_api', 'crane', 'select')"
                ).fetchone() == (True,)
        finally:
            with psycopg.connect(empty_database, autocommit=True) as there:
                there.execute(f"drop owned by {owner}")
            conn.execute(f"alter database {name} owner to current_user")
            conn.execute(f"drop role {owner}")


def test_without_the_folder_of_steps_older_databases_are_refused(
    empty_database: str, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    as_before(empty_database, LAST_OF_0_1)
    last = migrations()[-1].number
    monkeypatch.setattr(module, "STEPS", "no_such_folder")
    monkeypatch.setattr(module, "STEPS_GONE", last)
    assert migrate(database) == []
    with pytest.raises(Conflict, match="release before this one"):
        migrate(empty_database)
    with psycopg.connect(empty_database, autocommit=True) as conn:
        conn.execute("drop schema public cascade")
        conn.execute("drop schema sight, plain cascade")
        conn.execute("create schema public")
    assert migrate(empty_database) == ["schema"]
    assert migrate(empty_database) == []


def test_a_database_that_is_not_there_is_said_plainly() -> None:
    with pytest.raises(Unavailable, match="cannot be reached"):
        migrate("postgresql://postgres@127.0.0.1:1/nothing?connect_timeout=2")


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(step.number, marks=() if step.number in (1, 12, 13, LAST_OF_0_1) else pytest.mark.full)
        for step in migrations()
        if step.number <= LAST_OF_0_1
    ],
)
def test_an_upgraded_database_equals_a_fresh_one(
    empty_database: str, number: int, fresh: tuple[dict[str, str], dict[str, list[dict[str, Any]]]]
) -> None:
    as_before(empty_database, number)
    migrate(empty_database)
    objects, rows = everything(empty_database)
    assert differing(fresh[0], objects) == {}
    assert differing(fresh[1], rows) == {}


def test_the_index_of_overloads_begins_where_an_overload_does(
    fresh: tuple[dict[str, str], dict[str, list[dict[str, Any]]]],
) -> None:
    assert f"peak_structural_pct > ({OVERLOAD_PCT:.0f})::double precision" in fresh[0]["index lift_overload"]


def fill(url: str, name: str) -> None:
    with psycopg.connect(url, options="-c timezone=UTC") as conn:
        conn.execute(Path(__file__).with_name(name).read_bytes())
        empty = [
            table for table, rows in contents(conn).items() if not rows and not table.startswith("segment_20")
        ]
        assert empty == [], "every table is to be tried with rows"


def enter_fleet_of_before(url: str) -> None:
    with psycopg.connect(url) as conn:
        conn.execute("insert into site (name, spec) values ('y', %s)", [Jsonb(SITE.model_dump(mode="json"))])
        conn.execute(
            "insert into crane_type (name, spec) values (%s, %s)",
            [CRANE_TYPE.name, Jsonb(CRANE_TYPE.model_dump(mode="json"))],
        )
        for name in ("one", "two"):
            entered = crane(name).model_dump(mode="json", exclude={"type", "site"})
            conn.execute(
                "insert into crane (name, site_id, type_id, registered_at, spec)"
                " select %s, site_id, type_id, '2025-01-01', %s from site, crane_type",
                [name, Jsonb(entered)],
            )


def renamed(rows: dict[str, Any], *tables: str) -> dict[str, list[dict[str, Any]]]:
    """The rows of a database of before, but for some tables, by the names of now."""
    return {
        TABLES_RENAMED.get(table, table): sorted(
            ({COLUMNS_RENAMED.get(name, name): value for name, value in row.items()} for row in entries),
            key=repr,
        )
        for table, entries in rows.items()
        if table not in NOT_COMPARED and table not in tables
    }


def cut_to(before: dict[str, Any], after: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """The rows of the tables that were there before, in the columns that were there before."""
    return {
        table: sorted(({name: row[name] for name in entries[0]} for row in after[table]), key=repr)
        for table, entries in before.items()
    }


def test_a_filled_database_comes_over_with_every_row(
    empty_database: str, fresh: tuple[dict[str, str], dict[str, list[dict[str, Any]]]]
) -> None:
    as_before(empty_database, 20)
    enter_fleet_of_before(empty_database)
    fill(empty_database, "filled_0020.sql")
    _, early = everything(empty_database)
    as_before(empty_database, LAST_OF_0_1)
    fill(empty_database, "filled_0042.sql")
    _, late = everything(empty_database)
    migrate(empty_database)
    objects, rows = everything(empty_database)
    assert differing(fresh[0], objects) == {}
    # The steps from 21 on only added columns, and have every crane judged again.
    for before in (renamed(early, "crane_summary"), renamed(late)):
        assert differing(before, cut_to(before, rows)) == {}
    assert [(row["lifts"], row["used_share"], row["made_of"]) for row in rows["crane_summary"]] == [
        (6, 0.12, None)
    ] * 2
    assert len(rows["schema_migration"]) == len(migrations()) + 1


def test_cranes_of_before_own_a_copy_of_their_type_from_the_beginning(empty_database: str) -> None:
    as_before(empty_database, 20)
    enter_fleet_of_before(empty_database)
    fill(empty_database, "filled_0020.sql")
    migrate(empty_database)
    with psycopg.connect(empty_database, autocommit=True) as conn:
        for name in ("one", "two"):
            record = cranes.get_crane(conn, name)
            (entry,) = descriptions.descriptions_of(conn, record.crane_id)
            assert record.crane.type == entry.type == CRANE_TYPE
            assert (entry.valid_from, entry.entered_by) == (BEGINNING, "upgrade")
        assert conn.execute("select count(*) from crane_spec").fetchone() == (1,)
        cranes.save_type(conn, CRANE_TYPE.model_copy(update={"rated_moment_kn_m": 90.0}))
        assert cranes.get_crane(conn, "one").crane.type == CRANE_TYPE
        newcomer = cranes.save_crane(conn, crane("three", "y"))
        assert len(descriptions.descriptions_of(conn, newcomer)) == 1


def test_files_of_the_cold_tier_are_named_from_the_folder_of_the_newest(empty_database: str) -> None:
    as_before(empty_database, 71)
    digest = "_0123456789ab.parquet"
    moved = [
        f"/old/one/2025/2025-01-02{digest}",
        f"s3://a/b/c/one/2025/2025-01-03{digest}?scheme=http",
        f"s3://a/b/c/two/2025/2025-01-04{digest}?scheme=http",
    ]
    with psycopg.connect(empty_database, autocommit=True) as conn:
        for number, location in enumerate(moved):
            conn.execute(
                "insert into cold_day values (1, date '2025-01-02' + %s::int, %s, 1, 1, 1, timestamptz '2026-03-01' + %s * '1 h'::interval)",
                [number, location, number],
            )
        migrate(empty_database)
        assert conn.execute("select folder from cold_folder").fetchall() == [("s3://a/b/c?scheme=http",)]
        names = conn.execute("select location from cold_day order by day").fetchall()
    assert names == [(moved[0],), (f"one/2025/2025-01-03{digest}",), (f"two/2025/2025-01-04{digest}",)]
