"""Placement on a cluster: only with Citus, once, and what is new is told right in spite of its counts."""

from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest

from boomledger.backup import back_up
from domain.errors import Conflict
from store import segments
from store.cluster import shard_by_crane
from store.migrate import migrate
from store.site_scope import ROLE
from tests.integration.store.test_migrate import LAST_OF_0_1, as_before
from tests.integration.store.test_segments import keep, segment
from tests.support.databases import citus_workers, nodes
from tests.support.ingesting import register

on_a_cluster = pytest.mark.skipif(not citus_workers(), reason="no BOOMLEDGER_TEST_CITUS_WORKERS")


@pytest.mark.skipif(bool(citus_workers()), reason="on a cluster the extension is there")
def test_without_the_extension_the_word_says_what_to_do(database: str) -> None:
    with pytest.raises(Conflict, match=r"citus is not in this database: create extension citus"):
        shard_by_crane(database)


@on_a_cluster
def test_growing_tables_are_spread_together_and_a_second_time_does_nothing(
    database: str, connection: psycopg.Connection
) -> None:
    assert shard_by_crane(database) == (0, "")
    rows = connection.execute(
        "select table_name::text, citus_table_type, distribution_column, colocation_id from citus_tables"
    ).fetchall()
    spread = {name: (column, group) for name, kind, column, group in rows if kind == "distributed"}
    assert {"segment", "event", "day_figure", "span_ledger", "lift"} <= spread.keys()
    assert {column for column, _ in spread.values()} == {"crane_id"}
    assert len({group for _, group in spread.values()}) == 1
    assert {name for name, kind, _, _ in rows if kind == "reference"} >= {
        "crane",
        "site",
        "crane_type",
        "counting",
    }
    open_tables = connection.execute(
        "select tablename from pg_policies where policyname = 'site_scope' and qual = 'true' and tablename <> all(%s)",
        [["crane_type", "counting", "status_code"]],
    ).fetchall()
    assert open_tables == []
    let_in = connection.execute("select rolcanlogin from pg_roles where rolname = %s", [ROLE]).fetchone()
    assert let_in == (True,)


@on_a_cluster
def test_a_backup_that_would_hold_no_readings_is_refused(database: str, tmp_path: Path) -> None:
    with pytest.raises(Conflict, match="spread over a cluster"):
        back_up(database, tmp_path / "backup")
    assert list(tmp_path.iterdir()) == []


@on_a_cluster
def test_cranes_live_on_both_workers_and_one_is_read_from_one(
    database: str, connection: psycopg.Connection
) -> None:
    ids = register(database, *(f"crane-{number}" for number in range(12)))
    rows = [segment(number, crane_id=crane_id) for crane_id in ids.values() for number in range(3)]
    assert keep(connection, rows) == (36, 0)
    assert keep(connection, [*rows, segment(9, crane_id=ids["crane-3"])]) == (1, 0)
    places = connection.execute(
        "select count(distinct nodeport), sum(shard_size) > 0 from citus_shards where table_name::text like 'segment_2026%'"
    ).fetchone()
    assert places == (2, True)
    start = datetime(2026, 3, 1, tzinfo=UTC)
    found = segments.read(connection, ids["crane-3"], start, datetime(2026, 3, 4, tzinfo=UTC), ["slew_deg"])
    assert found.seq.tolist() == [0, 1, 2, 9]
    plan = connection.execute(
        "explain select * from segment where crane_id = %s and t0 > '2026-03-01'", [ids["crane-3"]]
    ).fetchall()
    assert any("Task Count: 1" in line for (line,) in plan)


@on_a_cluster
def test_a_spread_database_of_before_comes_over(empty_database: str) -> None:
    as_before(empty_database, LAST_OF_0_1)
    with psycopg.connect(empty_database, autocommit=True) as conn:
        conn.execute("select shard_by_crane()")
        conn.execute("select wall_off(), open_readings_of_a_cluster()")
    migrate(empty_database)
    assert shard_by_crane(empty_database) == (0, "")
    assert migrate(empty_database) == []
    register(empty_database, "crane-1")
    with psycopg.connect(empty_database) as conn:
        policies = dict(conn.execute("select tablename::text, qual from pg_policies").fetchall())
        described = conn.execute("select count(*) from crane_description").fetchone()
    assert "boomledger.site_ids" in policies["crane"]
    assert "boomledger.crane_ids" in policies["segment"]
    assert "crane_type" not in policies
    assert described == (1,)


@on_a_cluster
def test_what_is_copied_is_the_same_on_every_node(database: str) -> None:
    register(database, "crane-1", "crane-2")
    for table in ("site", "crane_type", "crane", "counting", "status_code"):
        found = []
        for node in nodes(database):
            with psycopg.connect(node) as conn:
                found.append(conn.execute(f"select t::text from {table} t order by 1").fetchall())
        assert found[0] == found[1] == found[2], table
