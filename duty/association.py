"""Whether faults come on days with overloads, with the uncertainty of that. An association is no cause."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from domain.errors import InvalidInput

FEWEST_DAYS: Final = 30  # crane-days; our choice, no source


@dataclass(frozen=True, slots=True)
class Association:
    """Odds ratio of a fault on days with an overload against days without, with its 95 % interval.

    `p_value` is Fisher's exact test, two-sided. `enough` is False when too few days or none of a kind are there.
    """

    odds_ratio: float
    low: float
    high: float
    p_value: float
    days_with: int
    days_without: int
    enough: bool


def faults_with_overloads(faults: ArrayLike, overloads: ArrayLike) -> Association:
    """Two-by-two table of crane-days: any fault, any overload.

    faults, overloads: counts by crane-day, shape (n,). Half a day is added to each cell of the ratio
    (Haldane and Anscombe's correction, formula from memory), so that an empty cell gives a finite answer.
    """
    from scipy.stats import fisher_exact  # here: it takes a second to import

    fault, overload = np.asarray(faults) > 0, np.asarray(overloads) > 0
    if fault.shape != overload.shape or fault.ndim != 1:
        raise InvalidInput("faults and overloads must be two lists of one length", field="faults")
    table = [
        [int((fault & overload).sum()), int((~fault & overload).sum())],
        [int((fault & ~overload).sum()), int((~fault & ~overload).sum())],
    ]
    a, b, c, d = (cell + 0.5 for row in table for cell in row)
    log_ratio = math.log(a * d / (b * c))
    half = float(ndtri(0.975)) * math.sqrt(1 / a + 1 / b + 1 / c + 1 / d)
    days_with, days_without = sum(table[0]), sum(table[1])
    return Association(
        odds_ratio=math.exp(log_ratio),
        low=math.exp(log_ratio - half),
        high=math.exp(log_ratio + half),
        p_value=float(fisher_exact(np.array(table))[1]),
        days_with=days_with,
        days_without=days_without,
        enough=days_with > 0 and days_without > 0 and fault.size >= FEWEST_DAYS and bool(fault.any()),
    )
