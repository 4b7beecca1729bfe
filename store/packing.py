"""Segments as rows of COPY's binary format, built by numpy: all of one shape at once."""

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from operator import attrgetter
from typing import Any, Final

import numpy as np
from psycopg import Connection, sql

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.units import US_PER_MS
from store.columns import Segment
from store.unpacking import COPY_END, COPY_HEAD

FIXED: Final = struct.Struct(">h ii iq iq iq ii ii iq")  # the beginning of a row, before its channels
_MS_TO_2000: Final = 946_684_800_000  # PostgreSQL counts from 2000-01-01
_REAL_OID, _TEXT_OID = 700, 25
FURTHER: Final = (
    "further_names",
    "further",
)  # columns of further channels: their names, and n readings of each
PIECE_BYTES: Final = 200_000  # stays in the processor's cache from the first step to the last
_key: Final = attrgetter("crane_id", "t0_ms", "boot", "seq")


def copy_into(table: str) -> sql.Composed:
    """Take in rows of `packed`: columns by name, whatever their order in the table of this database."""
    columns = ("crane_id", "t0", "boot", "seq", "dt_ms", "n", "received_at", *CHANNEL_NAMES, *FURTHER)
    listed = sql.SQL(", ").join(map(sql.Identifier, columns))
    return sql.SQL("copy {} ({}) from stdin (format binary)").format(sql.Identifier(table), listed)


def keep_new(conn: Connection[Any], segments: Sequence[Segment]) -> None:
    """Store segments none of which is stored: half the work of `store.segments.keep`.

    Raises psycopg.IntegrityError when one is; the transaction has failed then, and `keep` can be asked in another.
    """
    with conn.cursor().copy(copy_into("segment")) as copy:
        copy.write(COPY_HEAD)
        # In the order of the key, against deadlocks.
        for rows in packed(sorted(segments, key=_key)):
            copy.write(rows)
        copy.write(COPY_END)


def packed(segments: Iterable[Segment]) -> Iterator[bytes]:
    """Rows of `incoming_segment` in COPY's binary format, in any order: those of one shape together."""
    alike: dict[tuple[tuple[str, ...], int], list[Segment]] = {}
    for segment in map(without_empty, segments):
        alike.setdefault((segment.channels, segment.values.shape[1]), []).append(segment)
    for (channels, n), group in alike.items():
        row, blank = _row(channels, n)
        at_once = max(1, PIECE_BYTES // len(blank))
        for first in range(0, len(group), at_once):
            yield _rows(group[first : first + at_once], row, blank)


def without_empty(segment: Segment) -> Segment:
    """The segment without further channels of which it has no reading: they are not stored."""
    channels = segment.channels
    if not channels or channels[-1] in CHANNEL_BY_NAME:
        return segment
    kept = [
        place
        for place, name in enumerate(channels)
        if name in CHANNEL_BY_NAME or not np.isnan(segment.values[place]).all()
    ]
    return replace(segment, channels=tuple(channels[place] for place in kept), values=segment.values[kept])


def _rows(group: Sequence[Segment], row: np.dtype[np.void], blank: bytes) -> bytes:
    """Rows of segments of one shape."""
    rows = np.frombuffer(bytearray(blank * len(group)), dtype=row)
    rows["fixed"] = np.frombuffer(b"".join(map(_fixed, group)), dtype=row["fixed"])
    values = np.stack([segment.values for segment in group], axis=1)
    own = sum(name in CHANNEL_BY_NAME for name in group[0].channels)
    for name, readings in zip(group[0].channels[:own], values, strict=False):
        rows[name]["items"]["value"] = readings
    if own < len(values):
        rows["further"]["items"]["value"] = values[own:].swapaxes(0, 1).reshape(len(group), -1)
    return rows.tobytes()


@lru_cache(maxsize=32)
def _row(channels: tuple[str, ...], n: int) -> tuple[np.dtype[np.void], bytes]:
    """How a row of that shape lies in memory, and one with everything but `fixed` and the readings filled in."""
    further = tuple(name for name in channels if name not in CHANNEL_BY_NAME)
    sizes = {name: n for name in channels if name in CHANNEL_BY_NAME}
    if further:
        sizes["further"] = n * len(further)
    names = _texts(further) if further else b"\xff\xff\xff\xff"
    row = np.zeros(
        (),
        dtype=[
            ("fixed", f"V{FIXED.size}"),
            *((name, _array(sizes[name]) if name in sizes else ">i4") for name in CHANNEL_NAMES),
            ("further_names", f"V{len(names)}"),
            ("further", _array(sizes["further"]) if further else ">i4"),
        ],
    )
    row["further_names"] = np.void(names)
    for name in (*CHANNEL_NAMES, "further"):
        if name in sizes:
            row[name]["head"] = (20 + 8 * sizes[name], 1, 0, _REAL_OID, sizes[name], 1)
            row[name]["items"]["length"] = 4
        else:
            row[name] = -1
    return row.dtype, row.tobytes()


def _array(n: int) -> list[tuple[Any, ...]]:
    """How a `real[]` lies in a row."""
    return [("head", ">i4", (6,)), ("items", [("length", ">i4"), ("value", ">f4")], (n,))]


def _texts(names: Sequence[str]) -> bytes:
    """A `text[]` with its length before it."""
    items = b"".join(struct.pack(">i", len(name)) + name.encode() for name in names)
    return struct.pack(">6i", 20 + len(items), 1, 0, _TEXT_OID, len(names), 1) + items


def _fixed(segment: Segment) -> bytes:
    """The beginning of a row, before its channels."""
    return FIXED.pack(
        7 + len(CHANNEL_NAMES) + len(FURTHER),
        *(4, segment.crane_id),
        *(8, (segment.t0_ms - _MS_TO_2000) * US_PER_MS),
        *(8, segment.boot),
        *(8, segment.seq),
        *(4, segment.dt_ms),
        *(4, segment.values.shape[1]),
        *(8, (segment.received_ms - _MS_TO_2000) * US_PER_MS),
    )
