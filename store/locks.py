"""Locks that sessions of the database take turns by. All of them stand here, so that no two share a key by mistake."""

from enum import IntEnum, unique
from typing import Any

import psycopg


@unique
class Turn(IntEnum):
    """What one session at a time may do; the numbers are arbitrary, ours, and the same in every release."""

    MIGRATE = 4_870_212_093_311
    INGEST_ALONE = 4_870_212_093_312
    SPARKPLUG_HOST = 4_870_212_093_313
    JUDGE_ALERTS = 4_870_212_093_314
    REGISTER_CRANE = 4_870_212_093_315


def take(conn: psycopg.Connection[Any], turn: Turn) -> bool:
    """Whether this session got the turn; it keeps it until `give_back` or its end."""
    row = conn.execute("select pg_try_advisory_lock(%s::bigint)", [turn.value]).fetchone()
    return row is not None and bool(row[0])


def give_back(conn: psycopg.Connection[Any], turn: Turn) -> None:
    """Let the next session have the turn."""
    conn.execute("select pg_advisory_unlock(%s::bigint)", [turn.value])


def wait_in_transaction(conn: psycopg.Connection[Any], turn: Turn) -> None:
    """Take the turn until the transaction ends, and wait for it before."""
    conn.execute("select pg_advisory_xact_lock(%s::bigint)", [turn.value])
