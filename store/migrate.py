"""Brings a database up to date with the numbered files of store/migrations: forward only, each in one transaction.

A file that was applied is never edited: its checksum is compared. Changes expand first and contract in a later
release, so that the code of the release before runs on the schema of this one.
"""

import hashlib
import re
import time
from importlib.resources import files
from typing import Final, NamedTuple

import psycopg

from domain.errors import Conflict, Unavailable
from store.connection import connect
from store.locks import Lock, give_back, take

LOCK_WAIT_S: Final = 300.0
LOCK_POLL_S: Final = 0.1

_FILE = re.compile(r"^(\d{4})_(\w+)\.sql$")


class Migration(NamedTuple):
    """One numbered file."""

    number: int
    name: str
    text: str

    @property
    def checksum(self) -> str:
        """SHA-256 of the file, hexadecimal."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def migrations() -> list[Migration]:
    """Every migration of this release, in order."""
    found = [
        Migration(int(match[1]), match[2], entry.read_text())
        for entry in files(__package__).joinpath("migrations").iterdir()
        if (match := _FILE.match(entry.name))
    ]
    return sorted(found)


def migrate(url: str) -> list[str]:
    """Apply what is missing and return the names of what was applied.

    Safe when several processes start at once: one applies, the others wait. Raises Conflict when a file was edited
    after it had been applied, Unavailable when the database cannot be reached.
    """
    with connect(url, autocommit=True) as conn:
        _lock(conn)
        try:
            conn.execute(
                "create table if not exists schema_migration (number integer primary key, name text not null,"
                " checksum text not null, applied_at timestamptz not null default now())"
            )
            applied = [migration.name for migration in pending(conn) if _apply(conn, migration)]
            if applied:
                wall_off(conn)
            return applied
        finally:
            give_back(conn, Lock.MIGRATE)


def wall_off(conn: psycopg.Connection) -> None:
    """Policies and rights of the api's role on whatever is new: after a migration, after a restore. Twice is harmless."""
    conn.execute(
        "select wall_off(), open_readings_of_a_cluster() where to_regproc('open_readings_of_a_cluster') is not null"
    )
    conn.execute("select offer_plain_readings() where to_regproc('offer_plain_readings') is not null")


def pending(conn: psycopg.Connection) -> list[Migration]:
    """What this release would apply to the database. Raises Conflict when an applied file was edited."""
    applied: dict[int, str] = dict(conn.execute("select number, checksum from schema_migration").fetchall())
    for migration in migrations():
        if applied.get(migration.number, migration.checksum) != migration.checksum:
            raise Conflict(
                f"migration {migration.number:04}_{migration.name} was edited after it had been applied here: "
                "restore the file and put the change into a new one"
            )
    return [migration for migration in migrations() if migration.number not in applied]


def _lock(conn: psycopg.Connection) -> None:
    # Polled: a wait inside pg_advisory_lock holds a snapshot, and `create index concurrently` waits for that.
    give_up = time.monotonic() + LOCK_WAIT_S
    while not take(conn, Lock.MIGRATE):
        if time.monotonic() > give_up:
            raise Unavailable(
                "another process has been migrating this database for minutes: see what it waits for"
            )
        time.sleep(LOCK_POLL_S)


def _apply(conn: psycopg.Connection, migration: Migration) -> bool:
    with conn.transaction():
        conn.execute(migration.text.encode())
        conn.execute(
            "insert into schema_migration (number, name, checksum) values (%s, %s, %s)",
            [migration.number, migration.name, migration.checksum],
        )
    return True
