"""Backup and restore: every table says the same afterwards."""

from pathlib import Path

import psycopg
import pytest

from boomledger.backup import back_up, restore
from domain.errors import Conflict, Unavailable
from ingest.limits import Limits
from ingest.writer import Incoming, Writer
from store.migrate import migrate
from store.segments import from_ms
from store.sql import query
from tests.support.ingesting import register
from tests.support.telemetry import message


def contents(url: str) -> dict[str, list[str]]:
    """Every row of every table as text, in a fixed order."""
    with psycopg.connect(url) as conn:
        tables = [
            name
            for (name,) in conn.execute(
                "select c.relname from pg_class c join pg_namespace n on n.oid = relnamespace"
                " where nspname = 'public' and relkind in ('r', 'p') and not relispartition"
            ).fetchall()
        ]
        return {
            table: [row for (row,) in conn.execute(f"select t::text from {table} t order by 1").fetchall()]
            for table in tables
        }


def test_a_restored_database_says_the_same(database: str, empty_database: str, tmp_path: Path) -> None:
    register(database, "crane-a", "crane-b")
    writer = Writer(database, Limits(), alone=False)
    now = from_ms(1_780_000_000_000)
    writer.store(
        [Incoming(*message(name, number), now) for name in ("crane-a", "nobody") for number in range(40)]
    )
    writer.close()
    file = tmp_path / "backup"
    assert back_up(database, file) == file.stat().st_size
    restore(empty_database, file)
    before, after = contents(database), contents(empty_database)
    (backup_told,) = before.pop("process_heartbeat")  # written down once the file is whole, so not in it
    assert backup_told.startswith("(backup,")
    assert after.pop("process_heartbeat") == []
    assert before == after
    assert (len(before["segment"]), len(before["event"]), len(before["quarantine"])) == (36, 4, 40)
    assert migrate(empty_database) == []
    with psycopg.connect(empty_database) as conn:  # left out of the file, offered again
        assert conn.execute(query("plain_readings_offered")).fetchone() == (True,)
    writer = Writer(empty_database, Limits(), alone=False)
    writer.store([Incoming(*message("crane-a", 50), now)])
    writer.close()


def test_nothing_is_overwritten(database: str, tmp_path: Path) -> None:
    file = tmp_path / "backup"
    back_up(database, file)
    with pytest.raises(Conflict, match="is there already"):
        back_up(database, file)
    with pytest.raises(Conflict, match="not empty"):
        restore(database, file)


def test_a_file_that_is_no_backup_is_said_plainly(empty_database: str, tmp_path: Path) -> None:
    (tmp_path / "backup").write_text("no backup")
    with pytest.raises(Unavailable, match="pg_restore failed"):
        restore(empty_database, tmp_path / "backup")
    with pytest.raises(Unavailable, match="no backup"):
        restore(empty_database, tmp_path / "missing")


def test_a_restored_segment_table_takes_old_and_new_messages(
    database: str, empty_database: str, tmp_path: Path
) -> None:
    """On a hypertable also those in the columnstore; its policies come back with it."""

    def facts(url: str) -> list[object]:
        with psycopg.connect(url) as conn:
            count = conn.execute("select count(*), sum(n), sum(utilisation_pct[3]) from segment").fetchone()
            parts = conn.execute(
                "select count(*) from pg_inherits where inhparent = 'segment'::regclass"
            ).fetchone()
            if conn.execute("select segment_is_partitioned()").fetchone() == (True,):
                return [count, parts]
            chunks = (
                "select chunk_name, is_compressed, range_start from timescaledb_information.chunks order by 1"
            )
            jobs = "select proc_name, schedule_interval, config from timescaledb_information.jobs"
            return [
                count,
                parts,
                *(
                    conn.execute(f"{query}").fetchall()
                    for query in (chunks, f"{jobs} where hypertable_name = 'segment'")
                ),
            ]

    def store(url: str, numbers: range) -> list[str]:
        writer = Writer(url, Limits(), alone=False)
        results = writer.store([Incoming(*message("crane-a", number), now) for number in numbers])
        writer.close()
        return [result.outcome for result in results]

    register(database, "crane-a")
    now = from_ms(1_780_000_000_000)
    store(database, range(40))
    with psycopg.connect(database, autocommit=True) as conn:
        if conn.execute("select segment_is_partitioned()").fetchone() == (False,):
            conn.execute("select compress_chunk(chunk) from show_chunks('segment') as chunk")
    back_up(database, tmp_path / "backup")
    restore(empty_database, tmp_path / "backup")
    assert facts(empty_database) == facts(database)
    assert store(empty_database, range(50)) == ["duplicate"] * 40 + ["stored"] * 10
