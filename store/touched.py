"""The queue of crane-days whose data changed since they were counted."""

from collections.abc import Iterable
from datetime import date
from typing import Any, Final

from psycopg import Connection

from store.sql import query

CHANNEL: Final = "boomledger_touched"  # NOTIFY; empty payload


def touch(conn: Connection[Any], days: Iterable[tuple[int, date]]) -> None:
    """Queue (crane_id, local day) pairs, and tell the counting process when the transaction commits."""
    pairs = sorted(set(days))
    if pairs:
        crane_ids, local_days = zip(*pairs, strict=True)
        conn.execute(query("touched_days_kept"), {"crane_ids": list(crane_ids), "days": list(local_days)})
        conn.execute(query("touched_told"))


def waiting_days(conn: Connection[Any]) -> int:
    """How many crane-days wait to be counted."""
    row = conn.execute(query("queue_lag")).fetchone()
    return 0 if row is None else int(row[0])
