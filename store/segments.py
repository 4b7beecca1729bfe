"""Segments: one stored samples message each, written and read by binary COPY without a Python loop over samples.

A PostgreSQL `real[]` is a header of 20 bytes (dimensions, null flag, element type, length, lower bound) and then, for
each element, a 4-byte length and 4 bytes of value, all big-endian.
"""

import asyncio
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from weakref import WeakKeyDictionary

import numpy as np
import structlog
from psycopg import AsyncConnection, BaseConnection, Connection, sql

from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput, Unavailable
from domain.units import MS_PER_DAY, MS_PER_S, US_PER_MS
from store import parquet
from store.columns import (
    EPOCH,
    Floats,
    Ints,
    Key,
    Segment,
    Segments,
    by_column,
    from_ms,
    joined,
    to_ms,
)
from store.packing import FIXED, FURTHER, copy_into, keep_new, packed
from store.sql import query
from store.unpacking import COPY_END, COPY_HEAD, MS_TO_2000, PLAIN, SENT, column, unpacked

__all__ = [
    "EPOCH",
    "Floats",
    "Ints",
    "Key",
    "Segment",
    "Segments",
    "extent",
    "from_ms",
    "keep",
    "keep_as_new",
    "make_ranges",
    "prepare",
    "read",
    "read_async",
    "read_both_tiers",
    "read_whole",
    "to_ms",
]

log = structlog.get_logger(__name__)
_ELEMENT_BYTES: Final[WeakKeyDictionary[BaseConnection[Any], int]] = WeakKeyDictionary()


def prepare(conn: Connection[Any]) -> None:
    """Make this session ready for `keep`."""
    conn.execute(query("segment_staging"))


def make_ranges(conn: Connection[Any], time_from: datetime, time_to: datetime) -> None:
    """Create the partitions for a time range where they are needed; does nothing on a hypertable."""
    conn.execute(query("segment_ranges"), {"time_from": time_from, "time_to": time_to})


def keep(conn: Connection[Any], segments: Sequence[Segment]) -> tuple[set[Key], set[Key]]:
    """Store segments; those whose key is stored already, in either tier, change nothing.

    Returns the keys that are new, and those whose key is stored with other readings: their contents are not kept.
    """
    segments, differing = _without_cold(conn, segments)
    with conn.cursor().copy(copy_into("incoming_segment")) as copy:
        copy.write(COPY_HEAD)
        for rows in packed(segments):
            copy.write(rows)
        copy.write(COPY_END)
    new: set[Key] = set(conn.execute(query("segments_stored")).fetchall())
    if len(new) == len(segments):
        return new, differing
    columns = {
        f"channels_{table}": sql.SQL(", ").join(sql.Identifier(table, name) for name in CHANNEL_NAMES)
        for table in ("incoming", "stored")
    }
    stored = conn.execute(sql.SQL(query("segments_differing")).format(**columns)).fetchall()
    return new, differing.union(stored)


def keep_as_new(conn: Connection[Any], segments: Sequence[Segment]) -> tuple[set[Key], set[Key]]:
    """`keep` for segments none of which is in the database, in half the time.

    Raises psycopg.IntegrityError when one is; the transaction has failed then, and `keep` can be asked in another.
    """
    segments, differing = _without_cold(conn, segments)
    keep_new(conn, segments)
    return {segment.key for segment in segments}, differing


def read(
    conn: Connection[Any],
    crane_id: int,
    time_from: datetime,
    time_to: datetime,
    channels: Iterable[str],
    further: Iterable[str] = (),
) -> Segments:
    """Segments of one crane that overlap [time_from, time_to), whole, with the channels asked for, of both tiers."""
    names = _known(channels, further)
    if (element_bytes := _ELEMENT_BYTES.get(conn)) is None:
        element_bytes = _noted(conn, conn.execute(query("plain_readings_offered")).fetchone())
    with conn.cursor().copy(_read_statement(crane_id, time_from, time_to, names, element_bytes)) as copy:
        hot = unpacked(b"".join(copy), names, element_bytes)
    rows = conn.execute(query("cold_days_of_crane"), _cold_range(crane_id, time_from, time_to)).fetchall()
    if not rows:
        return hot
    return joined(hot, _read_cold([parquet.below(*row) for row in rows], time_from, time_to, names))


