"""Bytes of a ledger: the same on every machine, readable for good, and never believed when damaged."""

import json
import struct
import zlib
from dataclasses import astuple
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty import directions, ledger
from duty.edges import DEFAULT_EDGES, DIRECTION_EDGES, Edges
from duty.ledger import Ledger

GOLDEN = Path(__file__).parent / "golden"
untimed = settings(deadline=None)  # the first example may wait for the compiler


def content(counted: Ledger) -> dict[str, object]:
    return {
        "edges": list(astuple(counted.edges)),
        "samples": counted.samples,
        "clamped": [counted.clamped_low, counted.clamped_high],
        "cells": sorted(
            [int(low), int(high), int(count)]
            for low, high, count in zip(counted.low_class, counted.high_class, counted.counts, strict=True)
        ),
        "residue": counted.residue.tolist(),
    }


def cell(low: int, high: int) -> int:
    return high * (high - 1) // 2 + low


def many(count: int) -> Ledger:
    """One cell with that many cycles: further than anyone wants to count."""
    one = np.array([cell(3, 9)], np.int32)
    return ledger.from_cells(DEFAULT_EDGES, one, np.array([count]), np.array([3, 9]), (2 * count + 2, 0, 0))


@pytest.mark.parametrize("name", ["empty_v1", "day_v1", "many_v1", "directions_v1"])
def test_golden_ledgers_of_the_version_before_are_read(name):
    """Their edges had three numbers: equal classes and nothing outside."""
    data = (GOLDEN / f"{name}.ledger").read_bytes()
    wanted = json.loads((GOLDEN / f"{name}.json").read_text())
    counted = (
        directions.from_bytes(data).ledgers if name.startswith("directions") else [ledger.from_bytes(data)]
    )
    for found, held in zip(counted, wanted if isinstance(wanted, list) else [wanted], strict=True):
        assert content(found) == {**held, "edges": [*held["edges"], 0, 0, 4], "cells": sorted(held["cells"])}
        assert ledger.from_bytes(ledger.to_bytes(found)) == found


@pytest.mark.parametrize("name", ["empty_v2", "day_v2", "many_v2"])
def test_golden_ledgers_read_as_ever_and_are_written_as_ever(name):
    data = (GOLDEN / f"{name}.ledger").read_bytes()
    counted = ledger.from_bytes(data)
    assert content(counted) == json.loads((GOLDEN / f"{name}.json").read_text())
    assert ledger.to_bytes(counted) == data


def test_golden_directions_read_as_ever_and_are_written_as_ever():
    data = (GOLDEN / "directions_v2.ledger").read_bytes()
    counted = directions.from_bytes(data)
    wanted = json.loads((GOLDEN / "directions_v2.json").read_text())
    assert [content(each) for each in counted.ledgers] == wanted
    assert directions.to_bytes(counted) == data


@untimed
@given(
    st.lists(st.floats(-60, 700), max_size=300),
    st.sampled_from([DEFAULT_EDGES, DIRECTION_EDGES, Edges(0, 9, 3)]),
)
def test_bytes_and_back(values, edges):
    counted = ledger.count(values, edges)
    assert ledger.from_bytes(ledger.to_bytes(counted)) == counted


@pytest.mark.parametrize("count", [1, 255, 256, 65535, 65536, 2**32 - 1, 2**32, 2**60])
def test_large_counts_keep_every_cycle(count):
    assert ledger.from_bytes(ledger.to_bytes(many(count))) == many(count)


def test_any_flipped_bit_is_refused():
    data = ledger.to_bytes(ledger.count([0.0, 50.0, 20.0, 90.0, 10.0], DEFAULT_EDGES))
    for place in range(len(data)):
        for bit in (0, 7):
            damaged = bytearray(data)
            damaged[place] ^= 1 << bit
            with pytest.raises(InvalidInput):
                ledger.from_bytes(bytes(damaged))


def test_cut_bytes_are_refused():
    data = ledger.to_bytes(ledger.count([0.0, 50.0, 20.0, 90.0, 10.0], DEFAULT_EDGES))
    for length in range(len(data)):
        with pytest.raises(InvalidInput):
            ledger.from_bytes(data[:length])


def test_a_newer_version_is_told_apart_from_damage():
    data = ledger.to_bytes(ledger.empty(DEFAULT_EDGES))
    with pytest.raises(InvalidInput, match="version 3, this program reads 2"):
        ledger.from_bytes(data[:3] + b"\x03" + data[4:])


@pytest.mark.parametrize(
    ("cells", "counts", "residue", "samples"),
    [
        ([cell(3, 9), cell(2, 9)], [1, 1], [3, 9], 6),  # not rising
        ([cell(3, 9), cell(3, 9)], [1, 1], [3, 9], 6),  # a cell twice
        ([cell(0, DEFAULT_EDGES.size)], [1], [3, 9], 4),  # no such class
        ([cell(3, 9)], [0], [3, 9], 4),  # no cycle
        ([cell(3, 9)], [2], [3, 9], 5),  # more turning points than samples
        ([], [], [3, 3], 4),  # no turning point
        ([], [], [DEFAULT_EDGES.size], 4),
        ([], [], [], 4),
        ([], [], [3], 0),
    ],
)
def test_content_that_no_count_leaves_is_refused(cells, counts, residue, samples):
    forged = ledger.from_cells(
        DEFAULT_EDGES,
        np.array(cells, np.int32),
        np.array(counts, np.int64),
        np.array(residue, np.int64),
        (samples, 0, 0),
    )
    with pytest.raises(InvalidInput, match="no ledger that a count left"):
        ledger.from_bytes(ledger.to_bytes(forged))


def test_a_length_that_lies_is_refused():
    body = bytearray(ledger.to_bytes(ledger.empty(DEFAULT_EDGES))[:-4])
    struct.pack_into("<I", body, ledger.HEADER.size - 7, 2**31)
    with pytest.raises(InvalidInput, match="bytes where"):
        ledger.from_bytes(bytes(body) + struct.pack("<I", zlib.crc32(body)))
    del body[-1:]
    with pytest.raises(InvalidInput, match="without its whole head"):
        ledger.from_bytes(bytes(body) + struct.pack("<I", zlib.crc32(body)))


@pytest.mark.parametrize("cells", [[9 * 256 + 3], [3 * 256 + 9] * 2])
def test_content_that_the_version_before_did_not_leave_is_refused(cells):
    """Low above high, and a cell twice."""
    head = ledger.OLD_HEADER.pack(b"DLG", 1, 0.0, 150.0, 256, 9, 0, 0, len(cells), 2, 1)
    body = (
        head + np.array(cells, "<u4").tobytes() + bytes([1] * len(cells)) + np.array([3, 9], "<u2").tobytes()
    )
    with pytest.raises(InvalidInput, match="no ledger that a count left"):
        ledger.from_bytes(body + struct.pack("<I", zlib.crc32(body)))
