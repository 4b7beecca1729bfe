"""Locks between sessions of the database. All of them stand here, so that no two share a key by mistake."""

from enum import IntEnum, unique
from typing import Any, Final
from zlib import crc32

import psycopg
from psycopg import AsyncConnection


@unique
class Lock(IntEnum):
    """What one session at a time may do; the numbers are arbitrary, ours, and the same in every release."""

    MIGRATE = 4_870_212_093_311
    JUDGE_ALERTS = 4_870_212_093_314
    REGISTER_CRANE = 4_870_212_093_315
    CHANGE_COUNTS = 4_870_212_093_316  # of the counting in use; whoever counts by it shares the lock
    ENTER_COUNTING = 4_870_212_093_317
    COOL = 4_870_212_093_318
    FURTHER_CHANNELS = 4_870_212_093_319


PATH_WAIT_S: Final = 10
WRITES: Final = 4_870_212  # the first of two numbers, which no lock of one number shares
HOLDS: Final = 4_870_213
LIFE_RECORDS: Final = 4_870_233
REGISTER: Final = 4_870_214  # with the number of a crane: its overload register


async def wait_for_path(conn: AsyncConnection[Any], path: str) -> None:
    """Until the transaction ends, have other writes to a path of the api wait; waits for those before it.

    Raises psycopg.errors.LockNotAvailable when that takes longer than PATH_WAIT_S.
    """
    await conn.execute("select set_config('lock_timeout', %s, true)", [f"{PATH_WAIT_S}s"])
    await conn.execute(
        "select pg_advisory_xact_lock(%s::int, %s::int)", [WRITES, crc32(path.encode()) - 2**31]
    )


async def wait_for_holds(conn: AsyncConnection[Any], crane: str) -> None:
    """Until the transaction ends, have other holds of the crane wait; waits for those before it.

    An exclusion constraint alone lets two that write at once wait for each other, which the database ends as a deadlock.
    """
    await conn.execute(
        "select pg_advisory_xact_lock(%s::int, %s::int)", [HOLDS, crc32(crane.encode()) - 2**31]
    )


def wait_for_life_records(conn: psycopg.Connection[Any], crane_id: int) -> None:
    """Until the transaction ends, have other changes of the crane's life records wait; waits for those before it."""
    conn.execute("select pg_advisory_xact_lock(%s::int, %s::int)", [LIFE_RECORDS, crane_id])


def take(conn: psycopg.Connection[Any], lock: Lock) -> bool:
    """Whether this session got the lock; it keeps it until `give_back` or its end."""
    row = conn.execute("select pg_try_advisory_lock(%s::bigint)", [lock.value]).fetchone()
    return row is not None and bool(row[0])


def give_back(conn: psycopg.Connection[Any], lock: Lock) -> None:
    """Let the next session have the lock."""
    conn.execute("select pg_advisory_unlock(%s::bigint)", [lock.value])


def wait_in_transaction(conn: psycopg.Connection[Any], lock: Lock) -> None:
    """Take the lock until the transaction ends, and wait for it before."""
    conn.execute("select pg_advisory_xact_lock(%s::bigint)", [lock.value])


def share_in_transaction(conn: psycopg.Connection[Any], lock: Lock) -> None:
    """Keep others from taking the lock alone until the transaction ends; any number may share it."""
    conn.execute("select pg_advisory_xact_lock_shared(%s::bigint)", [lock.value])