async def read_async(
    conn: AsyncConnection[Any],
    crane_id: int,
    time_from: datetime,
    time_to: datetime,
    channels: Iterable[str],
    further: Iterable[str] = (),
) -> Segments:
    """`read` on an asyncio connection."""
    names = _known(channels, further)
    if (element_bytes := _ELEMENT_BYTES.get(conn)) is None:
        offered = await conn.execute(query("plain_readings_offered"))
        element_bytes = _noted(conn, await offered.fetchone())
    async with conn.cursor().copy(
        _read_statement(crane_id, time_from, time_to, names, element_bytes)
    ) as copy:
        hot = unpacked(b"".join([part async for part in copy]), names, element_bytes)
    found = await conn.execute(query("cold_days_of_crane"), _cold_range(crane_id, time_from, time_to))
    locations = [parquet.below(*row) for row in await found.fetchall()]
    if not locations:
        return hot
    return joined(hot, await asyncio.to_thread(_read_cold, locations, time_from, time_to, names))


def read_whole(conn: Connection[Any], crane_id: int, time_from: datetime, time_to: datetime) -> list[Segment]:
    """Segments in the database of one crane that begin in [time_from, time_to), with everything stored of them."""
    statement = sql.SQL("copy ({}) to stdout (format binary)").format(
        sql.SQL(query("segments_whole")).format(
            channels=sql.SQL(", ").join(map(sql.Identifier, (*CHANNEL_NAMES, *FURTHER))),
            crane_id=sql.Literal(crane_id),
            time_from=sql.Literal(time_from.astimezone(UTC)),
            time_to=sql.Literal(time_to.astimezone(UTC)),
        )
    )
    with conn.cursor().copy(statement) as copy:
        return _whole(b"".join(bytes(part) for part in copy))


def read_both_tiers(
    conn: Connection[Any], crane_id: int, time_from: datetime, time_to: datetime, *, reaching: bool = False
) -> list[Segment]:
    """Segments of one crane that begin in [time_from, time_to), with everything stored of them, of both tiers.

    `reaching`: also those that begin before and reach into it. In the order of their keys.
    """
    # A segment lasts a day at most.
    begin = time_from - timedelta(days=1) if reaching else time_from
    rows = conn.execute(query("cold_days_of_crane"), _cold_range(crane_id, time_from, time_to)).fetchall()
    cold = [row for place in rows for row in parquet.load(parquet.below(*place), crane_id=crane_id)]
    first_ms, past_ms = to_ms(time_from), to_ms(time_to)
    everything = {
        row.key: row
        for row in [*cold, *read_whole(conn, crane_id, begin, time_to)]
        if row.t0_ms < past_ms
        and (row.t0_ms >= first_ms or (reaching and row.t0_ms + row.values.shape[1] * row.dt_ms > first_ms))
    }
    return sorted(everything.values(), key=lambda row: row.key)


def extent(conn: Connection[Any], crane_id: int) -> tuple[datetime, datetime] | None:
    """First and last start of the segments of one crane, None without any."""
    row = conn.execute(query("segment_extent"), {"crane_id": crane_id}).fetchone()
    return None if row is None or row[0] is None else (row[0], row[1])


def _known(channels: Iterable[str], further: Iterable[str]) -> tuple[str, ...]:
    own = tuple(channels)
    names = (*own, *further)
    unknown = sorted(set(own) - set(CHANNEL_NAMES))
    if unknown or not names:
        raise InvalidInput(f"no channels {unknown}; known are {', '.join(CHANNEL_NAMES)}", field="channels")
    return names


def _noted(conn: BaseConnection[Any], offered: tuple[Any, ...] | None) -> int:
    """Keep how a connection is asked for readings, so that it is looked up once."""
    _ELEMENT_BYTES[conn] = element_bytes = PLAIN if offered is not None and offered[0] else SENT
    return element_bytes


def _read_statement(
    crane_id: int, time_from: datetime, time_to: datetime, names: Sequence[str], element_bytes: int
) -> sql.Composed:
    chosen = sql.SQL(query("segments_of_crane")).format(
        channels=sql.SQL(", ").join(column(name, element_bytes) for name in names),
        crane_id=sql.Literal(crane_id),
        time_from=sql.Literal(time_from.astimezone(UTC)),
        time_to=sql.Literal(time_to.astimezone(UTC)),
    )
    return sql.SQL("copy ({}) to stdout (format binary)").format(chosen)


