"""Rows of segments out of COPY's binary format into one array a channel, without a Python step for a sample.

The server takes some 50 ns to send one element of a `real[]`, so what it need not send is most of the speed: a channel whose
readings are all the same in a message (mode, stabilisers, an idle boom) comes as an array of one element. The test for
that stops at the first reading that differs, and is left out where readings always differ.
"""

import struct
from collections.abc import Sequence
from typing import Final

import numpy as np
from psycopg import sql

from store.columns import Floats, Segments

COPY_HEAD: Final = b"PGCOPY\n\xff\r\n\0" + bytes(8)
COPY_END: Final = b"\xff\xff"
MS_TO_2000: Final = 946_684_800_000  # PostgreSQL counts from 2000-01-01
ALWAYS_DIFFER: Final = frozenset({"utilisation_pct"})
_FIXED: Final = struct.Struct(">h iq iq iq ii ii")
_LENGTH: Final = struct.Struct(">i")
_VALUE: Final = struct.Struct(">f")
_HEADER_BYTES: Final = 20  # of an array of one dimension, before its elements
_ELEMENT_BYTES: Final = 8  # length and value


def column(name: str) -> sql.Composable:
    """A channel as it is asked for: whole, or its first element where all are the same."""
    channel = sql.Identifier(name)
    if name in ALWAYS_DIFFER:
        return channel
    return sql.SQL("case when {0}[1] = all ({0}) then {0}[1:1] else {0} end").format(channel)


def unpacked(data: bytes, names: Sequence[str]) -> Segments:
    """Rows of t0, boot, seq, dt_ms, n and the channels, each as `column` asked for it."""
    fixed: list[tuple[int, ...]] = []
    places: list[list[int]] = []  # of each channel: where its field begins
    place, end = len(COPY_HEAD), len(data)
    read, length_of, past = _FIXED.unpack_from, _LENGTH.unpack_from, _FIXED.size
    while place < end and data[place : place + 2] != COPY_END:
        _, _, t0, _, boot, _, seq, _, dt_ms, _, n = read(data, place)
        fixed.append((t0 // 1000 + MS_TO_2000, boot, seq, dt_ms, n))
        place += past
        row = []
        for _ in names:
            row.append(place)
            place += 4 + max(length_of(data, place)[0], 0)
        row.append(place)
        places.append(row)
    columns = np.array(fixed, dtype=np.int64).reshape(-1, 5).T
    return Segments(
        t0_ms=columns[0],
        boot=columns[1],
        seq=columns[2],
        dt_ms=columns[3],
        n=columns[4],
        channels=dict(zip(names, _filled(data, columns[4], places, len(names)), strict=True)),
    )


def _filled(data: bytes, n: np.ndarray, places: list[list[int]], channels: int) -> Floats:
    """Readings of shape (channels, samples); NaN where a segment lacks a channel."""
    filled = np.empty((channels, int(n.sum())), np.float32)
    first = 0
    for size, row in zip(n.tolist(), places, strict=True):
        past = first + size
        whole = 4 + _HEADER_BYTES + _ELEMENT_BYTES * size
        channel = 0
        while channel < channels:
            place = row[channel]
            width = row[channel + 1] - place
            if width == whole:
                run = channel + 1  # neighbours that came whole are copied in one step
                while run < channels and row[run + 1] - row[run] == whole:
                    run += 1
                filled[channel:run, first:past] = np.ndarray(
                    (run - channel, size),
                    ">f4",
                    data,
                    place + 4 + _HEADER_BYTES + 4,
                    (whole, _ELEMENT_BYTES),
                )
                channel = run
                continue
            filled[channel, first:past] = (
                np.nan if width == 4 else _VALUE.unpack_from(data, place + 4 + _HEADER_BYTES + 4)[0]
            )
            channel += 1
        first = past
    return filled
