"""Rows of segments out of COPY's binary format into one array a channel, without a Python step for a sample.

Where the database offers it (store/schema/replaced/1_functions.sql) a channel comes PLAIN: the array as it lies in the
server's memory, 4 bytes a reading in the server's byte order. Elsewhere it comes SENT, element by element with a length
before each, big-endian: some 50 ns each, so that what need not be sent is most of the speed. A channel whose readings
are all the same in a message (mode, stabilisers, an idle boom) then comes as an array of one element. The test for that
stops at the first reading that differs, and is left out where readings always differ.

A further channel is cut out of the readings of all of them, by the place of its name in the message.

Both have the same 20 bytes before the elements: dimensions, null flag or offset, element type, length, lower bound.
"""

import struct
from collections.abc import Sequence
from typing import Final

import numpy as np
from psycopg import sql

from domain.channels import CHANNEL_BY_NAME
from domain.errors import InvalidInput
from domain.units import US_PER_MS
from store.columns import Floats, Segments, from_parts

COPY_HEAD: Final = b"PGCOPY\n\xff\r\n\0" + bytes(8)
COPY_END: Final = b"\xff\xff"
MS_TO_2000: Final = 946_684_800_000  # PostgreSQL counts from 2000-01-01
ALWAYS_DIFFER: Final = frozenset({"utilisation_pct"})
_FIXED: Final = struct.Struct(">h iq iq iq ii ii iq")
_LENGTH: Final = struct.Struct(">i")
_NULL: Final = _LENGTH.size
_BEFORE: Final = (
    _LENGTH.size + 20
)  # of an array of one dimension: its length, and what stands before its elements
PLAIN: Final = 4  # bytes of an element: its value
SENT: Final = 8  # its length and its value


def column(name: str, element_bytes: int) -> sql.Composable:
    """A channel as it is asked for, PLAIN or SENT: sent whole, or its first element where all are the same."""
    channel: sql.Composable = sql.Identifier(name)
    if name not in CHANNEL_BY_NAME:
        channel = sql.SQL(
            "further[n * (array_position({0}, {1}) - 1) + 1 : n * array_position({0}, {1})]"
        ).format(sql.Identifier("further_names"), sql.Literal(name))
    if element_bytes == PLAIN:
        return sql.SQL("plain.readings({})").format(channel)
    if name in ALWAYS_DIFFER or name not in CHANNEL_BY_NAME:
        return channel
    return sql.SQL("case when {0}[1] = all ({0}) then {0}[1:1] else {0} end").format(channel)


def unpacked(data: bytes, names: Sequence[str], element_bytes: int) -> Segments:
    """Rows of t0, boot, seq, dt_ms, n, received_at and the channels, each as `column` asked for it, PLAIN or SENT.

    Raises InvalidInput where a segment holds another number of readings than it says.
    """
    fixed: list[tuple[int, ...]] = []
    places: list[list[int]] = []  # of each channel: where its field begins
    place, end = len(COPY_HEAD), len(data)
    read, length_of, past = _FIXED.unpack_from, _LENGTH.unpack_from, _FIXED.size
    while place < end and data[place : place + 2] != COPY_END:
        _, _, t0, _, boot, _, seq, _, dt_ms, _, n, _, received = read(data, place)
        fixed.append((t0 // US_PER_MS + MS_TO_2000, boot, seq, dt_ms, n, received // US_PER_MS + MS_TO_2000))
        place += past
        row = []
        for _ in names:
            row.append(place)
            place += 4 + max(length_of(data, place)[0], 0)
        row.append(place)
        places.append(row)
    n = np.array([row[4] for row in fixed], np.int64)
    filled = _filled(data, n, places, len(names), element_bytes)
    return from_parts(fixed, dict(zip(names, filled, strict=True)))


def _filled(data: bytes, n: np.ndarray, places: list[list[int]], channels: int, element_bytes: int) -> Floats:
    """Readings of shape (channels, samples); NaN where a segment lacks a channel."""
    filled = np.empty((channels, int(n.sum())), np.float32)
    single = _BEFORE + element_bytes
    first = 0
    for size, row in zip(n.tolist(), places, strict=True):
        past = first + size
        whole = _BEFORE + element_bytes * size
        channel = 0
        while channel < channels:
            place = row[channel]
            width = row[channel + 1] - place
            run = channel + 1
            if width == whole:
                while run < channels and row[run + 1] - row[run] == whole:
                    run += 1  # neighbours that came whole are copied in one step
                filled[channel:run, first:past] = _elements(data, place, run - channel, size, element_bytes)
            elif width == single:
                filled[channel, first:past] = _elements(data, place, 1, 1, element_bytes)[0, 0]
            elif width == _NULL:
                filled[channel, first:past] = np.nan
            else:
                raise InvalidInput(
                    f"a segment of {size} samples holds another number of readings: correct its row, or delete it",
                    field="segment",
                )
            channel = run
        first = past
    return filled


def _elements(data: bytes, place: int, channels: int, size: int, element_bytes: int) -> np.ndarray:
    """Readings (channels, size) of neighbours of one shape, the first of which begins at `place`, as they lie there."""
    little = data[place + _LENGTH.size]  # the number of dimensions, which is 1, begins with 1
    return np.ndarray(
        (channels, size),
        "<f4" if little else ">f4",
        data,
        place + _BEFORE + element_bytes - PLAIN,
        (_BEFORE + element_bytes * size, element_bytes),
    )
