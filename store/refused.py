"""Readings out of their channel's range, or under a name that is no channel: taken out of a message as missing, counted by
day, the message's bytes kept.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from math import isnan
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from psycopg import Connection

from domain.channels import CHANNEL_NAMES, outside
from store.columns import Floats, Segment, from_ms
from store.sql import query
from store.statement import Statement
from store.touched import touch

MOST_NAMES: Final = 20  # names that are no channel, of one crane and day: a sender may make up any number
_BEYOND: Final = float(np.finfo(np.float32).max)  # stands for a number that the type does not hold


class Refused(NamedTuple):
    """The readings of one channel in one message that are out of its range; all of them under a name that is no channel,
    least and most NaN then.
    """

    channel: str
    readings: int
    first_ms: int
    last_ms: int
    least: float
    most: float


@dataclass(frozen=True, kw_only=True, slots=True)
class RefusedDay:
    """The refused readings of one crane, local day and channel. A message counts on the day of its first one."""

    day: date
    channel: str
    messages: int
    readings: int
    first_at: datetime
    last_at: datetime
    least: float  # NaN: some or all stood under this name before it was a channel
    most: float

    @property
    def known(self) -> bool:
        """Whether all of them are readings of a channel."""
        return not isnan(self.most)


@dataclass(frozen=True, kw_only=True, slots=True)
class RefusedMessage:
    """A message that had refused readings, as it came."""

    t0: datetime
    boot: int
    seq: int
    received_at: datetime
    raw: bytes


def take_out(segment: Segment, low: Floats, high: Floats) -> tuple[Segment, tuple[Refused, ...]]:
    """The segment with readings below `low` or above `high`, each (channels, 1), missing; and what they were."""
    wrong = outside(segment.values, low, high)
    found = []
    for place in np.flatnonzero(wrong.any(axis=1)).tolist():
        at = np.flatnonzero(wrong[place])
        readings = np.clip(segment.values[place, at], -_BEYOND, _BEYOND)
        first, last = (segment.t0_ms + int(at[k]) * segment.dt_ms for k in (0, -1))
        found.append(
            Refused(
                segment.channels[place], len(at), first, last, float(readings.min()), float(readings.max())
            )
        )
    if not found:
        return segment, ()
    return replace(segment, values=np.where(wrong, np.float32(np.nan), segment.values)), tuple(found)


def keep(
    conn: Connection[Any],
    refused: Iterable[tuple[Segment, Sequence[Refused]]],
    zones: Mapping[int, ZoneInfo],
) -> None:
    """Count the refused readings of messages that were not stored before, each on its crane's local day."""
    rows = [
        (segment.crane_id, from_ms(one.first_ms).astimezone(zones[segment.crane_id]).date(), one)
        for segment, found in refused
        for one in found
    ]
    if not rows:
        return
    params = {
        "crane_ids": [crane_id for crane_id, _, _ in rows],
        "days": [day for _, day, _ in rows],
        "channels": [one.channel for _, _, one in rows],
        "readings": [one.readings for _, _, one in rows],
        "first_at": [from_ms(one.first_ms) for _, _, one in rows],
        "last_at": [from_ms(one.last_ms) for _, _, one in rows],
        "least": [one.least for _, _, one in rows],
        "most": [one.most for _, _, one in rows],
        "known": [*CHANNEL_NAMES, *(one.channel for _, _, one in rows if not isnan(one.most))],
        "most_names": MOST_NAMES,
    }
    conn.execute(query("refused_readings_stored"), params)


def brought_in(
    conn: Connection[Any], channel: str, segments: Iterable[Segment], zones: Mapping[int, ZoneInfo]
) -> None:
    """Count what stood under a name that was no channel less by messages that have the readings now, and have their days judged again."""
    found: Counter[tuple[int, date]] = Counter()
    readings: Counter[tuple[int, date]] = Counter()
    for one in segments:
        day = one.crane_id, from_ms(one.t0_ms).astimezone(zones[one.crane_id]).date()
        found[day] += 1
        readings[day] += one.values.shape[1]
    if not found:
        return
    days = sorted(found)
    params = {
        "crane_ids": [crane_id for crane_id, _ in days],
        "days": [day for _, day in days],
        "messages": [found[day] for day in days],
        "channel": channel,
    }
    conn.execute(query("refused_readings_gone"), params)
    conn.execute(query("refused_readings_fewer"), {**params, "readings": [readings[day] for day in days]})
    touch(conn, days)


def keep_raw(conn: Connection[Any], messages: Sequence[tuple[Segment, bytes]]) -> None:
    """Keep the bytes of messages that had refused readings."""
    if not messages:
        return
    params = {
        "crane_ids": [segment.crane_id for segment, _ in messages],
        "t0": [from_ms(segment.t0_ms) for segment, _ in messages],
        "boots": [segment.boot for segment, _ in messages],
        "seqs": [segment.seq for segment, _ in messages],
        "received_at": [from_ms(segment.received_ms) for segment, _ in messages],
        "raws": [raw for _, raw in messages],
    }
    conn.execute(query("refused_messages_stored"), params)


def bound(conn: Connection[Any], crane_ids: Iterable[int], *, most_messages: int, most_bytes: int) -> int:
    """Remove the oldest kept messages of some cranes beyond a number and a size for each; how many went."""
    params = {"crane_ids": list(crane_ids), "most_messages": most_messages, "most_bytes": most_bytes}
    return conn.execute(query("refused_messages_bounded"), params).rowcount


def by_day(conn: Connection[Any], crane_id: int, first_day: date, last_day: date) -> list[RefusedDay]:
    """The refused readings of a crane by day and channel, both days included."""
    return _BY_DAY.all(conn, crane_id=crane_id, first_day=first_day, last_day=last_day)


def messages(conn: Connection[Any], crane_id: int, most: int = 100) -> list[RefusedMessage]:
    """Messages of a crane that had refused readings, newest first."""
    return _MESSAGES.all(conn, crane_id=crane_id, most=most)


_BY_DAY: Final = Statement("refused_readings_listed", RefusedDay)
_MESSAGES: Final = Statement("refused_messages_listed", RefusedMessage)
