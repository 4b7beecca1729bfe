"""Cells, counts and residue of a ledger in memory: one run of two-byte words.

A merge of thousands of ledgers waits for memory and for Python, so a ledger keeps little and keeps it in one place: the
runs of all are put side by side by one call, and one compiled loop adds them up.

    head        FULL or NARROW, number of cells (low word, high word), points of the residue
    cells       one word each, or two where a ledger is FULL: low word first
    counts      one word each, or four
    residue     one word each

NARROW where every cell and every count fits into a word, as those of a day do; else FULL. Nothing ever overflows: sums are
made in 64 bits. In memory only: duty.ledger.to_bytes has a format of its own.
"""

import struct
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from duty.kernels import Array, compiled

Word = Any  # np.uint64: an index that numba need not check for being negative
Integers = NDArray[np.int64]
Cells = NDArray[np.int32]

NARROW: Final = 0
FULL: Final = 1
HEAD: Final = struct.Struct("=4H")
HEAD_WORDS: Final = 4
MOST: Final = 2**16 - 1
WORD: Final = np.dtype(np.uint16)


def packed(cells: Cells, counts: Integers, residue: Integers) -> bytes:
    """The run of words of one ledger; equal runs mean equal contents."""
    run = np.empty(HEAD_WORDS + 6 * cells.size + residue.size, WORD)
    return run[: fill_run(cells, counts, residue, run)].tobytes()


def unpacked(run: bytes) -> tuple[Cells, Integers, Integers]:
    """Cells, counts and residue of a run, at full width."""
    words = np.frombuffer(run, WORD)
    width, low, high, points = HEAD.unpack_from(run)
    size = low | high << 16
    cells_end = HEAD_WORDS + size * (2 if width == FULL else 1)
    residue_begin = words.size - points
    cells: NDArray[Any] = words[HEAD_WORDS:cells_end]
    counts: NDArray[Any] = words[cells_end:residue_begin]
    if width == FULL:
        cells, counts = joined(cells.reshape(-1, 2)), joined(counts.reshape(-1, 4))
    return cells.astype(np.int32), counts.astype(np.int64), words[residue_begin:].astype(np.int64)


def joined(words: NDArray[Any]) -> NDArray[np.int64]:
    """The values whose words, low word first, stand in the rows; shape (values,)."""
    places = 16 * np.arange(words.shape[1])
    return cast("Integers", np.bitwise_or.reduce(words.astype(np.int64) << places, axis=1))


@compiled
def add_words(words: Array, grid: Array, points: Array) -> int:
    """Add the counts of runs one after the other to the flat `grid`, and put their residues into `points`.

    points: as long as `words` at least. Returns how many points there are.
    """
    one, at, end, found = np.uint64(1), np.uint64(0), np.uint64(words.size), 0
    while at < end:
        full = words[at] == FULL
        size = np.uint64(words[at + one]) | np.uint64(words[at + np.uint64(2)]) << np.uint64(16)
        open_points = np.uint64(words[at + np.uint64(3)])
        at += np.uint64(HEAD_WORDS)
        if full:
            at = add_full(words, at, size, grid)
        else:
            for i in range(at, at + size):
                grid[np.uint64(words[i])] += words[i + size]
            at += size + size
        for i in range(at, at + open_points):
            points[found] = words[i]
            found += 1
        at += open_points
    return found


@compiled
def add_full(words: Array, at: Word, size: Word, grid: Array) -> Word:
    """Add the counts of one FULL run, whose cells begin at `at`, to `grid`; returns where they end."""
    cells, counts = at, at + np.uint64(2) * size
    for _ in range(size):
        count = np.int64(0)
        for k in range(4):
            count |= np.int64(words[counts + np.uint64(k)]) << np.int64(16 * k)
        grid[np.uint64(words[cells]) | np.uint64(words[cells + np.uint64(1)]) << np.uint64(16)] += count
        cells += np.uint64(2)
        counts += np.uint64(4)
    return counts


@compiled
def fill_run(cells: Array, counts: Array, residue: Array, run: Array) -> int:
    """Write the run of that content into `run`, of 4 + 6 * cells + residue words at least; returns how many it takes."""
    most = 0
    for i in range(cells.size):
        most = max(most, cells[i], counts[i])
    full = most > MOST
    run[0], run[1], run[2], run[3] = full, cells.size & MOST, cells.size >> 16, residue.size
    put = put_words(cells, 2 if full else 1, run, HEAD_WORDS)
    put = put_words(counts, 4 if full else 1, run, put)
    return put_words(residue, 1, run, put)


@compiled
def put_words(values: Array, words: int, run: Array, put: int) -> int:
    """Write each value in so many words, low word first, from `put` on; returns the place after them."""
    if words == 1:
        for i in range(values.size):
            run[put + i] = values[i]
        return put + values.size
    for i in range(values.size):
        for k in range(words):
            run[put + k] = (values[i] >> (16 * k)) & MOST
        put += words
    return put


@compiled
def sound(cells: Array, counts: Array, residue: Array, classes: int, samples: int) -> bool:
    """Whether a count of that many samples can have left these cells, counts and residue."""
    needed, previous = residue.size, -1
    pairs = classes * (classes - 1) // 2
    for i in range(cells.size):
        if cells[i] <= previous or cells[i] >= pairs or counts[i] < 1 or counts[i] > samples:
            return False
        previous = cells[i]
        needed += 2 * counts[i]
    for i in range(residue.size):
        if residue[i] >= classes or (i > 0 and residue[i] == residue[i - 1]):
            return False
    return needed <= samples and (residue.size == 0) == (samples == 0)


def warm_up() -> None:
    """Load the compiled loops from the cache, or compile them."""
    add_words(np.frombuffer(bytes(2 * HEAD_WORDS), WORD), np.zeros(1, np.int64), np.empty(HEAD_WORDS))
    nothing = np.empty(0, np.int64)
    none = np.empty(0, np.int32)
    packed(none, nothing, nothing)
    sound(none, nothing, nothing, 2, 0)
