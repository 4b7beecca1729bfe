"""Whether a series rises or falls: the test of Mann and Kendall.

Sources: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods, 1948: exact distribution
without ties, normal approximation with the correction for ties otherwise (from memory, checked against scipy in the
tests). Own code, because the library that has it takes a second to import and every process that answers needs it.
"""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

LARGEST_EXACT: Final = 33  # values; beyond it the normal approximation is used, as scipy does


class Tau(NamedTuple):
    """Kendall's tau-b of a series against its order, and the two-sided p value."""

    tau: float
    p_value: float


def kendall(values: ArrayLike) -> Tau:
    """Test of a series of shape (n,) in time order, all finite. Without any order in it: tau 0, p 1."""
    series = np.asarray(values, np.float64)
    n = series.size
    pairs = n * (n - 1) // 2
    rising = np.sign(series[None, :] - series[:, None])[np.triu_indices(n, 1)]
    score = int(rising.sum())
    _, repeats = np.unique(series, return_counts=True)
    tied = int((repeats * (repeats - 1) // 2).sum())
    if pairs == tied:
        return Tau(0.0, 1.0)
    tau = score / math.sqrt(pairs) / math.sqrt(pairs - tied)
    if tied == 0 and n <= LARGEST_EXACT:
        return Tau(tau, _exact(n, (pairs - abs(score)) // 2))
    spread = (n * (n - 1) * (2 * n + 5) - int((repeats * (repeats - 1) * (2 * repeats + 5)).sum())) / 18
    return Tau(tau, math.erfc(abs(score) / math.sqrt(2 * spread)))


def _exact(n: int, inversions: int) -> float:
    """Chance of a random order with so few inversions or so many, by the generating function of their number."""
    counts: NDArray[np.float64] = np.ones(1)
    for size in range(2, n + 1):
        counts = np.convolve(counts, np.full(size, 1 / size))
    return min(1.0, 2 * float(counts[: inversions + 1].sum()))
