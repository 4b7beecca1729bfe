"""Segments: one stored samples message each, written and read by binary COPY without a Python loop over samples.

A PostgreSQL `real[]` is a header of 20 bytes (dimensions, null flag, element type, length, lower bound) and then, for
each element, a 4-byte length and 4 bytes of value, all big-endian.
"""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from psycopg import AsyncConnection, Connection, sql

from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput
from store.sql import query

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]
Key = tuple[int, int, int, int]  # crane_id, time [ms], boot, seq

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MS_TO_2000: Final = 946_684_800_000  # PostgreSQL counts from 2000-01-01
_REAL_OID: Final = 700
_COPY_HEAD: Final = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_END: Final = b"\xff\xff"
_ABSENT: Final = b"\xff\xff\xff\xff"
_FIXED: Final = struct.Struct(">h ii iq iq iq ii ii iq")
_READ: Final = struct.Struct(">h iq iq iq ii ii")
_CHANNEL_PLACE: Final = {name: place for place, name in enumerate(CHANNEL_NAMES)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """A samples message of one crane. `values` has one row for each of `channels`, NaN for a missing reading."""

    crane_id: int
    t0_ms: int  # milliseconds since 1970, UTC
    boot: int
    seq: int
    dt_ms: int
    channels: tuple[str, ...]  # in the order of domain.channels
    values: Floats  # (channels, samples)
    received_ms: int

    @property
    def key(self) -> Key:
        """What makes it one message: crane, start, boot and sequence number."""
        return self.crane_id, self.t0_ms, self.boot, self.seq

    def same_as(self, other: "Segment") -> bool:
        """Whether it says the same, received when it may."""
        return (
            self.key == other.key
            and (self.dt_ms, self.channels) == (other.dt_ms, other.channels)
            and np.array_equal(self.values, other.values, equal_nan=True)
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Segments:
    """Segments of one crane in order of (t0, boot, seq), by column.

    Row i covers samples starts[i] to starts[i] + n[i] of every array in `channels`, which hold NaN where a reading
    is missing or the segment lacks the channel.
    """

    t0_ms: Ints
    boot: Ints
    seq: Ints
    dt_ms: Ints
    n: Ints
    channels: dict[str, Floats] = field(default_factory=dict)

    @property
    def starts(self) -> Ints:
        """Index of the first sample of each segment."""
        return np.concatenate(([0], np.cumsum(self.n)[:-1])).astype(np.int64) if len(self.n) else self.n

    def at_ms(self) -> Ints:
        """Time of every sample [ms since 1970, UTC]."""
        within = np.arange(int(self.n.sum()), dtype=np.int64) - np.repeat(self.starts, self.n)
        return np.repeat(self.t0_ms, self.n) + within * np.repeat(self.dt_ms, self.n)

    def samples(self, time_from: datetime, time_to: datetime) -> tuple[Ints, dict[str, Floats]]:
        """Times [ms] and readings with time_from <= time < time_to, in stored order."""
        at_ms = self.at_ms()
        inside = (at_ms >= to_ms(time_from)) & (at_ms < to_ms(time_to))
        if inside.all():
            return at_ms, self.channels
        return at_ms[inside], {name: values[inside] for name, values in self.channels.items()}


def to_ms(moment: datetime) -> int:
    """Milliseconds since 1970 of an instant, rounded down. Raises ValueError for a naive one."""
    return (moment.astimezone(UTC) - EPOCH) // timedelta(milliseconds=1)


def from_ms(ms: int) -> datetime:
    """The instant, in UTC."""
    return EPOCH + timedelta(milliseconds=ms)


def prepare(conn: Connection[Any]) -> None:
    """Make this session ready for `keep`."""
    conn.execute(query("segment_staging"))


def make_ranges(conn: Connection[Any], time_from: datetime, time_to: datetime) -> None:
    """Create the partitions for a time range where they are needed; does nothing on a hypertable."""
    conn.execute(query("segment_ranges"), {"time_from": time_from, "time_to": time_to})


def keep(conn: Connection[Any], segments: Sequence[Segment]) -> tuple[set[Key], set[Key]]:
    """Store segments; those whose key is stored already change nothing.

    Returns the keys that are new, and those whose key is stored with other readings: their contents are not kept.
    """
    with conn.cursor().copy("copy incoming_segment from stdin (format binary)") as copy:
        copy.write(_COPY_HEAD)
        copy.write(b"".join(_packed(segment) for segment in segments))
        copy.write(_COPY_END)
    new: set[Key] = set(conn.execute(query("segments_kept")).fetchall())
    if len(new) == len(segments):
        return new, set()
    columns = {
        f"channels_{table}": sql.SQL(", ").join(sql.Identifier(table, name) for name in CHANNEL_NAMES)
        for table in ("incoming", "stored")
    }
    return new, set(conn.execute(sql.SQL(query("segments_differing")).format(**columns)).fetchall())


def read(
    conn: Connection[Any], crane_id: int, time_from: datetime, time_to: datetime, channels: Iterable[str]
) -> Segments:
    """Segments of one crane that overlap [time_from, time_to), whole, with the channels asked for."""
    names = _known(channels)
    with conn.cursor().copy(_read_statement(crane_id, time_from, time_to, names)) as copy:
        return _unpacked(b"".join(bytes(part) for part in copy), names)


async def read_async(
    conn: AsyncConnection[Any], crane_id: int, time_from: datetime, time_to: datetime, channels: Iterable[str]
) -> Segments:
    """`read` on an asyncio connection."""
    names = _known(channels)
    async with conn.cursor().copy(_read_statement(crane_id, time_from, time_to, names)) as copy:
        return _unpacked(b"".join([bytes(part) async for part in copy]), names)


def extent(conn: Connection[Any], crane_id: int) -> tuple[datetime, datetime] | None:
    """First and last start of the segments of one crane, None without any."""
    row = conn.execute(query("segment_extent"), {"crane_id": crane_id}).fetchone()
    return None if row is None or row[0] is None else (row[0], row[1])


def _known(channels: Iterable[str]) -> tuple[str, ...]:
    names = tuple(channels)
    unknown = sorted(set(names) - set(CHANNEL_NAMES))
    if unknown or not names:
        raise InvalidInput(f"no channels {unknown}; known are {', '.join(CHANNEL_NAMES)}", field="channels")
    return names


def _read_statement(
    crane_id: int, time_from: datetime, time_to: datetime, names: Sequence[str]
) -> sql.Composed:
    chosen = sql.SQL(query("segments_of_crane")).format(
        channels=sql.SQL(", ").join(map(sql.Identifier, names)),
        crane_id=sql.Literal(crane_id),
        time_from=sql.Literal(time_from.astimezone(UTC)),
        time_to=sql.Literal(time_to.astimezone(UTC)),
    )
    return sql.SQL("copy ({}) to stdout (format binary)").format(chosen)


def _packed(segment: Segment) -> bytes:
    """One row of `incoming_segment` in COPY's binary format."""
    count, n = segment.values.shape
    arrays = np.empty((count, 6 + 2 * n), dtype=">i4")
    arrays[:, :6] = (20 + 8 * n, 1, 0, _REAL_OID, n, 1)
    arrays[:, 6::2] = 4
    arrays[:, 7::2] = np.ascontiguousarray(segment.values, dtype=np.float32).view(np.int32)
    fields = [_ABSENT] * len(CHANNEL_NAMES)
    for name, array in zip(segment.channels, arrays, strict=True):
        fields[_CHANNEL_PLACE[name]] = array.tobytes()
    fixed = _FIXED.pack(
        7 + len(CHANNEL_NAMES),
        *(4, segment.crane_id),
        *(8, (segment.t0_ms - _MS_TO_2000) * 1000),
        *(8, segment.boot),
        *(8, segment.seq),
        *(4, segment.dt_ms),
        *(4, n),
        *(8, (segment.received_ms - _MS_TO_2000) * 1000),
    )
    return fixed + b"".join(fields)


def _unpacked(data: bytes, names: tuple[str, ...]) -> Segments:
    """Rows of `segments_of_crane` in COPY's binary format as columns."""
    fixed: list[tuple[int, ...]] = []
    parts: dict[str, list[Floats]] = {name: [] for name in names}
    place = len(_COPY_HEAD)
    while data[place : place + 2] not in (_COPY_END, b""):
        _, _, t0, _, boot, _, seq, _, dt_ms, _, n = _READ.unpack_from(data, place)
        fixed.append((t0 // 1000 + _MS_TO_2000, boot, seq, dt_ms, n))
        place += _READ.size
        for name in names:
            length = int.from_bytes(data[place : place + 4], signed=True)
            place += 4
            if length < 0:
                parts[name].append(np.full(n, np.nan, dtype=np.float32))
            else:
                values = np.frombuffer(data, dtype=">f4", count=2 * n, offset=place + 20)[1::2]
                parts[name].append(values.astype(np.float32))
                place += length
    columns = np.array(fixed, dtype=np.int64).reshape(-1, 5).T
    nothing = np.zeros(0, dtype=np.float32)
    return Segments(
        t0_ms=columns[0],
        boot=columns[1],
        seq=columns[2],
        dt_ms=columns[3],
        n=columns[4],
        channels={name: np.concatenate(parts[name]) if fixed else nothing for name in names},
    )
