"""Counts as rates and shares with their confidence: few hours are not a rate.

Sources: exact Poisson interval after F. Garwood, Biometrika 28 (1936) 437; score interval after E. B. Wilson,
J. Am. Stat. Assoc. 22 (1927) 209; ratio of two Poisson rates by the binomial that their sum leaves, after J. Przyborowski,
H. Wilenski, Biometrika 31 (1940) 313; difference of two shares by R. G. Newcombe, Stat. Med. 17 (1998) 873, method 10.
Formulas from memory, checked against scipy in the tests.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from scipy.special import betaincinv, gammaincinv, ndtri  # scipy.stats takes a second to import

from domain.errors import InvalidInput

Word = Literal["more", "less", "no clear change", "unknown"]
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
    low = float(gammaincinv(count, tail)) if count else 0.0
    high = float(gammaincinv(count + 1, 1 - tail))
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
    z = float(ndtri((1 + confidence) / 2))
    value = count / of
    middle = (value + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(value * (1 - value) / of + z * z / (4 * of * of))
    return Estimate(value, max(0.0, middle - half), min(1.0, middle + half), enough=of >= fewest)


@dataclass(frozen=True, slots=True)
class Change:
    """How a rate (as a ratio) or a share (as a difference) changed, with its interval; `word` says what that allows."""

    value: float | None
    low: float
    high: float
    word: Word


def rate_change(
    count: int, exposure: float, before: int, exposure_before: float, *, confidence: float = CONFIDENCE
) -> Change:
    """Ratio of the rate now to the rate before, with the exact conditional interval.

    Without exposure on either side, or without any event, nothing can be said: None, 0 to infinity.
    """
    _refuse_negative(count, exposure)
    _refuse_negative(before, exposure_before)
    if exposure == 0 or exposure_before == 0 or count + before == 0:
        return Change(None, 0.0, math.inf, "unknown")
    tail, scale = (1 - confidence) / 2, exposure_before / exposure
    low = _odds(float(betaincinv(count, before + 1, tail))) * scale if count else 0.0
    high = _odds(float(betaincinv(count + 1, before, 1 - tail))) * scale if before else math.inf
    value = count / before * scale if before else None
    return Change(value, low, high, _word(low, high, 1.0))


def share_change(
    count: int, of: int, before: int, of_before: int, *, confidence: float = CONFIDENCE
) -> Change:
    """Share now less the share before, with Newcombe's interval; None and -1 to 1 where either has no trials."""
    now, then = share(count, of, confidence=confidence), share(before, of_before, confidence=confidence)
    if now.value is None or then.value is None:
        return Change(None, -1.0, 1.0, "unknown")
    value = now.value - then.value
    low = value - math.hypot(now.value - now.low, then.high - then.value)
    high = value + math.hypot(now.high - now.value, then.value - then.low)
    return Change(value, low, high, _word(low, high, 0.0))


def _odds(probability: float) -> float:
    return probability / (1 - probability) if probability < 1 else math.inf


def _word(low: float, high: float, nothing: float) -> Word:
    if low > nothing:
        return "more"
    return "less" if high < nothing else "no clear change"


def _refuse_negative(count: float, exposure: float) -> None:
    if not (count >= 0 and exposure >= 0):
        raise InvalidInput(f"count {count} and exposure {exposure} must not be negative", field="count")
