"""Segments as rows of COPY's binary format, built by numpy: all of one shape at once."""

import struct
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from operator import attrgetter
from typing import Any, Final

import numpy as np
from psycopg import Connection, sql

from domain.channels import CHANNEL_NAMES
from domain.units import US_PER_MS
from store.columns import Segment
from store.unpacking import COPY_END, COPY_HEAD

FIXED: Final = struct.Struct(">h ii iq iq iq ii ii iq")  # the beginning of a row, before its channels
_MS_TO_2000: Final = 946_684_800_000  # PostgreSQL counts from 2000-01-01
_REAL_OID: Final = 700
PIECE_BYTES: Final = 200_000  # stays in the processor's cache from the first step to the last
_key: Final = attrgetter("crane_id", "t0_ms", "boot", "seq")


def copy_into(table: str) -> sql.Composed:
    """Take in rows of `packed`: columns by name, whatever their order in the table of this database."""
    columns = ("crane_id", "t0", "boot", "seq", "dt_ms", "n", "received_at", *CHANNEL_NAMES)
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
    for segment in segments:
        alike.setdefault((segment.channels, segment.values.shape[1]), []).append(segment)
    for (channels, n), group in alike.items():
        row, blank = _row(channels, n)
        at_once = max(1, PIECE_BYTES // len(blank))
        for first in range(0, len(group), at_once):
            yield _rows(group[first : first + at_once], row, blank)


def _rows(group: Sequence[Segment], row: np.dtype[np.void], blank: bytes) -> bytes:
    """Rows of segments of one shape."""
    rows = np.frombuffer(bytearray(blank * len(group)), dtype=row)
    rows["fixed"] = np.frombuffer(b"".join(map(_fixed, group)), dtype=row["fixed"])
    values = np.stack([segment.values for segment in group], axis=1)
    for name, readings in zip(group[0].channels, values, strict=True):
        rows[name]["items"]["value"] = readings
    return rows.tobytes()


@lru_cache(maxsize=32)
def _row(channels: tuple[str, ...], n: int) -> tuple[np.dtype[np.void], bytes]:
    """How a row of that shape lies in memory, and one with everything but `fixed` and the readings filled in."""
    array = [("head", ">i4", (6,)), ("items", [("length", ">i4"), ("value", ">f4")], (n,))]
    row = np.zeros(
        (),
        dtype=[
            ("fixed", f"V{FIXED.size}"),
            *((name, array if name in channels else ">i4") for name in CHANNEL_NAMES),
        ],
    )
    for name in CHANNEL_NAMES:
        if name in channels:
            row[name]["head"] = (20 + 8 * n, 1, 0, _REAL_OID, n, 1)
            row[name]["items"]["length"] = 4
        else:
            row[name] = -1
    return row.dtype, row.tobytes()


def _fixed(segment: Segment) -> bytes:
    """The beginning of a row, before its channels."""
    return FIXED.pack(
        7 + len(CHANNEL_NAMES),
        *(4, segment.crane_id),
        *(8, (segment.t0_ms - _MS_TO_2000) * US_PER_MS),
        *(8, segment.boot),
        *(8, segment.seq),
        *(4, segment.dt_ms),
        *(4, segment.values.shape[1]),
        *(8, (segment.received_ms - _MS_TO_2000) * US_PER_MS),
    )
