"""Counts as rates and shares with their confidence: few hours are not a rate.

Sources: exact Poisson interval after F. Garwood, Biometrika 28 (1936) 437; score interval after E. B. Wilson,
J. Am. Stat. Assoc. 22 (1927) 209. Both formulas from memory, checked against scipy in the tests.
"""

import math
from dataclasses import dataclass
from typing import Final

from scipy import stats

from domain.errors import InvalidInput

CONFIDENCE: Final = 0.90  # two-sided; our choice, no source
FEWEST_HOURS: Final = 10.0  # below it a rate per hour is not ranked; our choice, no source
FEWEST_LIFTS: Final = 30  # below it a share of lifts is not ranked; our choice, no source


@dataclass(frozen=True, slots=True)
class Estimate:
    """A rate or share with its two-sided interval; `enough` tells whether it may be ranked.

    Rank by `low`: it rises only when the record supports it.
    """

    value: float | None
    low: float
    high: float
    enough: bool


def rate(
    count: int, exposure: float, *, fewest_exposure: float = FEWEST_HOURS, confidence: float = CONFIDENCE
) -> Estimate:
    """Events per unit of exposure (hours, lifts) with the exact Poisson interval.

    count: events, 0 or more. exposure: 0 or more, in the unit wanted. Without exposure the value is None and the
    interval 0 to infinity. Raises InvalidInput on a negative count or exposure.
    """
    _refuse_negative(count, exposure)
    if exposure == 0:
        return Estimate(None, 0.0, math.inf, enough=False)
    tail = (1 - confidence) / 2
    low = float(stats.chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    high = float(stats.chi2.ppf(1 - tail, 2 * count + 2)) / 2
    return Estimate(count / exposure, low / exposure, high / exposure, enough=exposure >= fewest_exposure)


def share(count: int, of: int, *, fewest: int = FEWEST_LIFTS, confidence: float = CONFIDENCE) -> Estimate:
    """Share of trials (lifts that came near the limit) with Wilson's score interval.

    0 <= count <= of. Without trials the value is None and the interval 0 to 1. Raises InvalidInput otherwise.
    """
    _refuse_negative(count, of)
    if count > of:
        raise InvalidInput(f"{count} of {of}: a count cannot exceed what it is counted in", field="count")
    if of == 0:
        return Estimate(None, 0.0, 1.0, enough=False)
    z = float(stats.norm.ppf((1 + confidence) / 2))
    value = count / of
    middle = (value + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(value * (1 - value) / of + z * z / (4 * of * of))
    return Estimate(value, max(0.0, middle - half), min(1.0, middle + half), enough=of >= fewest)


def _refuse_negative(count: float, exposure: float) -> None:
    if not (count >= 0 and exposure >= 0):
        raise InvalidInput(f"count {count} and exposure {exposure} must not be negative", field="count")
