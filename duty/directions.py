"""Bending of the slewing column and the mounting, which turns with the boom: counted for directions around the base.

    signal in direction phi = structural_pct * cos(slew_deg - phi)          signed: pushed or pulled

phi and phi + 180 degrees mirror each other, so `directions` equal steps from 0 up to, not including, 180 cover the
circle. Each direction has a ledger of its own with signed edges, and the whole merges as ledgers do.

The bending moment is taken as the structural percent in the plane of the boom. Weight of column and truck, side
loads and wind are left out: the figure tells where around the base the duty gathers.
"""

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput
from duty import kernels, ledger
from duty.edges import DIRECTION_EDGES, Edges
from duty.ledger import as_signal, check_finite

MOST_DIRECTIONS: Final = 180  # one a degree
FORMAT_VERSION: Final = 1
MAGIC: Final = b"DDL"
HEADER: Final = struct.Struct("<3sBH")  # magic, version, directions
LENGTH: Final = struct.Struct("<I")  # before each ledger


@dataclass(frozen=True, slots=True)
class DirectionLedger:
    """One ledger a direction, all of the same samples. Build it with count_directions, merge or from_bytes."""

    ledgers: tuple[ledger.Ledger, ...]

    @property
    def phi_deg(self) -> NDArray[np.float64]:
        """Direction of each ledger [deg], 0 over the cab, positive clockwise seen from above; 0 <= phi < 180."""
        return phi_deg(len(self.ledgers))


def phi_deg(directions: int) -> NDArray[np.float64]:
    """`directions` equal steps [deg] from 0 up to, not including, 180; 1 to 180 of them."""
    if not 1 <= directions <= MOST_DIRECTIONS:
        raise InvalidInput(f"{directions} directions: give 1 to {MOST_DIRECTIONS}", field="directions")
    return 180.0 * np.arange(directions) / directions


def empty(directions: int = 24, edges: Edges = DIRECTION_EDGES) -> DirectionLedger:
    """The ledgers of no samples: merging them changes nothing."""
    return DirectionLedger(tuple(ledger.empty(edges) for _ in phi_deg(directions)))


def count_directions(
    structural_pct: ArrayLike, slew_deg: ArrayLike, directions: int = 24, edges: Edges = DIRECTION_EDGES
) -> DirectionLedger:
    """Count the cycles of structural_pct * cos(slew_deg - phi) in every direction phi.

    structural_pct, slew_deg: shape (n,) both, of the same instants in time order [%, deg].
    directions: how many between 0 and 180 degrees, 1 to 180.
    Raises InvalidInput for other shapes, and for a value that is not finite, with its index.
    """
    structural, slew = as_signal(structural_pct, "structural_pct"), as_signal(slew_deg, "slew_deg")
    if structural.size != slew.size:
        raise InvalidInput(
            f"{structural.size} values of structural_pct and {slew.size} of slew_deg: give one of each an instant",
            field="slew_deg",
        )
    phi = np.radians(phi_deg(directions))
    stacks, grids = ledger.workspace(edges, directions)
    totals = np.zeros((directions, 5), np.int64)
    broken = kernels.count_projections(
        structural,
        slew,
        np.cos(phi),
        np.sin(phi),
        edges.scale,
        stacks,
        grids,
        totals,
    )
    if broken >= 0:
        check_finite(structural, "structural_pct")
        check_finite(slew, "slew_deg")
    return DirectionLedger(
        tuple(
            ledger.from_grid(edges, grid, stack[:size], (structural.size, below, above))
            for grid, stack, (size, below, above, _, _) in zip(grids, stacks, totals, strict=True)
        )
    )


def merge(earlier: DirectionLedger, later: DirectionLedger) -> DirectionLedger:
    """The ledgers of both stretches, `later` beginning where `earlier` ends. Raises InvalidInput as merge_all."""
    return merge_all((earlier, later))


def merge_all(parts: Iterable[DirectionLedger]) -> DirectionLedger:
    """The ledgers of all stretches, given in time order.

    Raises InvalidInput when there is none, or when their directions or edges differ.
    """
    rows = [part.ledgers for part in parts]
    if not rows:
        raise InvalidInput("nothing to merge: begin with empty(directions, edges)", field="parts")
    if len({len(row) for row in rows}) > 1:
        raise InvalidInput(
            "ledgers of different numbers of directions cannot be merged: count again with the same number",
            field="directions",
        )
    return DirectionLedger(tuple(ledger.merge_all(column) for column in zip(*rows, strict=True)))


def to_bytes(counted: DirectionLedger) -> bytes:
    """The ledgers as bytes: header, then each ledger with its length before it. Equal bytes mean equal ledgers."""
    parts = [ledger.to_bytes(each) for each in counted.ledgers]
    return HEADER.pack(MAGIC, FORMAT_VERSION, len(parts)) + b"".join(
        LENGTH.pack(len(part)) + part for part in parts
    )


def from_bytes(data: bytes) -> DirectionLedger:
    """The ledgers that to_bytes wrote. Raises InvalidInput when the bytes are damaged or of a newer version."""
    if len(data) < HEADER.size or data[: len(MAGIC)] != MAGIC:
        raise InvalidInput(
            "these bytes are no direction ledger: check which column they came from", field="ledger"
        )
    _, version, directions = HEADER.unpack_from(data)
    if version != FORMAT_VERSION:
        raise InvalidInput(
            f"a direction ledger of format version {version}, this program reads {FORMAT_VERSION}: "
            "update the program, or count that stretch again",
            field="ledger",
        )
    parts, at = [], HEADER.size
    while at + LENGTH.size <= len(data):
        begin = at + LENGTH.size
        at = begin + LENGTH.unpack_from(data, at)[0]
        parts.append(ledger.from_bytes(data[begin:at]))
    if at != len(data) or len(parts) != directions:
        raise InvalidInput("a direction ledger of the wrong length: count that stretch again", field="ledger")
    return DirectionLedger(tuple(parts))
