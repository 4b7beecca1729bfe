"""Faults from raised to cleared, and whether they come on days with overloads. An association is no cause."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Episode:
    """One fault of one code. Raised again while open is the same episode; `cleared_at` None: still open."""

    code: str
    raised_at: datetime
    cleared_at: datetime | None = None
    raised_times: int = 1
    text: str = ""


def pair(events: Iterable[tuple[datetime, str, bool, str]]) -> list[Episode]:
    """Episodes from (at, code, raised, text) in time order; in order of raising.

    A code that is cleared without having been raised leaves no episode: it was raised before the record began.
    """
    found: list[Episode] = []
    open_at: dict[str, int] = {}
    for at, code, raised, text in events:
        place = open_at.get(code)
        if raised and place is None:
            open_at[code] = len(found)
            found.append(Episode(code=code, raised_at=at, text=text))
        elif raised and place is not None:
            found[place] = replace(found[place], raised_times=found[place].raised_times + 1)
        elif place is not None:
            found[open_at.pop(code)] = replace(found[place], cleared_at=at)
    return found
