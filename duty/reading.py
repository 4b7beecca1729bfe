"""Reading a ledger: cycles under a named residue rule, and the views that an engineer plots.

A class stands for its middle, so a range that is read is right to within half the widths of its two classes together
(Edges.width_pct, wider outside its limits) and a mean to within half of that. Small ranges are dropped here, never while counting.

Residue rules
    half cycles   every range of the residue is half a cycle, as ASTM E1049 counts what does not close
    repeated      the residue is run through twice, and what the second run closes is whole cycles: the history taken
                  as one that repeats
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.errors import InvalidInput
from duty.ledger import Ledger, cells_of, count_on, pairs_of, workspace
from duty.runs import Integers

Floats = NDArray[np.float64]


class ResidueRule(StrEnum):
    """How the open turning points of a ledger are read."""

    HALF_CYCLES = "half_cycles"
    REPEATED = "repeated"


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Cycles by cell, cells in rising order: arrays of one length.

    low_pct, high_pct: the two turning points [%], class middles, low < high.
    count: cycles, whole or half [1].
    """

    low_pct: Floats
    high_pct: Floats
    count: Floats

    @property
    def range_pct(self) -> Floats:
        """high - low [%]."""
        return self.high_pct - self.low_pct

    @property
    def mean_pct(self) -> Floats:
        """Middle between high and low [%]."""
        return (self.high_pct + self.low_pct) / 2.0


def cycles(
    ledger: Ledger, rule: ResidueRule | str = ResidueRule.HALF_CYCLES, threshold_pct: float = 0.0
) -> Cycles:
    """Closed cycles and those of the residue under `rule`, without the ranges below `threshold_pct` [%].

    Raises InvalidInput for a rule that is none, and for a negative threshold.
    """
    if not threshold_pct >= 0.0:
        raise InvalidInput(f"a range threshold of {threshold_pct} %: give 0 or more", field="threshold_pct")
    edges = ledger.edges
    open_cells, open_counts = residue_cycles(ledger, as_rule(rule))
    cells, place = np.unique(np.concatenate((ledger.cells, open_cells)), return_inverse=True)
    counts = np.bincount(place, np.concatenate((ledger.counts, open_counts)), minlength=cells.size)
    low, high = pairs_of(cells)
    middles = edges.middle_steps
    kept = (middles[high] - middles[low]) * (edges.width_pct / 2) >= threshold_pct
    centres = edges.centres_pct
    return Cycles(centres[low[kept]], centres[high[kept]], counts[kept].astype(np.float64))


def as_rule(rule: ResidueRule | str) -> ResidueRule:
    """The rule of that name. Raises InvalidInput when there is none."""
    try:
        return ResidueRule(rule)
    except ValueError:
        names = ", ".join(ResidueRule)
        raise InvalidInput(f"no residue rule is called {rule!r}: give one of {names}", field="rule") from None


def residue_cycles(ledger: Ledger, rule: ResidueRule) -> tuple[Integers, Floats]:
    """Cells and counts of the residue alone; a cell may come more than once."""
    residue = ledger.residue
    if rule is ResidueRule.REPEATED:
        stack, grid = workspace(ledger.edges)
        count_on(np.concatenate((residue, residue)), stack, grid, ledger.edges)
        cells = np.flatnonzero(grid)
        return cells, grid[cells].astype(np.float64)
    low, high = np.minimum(residue[:-1], residue[1:]), np.maximum(residue[:-1], residue[1:])
    return cells_of(low, high), np.full(low.size, 0.5)


class Beyond(NamedTuple):
    """Readings that no class reaches: they were counted in the first or the last one, so ranges are read too small.

    below, above: how many. from_pct, to_pct: outer edges of the classes [%].
    """

    below: int
    above: int
    from_pct: float
    to_pct: float


def beyond(ledgers: Sequence[Ledger]) -> Beyond | None:
    """Readings beyond the classes of ledgers of the same samples, in the one with most of them; None without any."""
    most = max(ledgers, key=lambda each: each.clamped_low + each.clamped_high, default=None)
    if most is None or most.clamped_low + most.clamped_high == 0:
        return None
    first, last = most.edges.edges_pct[[0, -1]].tolist()
    return Beyond(most.clamped_low, most.clamped_high, first, last)


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """One-dimensional spectrum, largest range first: the stairs that are drawn over a logarithmic axis of cycles.

    range_pct: [%]. count: cycles of that range [1]. cumulative: cycles of that range or more [1].
    """

    range_pct: Floats
    count: Floats
    cumulative: Floats


def range_spectrum(counted: Cycles) -> Spectrum:
    """Cycles by range only, whatever their mean."""
    return falling(counted.range_pct, counted.count)


def falling(ranges: Floats, count: Floats) -> Spectrum:
    """Equal ranges joined, largest first. Ranges of one class distance differ in their last bits: joined too."""
    joined, place = np.unique(np.round(ranges, 9), return_inverse=True)
    sums = np.bincount(place, count, minlength=joined.size)[::-1].astype(np.float64)
    return Spectrum(joined[::-1], sums, np.cumsum(sums, dtype=np.float64))


def grid(x: Floats, y: Floats, count: Floats, x_edges: Floats, y_edges: Floats) -> Floats:
    """Counts summed on a grid, one row for each step of x. Edges that span every class leave nothing out."""
    sums: Floats = np.histogram2d(x, y, bins=(x_edges, y_edges), weights=count)[0]
    return sums


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """edge_pct: inner class edges, rising [%]. upward: crossings of each on the way up [1]."""

    edge_pct: Floats
    upward: Integers


def level_crossings(ledger: Ledger) -> Crossings:
    """How often the classed signal crossed each inner class edge on the way up.

    Exact, and of no residue rule: a closed cycle goes up once over every edge inside it, and so does every rising
    range of the residue.
    """
    classes, residue = ledger.edges.size, ledger.residue
    rises = np.diff(residue) > 0
    low = np.concatenate((ledger.low_class, residue[:-1][rises]), dtype=np.int64)
    high = np.concatenate((ledger.high_class, residue[1:][rises]), dtype=np.int64)
    counts = np.concatenate((ledger.counts, np.ones(int(rises.sum()), np.int64)))
    steps = np.zeros(classes, np.int64)
    np.add.at(steps, low, counts)
    np.subtract.at(steps, high, counts)
    return Crossings(ledger.edges.edges_pct[1:-1], np.cumsum(steps)[:-1])
