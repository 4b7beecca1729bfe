"""Cycles in exact floats, for analysis of one signal: no classes, no error of a class width, no fixed size.

The same four-point rule as in duty.ledger, and mergeable in the same way; but it keeps every closed cycle, so it
grows with the history. Keep ledgers, and count in floats to look closely.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from duty import kernels
from duty.ledger import as_signal, check_finite

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FloatCycles:
    """Closed cycles and what is left open, in the unit of the signal.

    low, high: turning points of each closed cycle, low < high, in the order in which they close.
    residue: open turning points, oldest first; its ends are the first and the last sample.
    """

    low: Floats
    high: Floats
    residue: Floats


def count(values: ArrayLike) -> FloatCycles:
    """Count the samples of one signal, in time order.

    values: shape (n,), n >= 0, any unit.
    Raises InvalidInput for another shape, and for a value that is not finite, with its index.
    """
    signal = as_signal(values)
    points = np.empty(signal.size + 2)
    low, high = np.empty(signal.size // 2), np.empty(signal.size // 2)
    size, closed, broken = kernels.count_floats(signal, points, low, high)
    if broken >= 0:
        check_finite(signal)
    return FloatCycles(low[:closed], high[:closed], points[:size].copy())


def merge(earlier: FloatCycles, later: FloatCycles) -> FloatCycles:
    """The cycles of both stretches, `later` beginning where `earlier` ends.

    The same cycles and the same residue, bit for bit, as counting the whole at once; cycles that close across the
    seam come last.
    """
    joined = count(np.concatenate((earlier.residue, later.residue)))
    return FloatCycles(
        np.concatenate((earlier.low, later.low, joined.low)),
        np.concatenate((earlier.high, later.high, joined.high)),
        joined.residue,
    )