def _whole(data: bytes) -> list[Segment]:
    """Rows of `segments_whole` in COPY's binary format."""
    found: list[Segment] = []
    place = len(COPY_HEAD)
    while data[place : place + 2] not in (COPY_END, b""):
        _, _, crane_id, _, t0, _, boot, _, seq, _, dt_ms, _, n, _, received = FIXED.unpack_from(data, place)
        place += FIXED.size
        channels: list[str] = []
        rows: list[Floats] = []
        for name in CHANNEL_NAMES:
            length = int.from_bytes(data[place : place + 4], signed=True)
            place += 4
            if length >= 0:
                channels.append(name)
                rows.append(
                    np.frombuffer(data, dtype=">f4", count=2 * n, offset=place + 20)[1::2].astype(np.float32)
                )
                place += length
        names, place = _texts(data, place)
        length = int.from_bytes(data[place : place + 4], signed=True)
        place += 4
        if names:
            all_of_them = np.frombuffer(data, dtype=">f4", count=2 * n * len(names), offset=place + 20)[1::2]
            by_name = dict(zip(names, all_of_them.reshape(len(names), n).astype(np.float32), strict=True))
            channels += sorted(by_name)
            rows += [by_name[name] for name in sorted(by_name)]
            place += length
        found.append(
            Segment(
                crane_id=crane_id,
                t0_ms=t0 // US_PER_MS + MS_TO_2000,
                boot=boot,
                seq=seq,
                dt_ms=dt_ms,
                channels=tuple(channels),
                values=np.array(rows, dtype=np.float32).reshape(len(channels), n),
                received_ms=received // US_PER_MS + MS_TO_2000,
            )
        )
    return found


def _texts(data: bytes, place: int) -> tuple[list[str], int]:
    """The texts of a `text[]` of one dimension, none of a null, and the place behind it."""
    found: list[str] = []
    length = int.from_bytes(data[place : place + 4], signed=True)
    past = place + 4 + max(length, 0)
    place += 24
    while place < past:
        size = int.from_bytes(data[place : place + 4])
        found.append(data[place + 4 : place + 4 + size].decode())
        place += 4 + size
    return found, past


def _cold_range(crane_id: int, time_from: datetime, time_to: datetime) -> dict[str, object]:
    # A segment lasts a day at most, so one that reaches into the range began at most a day before it.
    first_day = (time_from.astimezone(UTC) - timedelta(days=1)).date()
    return {"crane_id": crane_id, "first_day": first_day, "last_day": time_to.astimezone(UTC).date()}


def _without_cold(conn: Connection[Any], segments: Sequence[Segment]) -> tuple[Sequence[Segment], set[Key]]:
    """Those that no file of the cold tier holds, and the keys that a file holds with other readings.

    A day that moves in the meantime, and one whose file cannot be read now, passes: what is in both tiers is read once, and
    joins its file at the next move.
    """
    young_ms = time.time() * MS_PER_S - MS_PER_DAY  # a day that is not over for that long does not move
    old = defaultdict(list)
    for segment in segments:
        if segment.t0_ms < young_ms:
            old[segment.crane_id, segment.t0_ms // MS_PER_DAY].append(segment)
    if not old:
        return segments, set()
    crane_ids, numbers = zip(*old, strict=True)
    days = [from_ms(number * MS_PER_DAY).date() for number in numbers]
    known: set[Key] = set()
    differing: set[Key] = set()
    asked = {"crane_ids": list(crane_ids), "days": days}
    for crane_id, day, folder, location in conn.execute(query("cold_files_of_days"), asked).fetchall():
        try:
            held = {row.key: row for row in parquet.load(parquet.below(folder, location), crane_id=crane_id)}
        except Unavailable as problem:
            log.warning(
                "messages of a day in the cold tier are stored without a look into it", problem=str(problem)
            )
            continue
        of_the_day = old[crane_id, (day - EPOCH.date()).days]
        again = [segment for segment in of_the_day if segment.key in held]
        known.update(segment.key for segment in again)
        differing.update(segment.key for segment in again if not segment.repeats(held[segment.key]))
    return [segment for segment in segments if segment.key not in known] if known else segments, differing


def _read_cold(
    locations: Sequence[str], time_from: datetime, time_to: datetime, names: Sequence[str]
) -> Segments:
    first_ms, end_ms = to_ms(time_from), to_ms(time_to)
    rows = (segment for location in locations for segment in parquet.load(location, names))
    overlapping = (
        row for row in rows if row.t0_ms < end_ms and row.t0_ms + row.values.shape[1] * row.dt_ms > first_ms
    )
    return by_column(overlapping, names)
