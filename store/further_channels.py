"""Further channels: registered, taken back, listed; and readings that were kept apart before, brought in."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from psycopg import AsyncConnection, Connection

from domain.errors import Conflict, NotFound
from domain.further_channel import MOST, FurtherChannelAsked, FurtherChannelRow, check_name, check_unit
from store.columns import Segment, from_ms
from store.locks import Lock, wait_in_transaction
from store.sql import query
from store.statement import Sites, Statement, run


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """A further channel whose readings of before wait to be brought in; `crane_id` None: of every crane."""

    channel_id: int
    crane_id: int | None
    name: str


LISTED: Final = Statement("further_channels_listed", FurtherChannelRow)
WAITING: Final = Statement("further_channel_claimed", Waiting)


def register(
    conn: Connection[Any], crane_id: int | None, name: str, asked: FurtherChannelAsked, account: str
) -> FurtherChannelRow:
    """Register a further channel of a crane, or of every crane (None); one of that name is changed, and in force again.

    Raises InvalidInput for a name that cannot be one, Conflict where there are too many, or where the name has another unit already.
    """
    check_name(name, asked.unit)
    params = {"crane_id": crane_id, "name": name, "account": account, "most": MOST, **asked.model_dump()}
    with conn.transaction():
        wait_in_transaction(conn, Lock.FURTHER_CHANNELS)  # two that register at once would not see each other
        row = conn.execute(query("further_channel_unit"), {"name": name}).fetchone()
        if row is None:
            check_unit(asked.unit)
        elif row[0] != asked.unit:
            raise Conflict(
                f"{name} is in {row[0]}: readings that are stored are in it, of this crane or another. Give the unit as {row[0]}, or"
                " choose another name"
            )
        if conn.execute(query("further_channel_saved"), params).fetchone() is None:
            whose = "the fleet" if crane_id is None else "the crane"
            raise Conflict(f"{whose} has {MOST} further channels: withdraw one that is no longer sent")
        return _one(conn, crane_id, name)


def withdraw(conn: Connection[Any], crane_id: int | None, name: str, account: str) -> FurtherChannelRow:
    """Take a further channel back: what comes is kept apart again, and what is stored stays. Raises NotFound."""
    run(conn, "further_channel_withdrawn", crane_id=crane_id, name=name, account=account)
    return _one(conn, crane_id, name)


def listed(conn: Connection[Any], crane_id: int | None = None) -> list[FurtherChannelRow]:
    """Further channels of the whole fleet with those of one crane, or of all of them."""
    return LISTED.all(conn, **_asked(crane_id=crane_id))


async def of_crane(conn: AsyncConnection[Any], crane_id: int) -> dict[str, FurtherChannelRow]:
    """What further channels a crane has by name, withdrawn ones too; its own before one of the fleet."""
    rows = await LISTED.all_async(conn, **_asked(crane_id=crane_id))
    return {row.name: row for row in sorted(rows, key=lambda row: (row.crane is not None, row.name))}


async def page(conn: AsyncConnection[Any], sites: Sites, *, after: int, rows: int) -> list[FurtherChannelRow]:
    """Further channels of the fleet and of the cranes in scope, in the order of their numbers."""
    return await LISTED.all_async(conn, **_asked(sites, after=after, rows=rows))


def add_readings(conn: Connection[Any], name: str, messages: Iterable[Segment]) -> list[Segment]:
    """Add the readings of a further channel to messages that are stored in the database without it; which they were."""
    return [
        one
        for one in messages
        if run(
            conn,
            "further_readings_added",
            name=name,
            crane_id=one.crane_id,
            t0=from_ms(one.t0_ms),
            boot=one.boot,
            seq=one.seq,
            n=one.values.shape[1],
            readings=one.readings(name).astype(np.float64).tolist(),
        )
    ]


def _asked(
    sites: Sites = None, crane_id: int | None = None, after: int = 0, rows: int = 10_000
) -> dict[str, object]:
    return {"sites": sites, "crane_id": crane_id, "after": after, "rows": rows}


def _one(conn: Connection[Any], crane_id: int | None, name: str) -> FurtherChannelRow:
    for row in listed(conn, crane_id):
        if row.name == name and (row.crane is None) == (crane_id is None):
            return row
    raise NotFound(f"there is no further channel {name}: see the list of channels")
