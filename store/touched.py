"""The queue of crane-days whose data changed since they were counted."""

from collections.abc import Iterable
from datetime import date, timedelta
from functools import lru_cache
from typing import Any, Final
from zoneinfo import ZoneInfo

from psycopg import Connection

from store.columns import from_ms
from store.sql import query
from store.statement import run, scalar

CHANNEL: Final = "boomledger_touched"  # NOTIFY; empty payload
QUARTER_MS: Final = 900_000


def local_days(zone: ZoneInfo, first_ms: int, last_ms: int) -> tuple[date, ...]:
    """The local days on which something lies that lasts from `first_ms` to `last_ms`, milliseconds since 1970, both included."""
    # Midnights fall on quarters of an hour in every zone of today.
    return _days_of_quarters(zone, first_ms // QUARTER_MS, last_ms // QUARTER_MS)


@lru_cache(maxsize=10_000)
def _days_of_quarters(zone: ZoneInfo, first: int, last: int) -> tuple[date, ...]:
    begin, end = (from_ms(quarter * QUARTER_MS).astimezone(zone).date() for quarter in (first, last))
    return tuple(begin + timedelta(days=number) for number in range((end - begin).days + 1))


def touch(conn: Connection[Any], days: Iterable[tuple[int, date]]) -> None:
    """Queue (crane_id, local day) pairs, and tell the counting process when the transaction commits."""
    pairs = sorted(set(days))
    if pairs:
        crane_ids, local_days = zip(*pairs, strict=True)
        conn.execute(query("touched_days_stored"), {"crane_ids": list(crane_ids), "days": list(local_days)})
        conn.execute(query("touched_told"))


def touch_recorded(
    conn: Connection[Any], *, crane: str | None = None, type_name: str | None = None, site: str | None = None
) -> int:
    """Queue every counted day of one crane, of those of a type or of a site, or of the fleet; how many."""
    queued = run(conn, "recorded_days_touched", crane=crane, type=type_name, site=site)
    if queued:
        conn.execute(query("touched_told"))
    return queued


def waiting_days(conn: Connection[Any]) -> int:
    """How many crane-days wait to be counted."""
    return int(scalar(conn, "queue_lag") or 0)
