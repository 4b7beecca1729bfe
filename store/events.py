"""Events, last known values and presence of every crane, and the news that listeners wait for."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from psycopg import Connection
from psycopg.types.json import Jsonb

from domain.messages import EventKind, EventState
from store.segments import Key, to_ms
from store.sql import query
from store.statement import Statement

_TYPES: Final = ["int4", "timestamptz", "int8", "int8", "text", "text", "text", "text", "timestamptz"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """One event of one crane."""

    crane_id: int
    at: datetime
    boot: int
    seq: int
    kind: EventKind
    code: str
    state: EventState
    text: str
    received_at: datetime

    def __post_init__(self) -> None:
        # The database hands back plain text.
        object.__setattr__(self, "kind", EventKind(self.kind))
        object.__setattr__(self, "state", EventState(self.state))

    @property
    def key(self) -> Key:
        """What makes it one message: crane, time, boot and sequence number."""
        return self.crane_id, to_ms(self.at), self.boot, self.seq

    def same_as(self, other: "Event") -> bool:
        """Whether it says the same, received when it may."""
        return replace(self, received_at=other.received_at) == other


def prepare(conn: Connection[Any]) -> None:
    """Make this session ready for `keep`."""
    conn.execute(query("event_staging"))


def keep(conn: Connection[Any], events: Sequence[Event]) -> tuple[set[Key], set[Key]]:
    """Store events; those whose key is stored already change nothing.

    Returns the keys that are new, and those whose key is stored with other contents: theirs are not kept.
    """
    with conn.cursor().copy("copy incoming_event from stdin (format binary)") as copy:
        copy.set_types(_TYPES)
        for event in events:
            copy.write_row(
                (
                    *(event.crane_id, event.at, event.boot, event.seq),
                    *(event.kind.value, event.code, event.state.value, event.text, event.received_at),
                )
            )
    new: set[Key] = set(conn.execute(query("events_stored")).fetchall())
    if len(new) == len(events):
        return new, set()
    return new, set(conn.execute(query("events_differing")).fetchall())


def read(conn: Connection[Any], crane_id: int, time_from: datetime, time_to: datetime) -> list[Event]:
    """Events of one crane with time_from <= at < time_to, oldest first."""
    return _OF_CRANE.all(conn, crane_id=crane_id, time_from=time_from, time_to=time_to)


_OF_CRANE: Final = Statement("events_of_crane", Event)


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
