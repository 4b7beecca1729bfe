"""Brings a database to the schema of this release.

An empty one is made by store/schema/tables. One that was made before takes the numbered steps that it has not had, from
store/upgrade_from_*: forward only, each in one transaction. Both then get store/schema/replaced, whole and anew: functions,
triggers, views, policies and rights. A step that was applied is never edited: its checksum is compared.
"""

import re
import time
from collections.abc import Iterable
from hashlib import sha256
from importlib.resources import files
from typing import Final, NamedTuple

import psycopg

from domain.errors import Conflict, InvalidInput, Unavailable
from store.connection import connect
from store.locks import Lock, give_back, take

LOCK_WAIT_S: Final = 300.0
LOCK_POLL_S: Final = 0.1
STEPS: Final = "upgrade_from_0_1"
STEPS_GONE: Final = 0
"""Last number of a folder of steps that was deleted: a database that has not come so far needs a release before this one."""
REPLACED: Final = -1
"""Number in schema_migration under which the checksum of store/schema/replaced stands."""

_FILE: Final = re.compile(r"^(\d{4})_(\w+)\.sql$")


class Migration(NamedTuple):
    """One numbered step."""

    number: int
    name: str
    text: str

    @property
    def checksum(self) -> str:
        """SHA-256 of the file, hexadecimal."""
        return _digest([self.text])


def migrations() -> list[Migration]:
    """Every step of this release, in order; none where the folder was deleted."""
    folder = files(__package__).joinpath(STEPS)
    found = [
        Migration(int(match[1]), match[2], entry.read_text())
        for entry in (folder.iterdir() if folder.is_dir() else ())
        if (match := _FILE.match(entry.name))
    ]
    return sorted(found)


def migrate(url: str) -> list[str]:
    """Bring the database up to date and return the names of what was applied.

    Safe when several processes start at once: one applies, the others wait. Interrupted, it goes on after the last whole
    step when run again. Raises Conflict when a step was edited after it had been applied, or when the database is of a
    release too old, Unavailable when the database cannot be reached.
    """
    with connect(url, autocommit=True) as conn:
        _lock(conn)
        try:
            return _make(conn) if _is_empty(conn) else _upgrade(conn)
        finally:
            give_back(conn, Lock.MIGRATE)


def put_scope_key(url: str, key: str) -> None:
    """Make a key, 64 hexadecimal digits, that of the site scopes: web processes that have it as a setting sign by it.

    Raises InvalidInput where it is none.
    """
    if not re.fullmatch("[0-9a-f]{64}", key):
        raise InvalidInput(
            "scope_key: 64 hexadecimal digits, which docs/security.md says how to make", field="scope_key"
        )
    with connect(url) as conn:
        conn.execute("select put_scope_key(%s)", [bytes.fromhex(key)])


def replace_objects(conn: psycopg.Connection) -> None:
    """Functions, triggers, views, policies and rights, as this release has them. Twice is harmless.

    After a migration, after a restore, and after tables were spread over a cluster.
    """
    with conn.transaction():
        for text in _schema("replaced"):
            conn.execute(text.encode())
        conn.execute(
            "insert into schema_migration (number, name, checksum) values (%s, 'replaced', %s)"
            " on conflict (number) do update set checksum = excluded.checksum, applied_at = now()"
            " where schema_migration.checksum <> excluded.checksum",
            [REPLACED, _replaced_checksum(conn)],
        )


def pending(conn: psycopg.Connection) -> list[Migration]:
    """The steps that the database has not had. Raises Conflict when an applied one was edited, or when it is too old."""
    applied: dict[int, str] = dict(conn.execute("select number, checksum from schema_migration").fetchall())
    if max(applied) < STEPS_GONE:
        raise Conflict(
            "this database was made by a release that this one does not know any more: "
            "bring it up to date with the release before this one, then with this one"
        )
    for migration in migrations():
        if applied.get(migration.number, migration.checksum) != migration.checksum:
            raise Conflict(
                f"migration {migration.number:04}_{migration.name} was edited after it had been applied here: "
                "restore the file and put the change into a new one"
            )
    return [migration for migration in migrations() if migration.number not in applied]


def _is_empty(conn: psycopg.Connection) -> bool:
    conn.execute(
        "create table if not exists schema_migration (number integer primary key, name text not null,"
        " checksum text not null, applied_at timestamptz not null default now())"
    )
    return conn.execute("select from schema_migration limit 1").fetchone() is None


def _make(conn: psycopg.Connection) -> list[str]:
    """All of the schema at once; it holds what every step does."""
    with conn.transaction():
        for text in _schema("tables"):
            conn.execute(text.encode())
        for migration in (Migration(STEPS_GONE, "schema", ""), *migrations()):
            _note(conn, migration)
        replace_objects(conn)
    return ["schema"]


def _upgrade(conn: psycopg.Connection) -> list[str]:
    # On a cluster a new table stays on the coordinator, whatever it refers to; elsewhere this is a name without a meaning.
    conn.execute("set citus.enable_local_reference_table_foreign_keys to off")
    applied = []
    for migration in pending(conn):
        with conn.transaction():
            conn.execute(migration.text.encode())
            _note(conn, migration)
        applied.append(migration.name)
    kept = conn.execute("select checksum from schema_migration where number = %s", [REPLACED]).fetchone()
    if applied or kept != (_replaced_checksum(conn),):
        replace_objects(conn)
        applied.append("functions, views and rights")
    return applied


def _note(conn: psycopg.Connection, migration: Migration) -> None:
    conn.execute(
        "insert into schema_migration (number, name, checksum) values (%s, %s, %s)",
        [migration.number, migration.name, migration.checksum],
    )


def _schema(folder: str) -> list[str]:
    entries = sorted(files(__package__).joinpath("schema", folder).iterdir(), key=lambda one: one.name)
    optional = files(__package__).joinpath(
        "cluster", f"{folder}.sql"
    )  # last: it changes what the others made
    return [entry.read_text() for entry in (*entries, optional) if entry.is_file()]


def _replaced_checksum(conn: psycopg.Connection) -> str:
    # With the role that an administrator may make and grant after the first run: its rights are still to be given then.
    role = conn.execute(
        "select pg_has_role(current_user, oid, 'usage') from pg_roles where rolname = 'boomledger_api'"
    )
    return _digest([*_schema("replaced"), str(role.fetchone())])


def _digest(texts: Iterable[str]) -> str:
    return sha256("".join(texts).encode()).hexdigest()


def _lock(conn: psycopg.Connection) -> None:
    # Polled: a wait inside pg_advisory_lock holds a snapshot, and `create index concurrently` waits for that.
    give_up = time.monotonic() + LOCK_WAIT_S
    while not take(conn, Lock.MIGRATE):
        if time.monotonic() > give_up:
            raise Unavailable(
                "another process has been migrating this database for minutes: see what it waits for"
            )
        time.sleep(LOCK_POLL_S)
