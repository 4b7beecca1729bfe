"""The duty ledger: an exact count of cycles that can be cut anywhere in time and put together again.

    count(whole) == merge(count(first part), count(rest))      bit for bit, wherever the cut is
    merge(merge(a, b), c) == merge(a, merge(b, c))             associative
    merge(empty(edges), a) == a == merge(a, empty(edges))      with a neutral element
    merge(a, b) != merge(b, a)                                 but ordered: a comes before b

That holds because the edges are fixed, the first and the last sample stay in the residue, cells are undirected,
classes are compared and not rounded differences, counts are integers, and nothing is filtered or closed while
counting: small ranges and the residue are treated once, when a ledger is read (duty.reading).

Counting on across joined residues: C. Amzallag, J. P. Gerey, J. L. Robert, J. Bahuaud, Int. J. Fatigue 16 (1994)
287; proved by G. Marsh et al., Int. J. Fatigue 82 (2016) 757 (abstracts read).
"""

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput
from duty import kernels, runs
from duty.edges import Edges
from duty.runs import Cells, Integers

FORMAT_VERSION: Final = 2
MAGIC: Final = b"DLG"
# magic, version, low_pct, high_pct, equal classes, wider classes below and above, equal classes to a wider one,
# samples, below, above, cells, points of the residue, bytes per count
HEADER: Final = struct.Struct("<3sBdd4HQQQIHB")
OLD_VERSION: Final = 1  # equal classes only, cells by low class first
OLD_HEADER: Final = struct.Struct("<3sBddHQQQIHB")
CHECKSUM: Final = struct.Struct("<I")
CELL_TYPE: Final = np.dtype("<u4")
RESIDUE_TYPE: Final = np.dtype("<u2")
PARTS_AT_ONCE: Final = (
    64  # put side by side in a buffer that stays in the cache and is no new memory to the system
)
COUNT_TYPES: Final[dict[int, np.dtype[np.unsignedinteger]]] = {
    1: np.dtype("u1"),
    2: np.dtype("<u2"),
    4: np.dtype("<u4"),
    8: np.dtype("<u8"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """Counted cycles of one signal over one stretch of time. Build it with count, merge or from_bytes.

    edges: the classes.
    run: cells, counts and residue in the few bytes that they need (duty.runs).
    samples: number of samples counted.
    clamped_low, clamped_high: samples below the first edge, and at or above the last one.
    """

    edges: Edges
    run: bytes
    samples: int
    clamped_low: int
    clamped_high: int

    @property
    def cells(self) -> Cells:
        """Cells with closed cycles, rising, each duty.kernels.cell_of(low_class, high_class)."""
        return runs.unpacked(self.run)[0]

    @property
    def counts(self) -> Integers:
        """Closed cycles in each of these cells, at least 1."""
        return runs.unpacked(self.run)[1]

    @property
    def residue(self) -> Integers:
        """Class indices of the open turning points, oldest first; its ends are the first and the last sample."""
        return runs.unpacked(self.run)[2]

    @property
    def low_class(self) -> Integers:
        """Lower class of each cell."""
        return pairs_of(self.cells)[0]

    @property
    def high_class(self) -> Integers:
        """Upper class of each cell."""
        return pairs_of(self.cells)[1]

    @property
    def closed(self) -> int:
        """Number of closed cycles."""
        return int(self.counts.sum())

    def __eq__(self, other: object) -> bool:
        """Equal to the last bit: what the tests of exactness mean."""
        if not isinstance(other, Ledger):
            return NotImplemented
        return (
            self.edges == other.edges
            and (self.samples, self.clamped_low, self.clamped_high)
            == (other.samples, other.clamped_low, other.clamped_high)
            and self.run == other.run
        )

    __hash__ = None  # type: ignore[assignment]


def empty(edges: Edges) -> Ledger:
    """The ledger of no samples: merging it changes nothing."""
    nothing = np.empty(0, np.int64)
    return from_cells(edges, np.empty(0, np.int32), nothing, nothing, (0, 0, 0))


def count(values: ArrayLike, edges: Edges) -> Ledger:
    """Count the samples of one signal, in time order.

    values: shape (n,), n >= 0 [%].
    Raises InvalidInput for another shape, and for a value that is not finite, with its index: a missing reading is
    no value, so leave it out before counting.
    """
    signal = as_signal(values)
    stack, grid = workspace(edges)
    size, below, above, broken = kernels.count_values(signal, edges.scale, stack, grid)
    if broken >= 0:
        check_finite(signal)
    return from_grid(edges, grid, stack[:size], (signal.size, below, above))


def merge(earlier: Ledger, later: Ledger) -> Ledger:
    """The ledger of both stretches, `later` beginning where `earlier` ends. Raises InvalidInput on other edges."""
    return merge_all((earlier, later))


def merge_all(ledgers: Iterable[Ledger]) -> Ledger:
    """The ledger of all stretches, given in time order; far faster than merging one after the other.

    Raises InvalidInput when there is none, or when their edges differ.
    """
    parts = list(ledgers)
    if not parts:
        raise InvalidInput("nothing to merge: begin with empty(edges)", field="ledgers")
    edges = parts[0].edges
    stack, grid = workspace(edges)
    samples = below = above = 0
    for part in parts:
        if part.edges is not edges and part.edges != edges:
            raise InvalidInput(
                f"ledgers of {edges} and {part.edges} cannot be merged: count again with the same edges",
                field="edges",
            )
        samples += part.samples
        below += part.clamped_low
        above += part.clamped_high
    residues = []
    for begin in range(0, len(parts), PARTS_AT_ONCE):
        held = b"".join([part.run for part in parts[begin : begin + PARTS_AT_ONCE]])
        points = np.empty(len(held) // runs.WORD.itemsize)
        found = runs.add_words(np.frombuffer(held, runs.WORD), grid, points)
        residues.append(points[:found].copy())
    size = count_on(np.concatenate(residues), stack, grid, edges)
    return from_grid(edges, grid, stack[:size], (samples, below, above))


def to_bytes(ledger: Ledger) -> bytes:
    """The ledger as bytes: header, cells, counts in the fewest bytes that hold them, residue, CRC-32. Little-endian.

    The same ledger gives the same bytes on every machine; equal bytes mean equal ledgers.
    """
    cells, counts, residue = runs.unpacked(ledger.run)
    width = count_width(counts)
    edges = ledger.edges
    body = b"".join(
        (
            HEADER.pack(
                MAGIC,
                FORMAT_VERSION,
                edges.low_pct,
                edges.high_pct,
                edges.classes,
                edges.wide_below,
                edges.wide_above,
                edges.wide,
                ledger.samples,
                ledger.clamped_low,
                ledger.clamped_high,
                cells.size,
                residue.size,
                width,
            ),
            cells.astype(CELL_TYPE).tobytes(),
            counts.astype(COUNT_TYPES[width]).tobytes(),
            residue.astype(RESIDUE_TYPE).tobytes(),
        )
    )
    return body + CHECKSUM.pack(zlib.crc32(body))


def from_bytes(data: bytes) -> Ledger:
    """The ledger that to_bytes wrote, by this version or the one before.

    Raises InvalidInput when the bytes are damaged or of a newer version.
    """
    body = checked(data)
    old = body[len(MAGIC)] == OLD_VERSION
    header = OLD_HEADER if old else HEADER
    if len(body) < header.size:
        raise InvalidInput("a ledger without its whole head: count that stretch again", field="ledger")
    _, _, low, high, classes, *wider, samples, below, above, size, points, width = header.unpack_from(body)
    edges = shared_edges(low, high, classes, *(wider or (0, 0, 4)))
    at = header.size
    expected = at + size * (CELL_TYPE.itemsize + width) + points * RESIDUE_TYPE.itemsize
    if len(body) != expected or width not in COUNT_TYPES:
        raise InvalidInput(f"a ledger of {len(body)} bytes where {expected} belong: count that stretch again")
    counts_at, residue_at = at + size * CELL_TYPE.itemsize, expected - points * RESIDUE_TYPE.itemsize
    cells = np.frombuffer(body, CELL_TYPE, size, at).astype(np.int32)
    counts = np.frombuffer(body, COUNT_TYPES[width], size, counts_at).astype(np.int64)
    residue = np.frombuffer(body, RESIDUE_TYPE, points, residue_at).astype(np.int64)
    if old:
        cells, counts = by_low_class_first(cells, counts, classes)
    if not runs.sound(cells, counts, residue, edges.size, samples) or below + above > samples:
        raise InvalidInput(
            "these bytes are no ledger that a count left: count that stretch again", field="ledger"
        )
    run = runs.packed(cells, counts, residue)
    return Ledger(edges, run, samples, below, above)


def by_low_class_first(cells: Cells, counts: Integers, classes: int) -> tuple[Cells, Integers]:
    """Cells of the old version, each low * classes + high, as they are numbered now, with their counts."""
    low, high = np.divmod(cells.astype(np.int64), classes)
    if (np.diff(cells) <= 0).any() or (low >= high).any():
        return np.full(cells.size, -1, np.int32), counts  # no ledger left these: the check refuses them
    renumbered = cells_of(low, high)
    order = np.argsort(renumbered)
    return renumbered[order].astype(np.int32), counts[order]


def cells_of(low: Integers, high: Integers) -> Integers:
    """Cells of pairs of classes, low < high, as duty.kernels.cell_of numbers them."""
    return high * (high - 1) // 2 + low


def pairs_of(cells: NDArray[Any]) -> tuple[Integers, Integers]:
    """Low and high class of cells: the way back from cells_of."""
    # exact: the root of (2 * high - 1)^2 at the first cell of a high class, and all numbers far below 2^53
    high = ((1.0 + np.sqrt(1.0 + 8.0 * cells)) / 2.0).astype(np.int64)
    return cells - high * (high - 1) // 2, high


@lru_cache(maxsize=64)
def shared_edges(
    low_pct: float, high_pct: float, classes: int, wide_below: int, wide_above: int, wide: int
) -> Edges:
    """The same object for the same edges, so that a merge of thousands compares them at a glance."""
    return Edges(low_pct, high_pct, classes, wide_below, wide_above, wide)


def workspace(edges: Edges, *rows: int) -> tuple[NDArray[np.int32], Integers]:
    """An empty stack and an empty flat grid for the kernels, one a row.

    Ranges of an irreducible residue first grow and then shrink, at most size - 1 of each: 2 * size - 1 points.
    """
    pairs = edges.size * (edges.size - 1) // 2
    return np.empty((*rows, 2 * edges.size + 2), np.int32), np.zeros((*rows, pairs), np.int64)


def count_on(points: NDArray[Any], stack: NDArray[np.int32], grid: Integers, edges: Edges) -> int:
    """Count class indices, such as residues one after the other, into `grid`; returns the size of the stack."""
    classes = float(edges.size)
    scale = (0.0, 1.0, classes, 0.0, 1.0, classes)
    size, _, _, _ = kernels.count_values(points.astype(np.float64, copy=False), scale, stack, grid)
    return size


def from_grid(edges: Edges, grid: Integers, residue: NDArray[np.int32], sums: tuple[int, int, int]) -> Ledger:
    """The sparse ledger of a filled grid; sums: samples, clamped low, clamped high."""
    cells, counts = kernels.filled(grid)
    return from_cells(edges, cells, counts, residue.astype(np.int64), sums)


def from_cells(
    edges: Edges, cells: Cells, counts: Integers, residue: Integers, sums: tuple[int, int, int]
) -> Ledger:
    """The ledger of that content, which is not checked; sums: samples, clamped low, clamped high."""
    return Ledger(edges, runs.packed(cells, counts, residue), *(int(each) for each in sums))


def count_width(counts: Integers) -> int:
    """Fewest bytes that hold every count."""
    largest = int(counts.max(initial=0))
    return next(width for width in COUNT_TYPES if largest < 256**width)


def checked(data: bytes) -> bytes:
    """What stands before the checksum, once magic, version and checksum are right."""
    if len(data) < OLD_HEADER.size + CHECKSUM.size or data[: len(MAGIC)] != MAGIC:
        raise InvalidInput(
            "these bytes are no ledger: check which column or file they came from", field="ledger"
        )
    if data[len(MAGIC)] not in (OLD_VERSION, FORMAT_VERSION):
        raise InvalidInput(
            f"a ledger of format version {data[len(MAGIC)]}, this program reads {FORMAT_VERSION}: "
            "update the program, or count that stretch again",
            field="ledger",
        )
    body = data[: -CHECKSUM.size]
    if CHECKSUM.unpack(data[-CHECKSUM.size :])[0] != zlib.crc32(body):
        raise InvalidInput(
            "a damaged ledger, its checksum is wrong: count that stretch again", field="ledger"
        )
    return body


def as_signal(values: ArrayLike, name: str = "values") -> NDArray[np.float64]:
    """Samples as one contiguous array of float64.

    Raises InvalidInput unless `values` has one dimension.
    """
    # Aligned and writable although nobody writes: each kind of array would make the compiler start again.
    signal: NDArray[np.float64] = np.require(values, np.float64, ["C", "A", "W"])
    if signal.ndim != 1:
        raise InvalidInput(f"{name} has the shape {signal.shape}: give one dimension, (n,)", field=name)
    return signal


def check_finite(signal: NDArray[np.float64], name: str = "values") -> None:
    """Raise InvalidInput with the index of the first value that is not finite, if there is one."""
    finite = np.isfinite(signal)
    if not finite.all():
        index = int(np.argmin(finite))
        raise InvalidInput(
            f"{name}[{index}] is {signal[index]}: leave missing readings out before counting", field=name
        )
