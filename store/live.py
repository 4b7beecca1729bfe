"""Last known values and presence of every crane, and the news that listeners wait for."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Final

from psycopg import Connection
from psycopg.types.json import Jsonb

from store.sql import query

CHANNEL: Final = "boomledger_live"  # NOTIFY; the payload is the name of the crane


def keep_values(
    conn: Connection[Any],
    newest: Mapping[int, tuple[datetime, Mapping[str, float | None]]],
    received_at: datetime,
) -> None:
    """Newest time and last readings by crane_id; older ones than those known change nothing."""
    params = {
        "crane_ids": list(newest),
        "at": [at for at, _ in newest.values()],
        "received_at": [received_at] * len(newest),
        "values": [Jsonb(dict(values)) for _, values in newest.values()],
    }
    conn.execute(query("live_values_stored"), params)


def keep_presence(conn: Connection[Any], crane_id: int, *, boot: int, online: bool) -> None:
    """A crane came online with a boot, or went offline. A last will of an earlier boot changes nothing."""
    conn.execute(query("live_presence_stored"), {"crane_id": crane_id, "boot": boot, "online": online})


def tell(conn: Connection[Any], cranes: Iterable[str]) -> None:
    """Notify listeners of news about some cranes, when the transaction commits."""
    conn.execute(query("live_told"), {"cranes": sorted(set(cranes))})
