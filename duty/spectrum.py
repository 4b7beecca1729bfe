"""Load spectrum, classes of use and stress history, each under the edition that its letters belong to.

The same letter means different things: "Q1" is Kp = 0.125 in ISO 4301-1:1986 and kQ up to 0.0625 in EN 13001-1. A
class therefore never travels without its edition, and groups A1..A8 are given for 1986 only.

A loader crane's rated capacity falls with the reach, so the load ratio Qi/Qr of a lift is taken as its peak structural
percent over 100: the moment over the full structural rating, not the utilisation of the present limit.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.crane import DesignClass, Edition
from domain.errors import InvalidInput

_ROUNDING = 1e-9  # relative; a value at a limit belongs to the class below, whatever float made of it

_U_LIMITS: Final[dict[Edition, tuple[float, ...]]] = {
    # U0..U8; U9 is everything above. ISO 4301-1:1986 Table 1 as restated by engineering calculators (second-hand), U0 from memory
    Edition.ISO_4301_1_1986: (16e3, 32e3, 63e3, 125e3, 250e3, 500e3, 1e6, 2e6, 4e6),
    # U0..U9. EN 13001-1 and ISO 4301-1:2016, from memory; open pages restate the same numbers (second-hand)
    Edition.EN_13001_1: (1.6e4, 3.15e4, 6.3e4, 1.25e5, 2.5e5, 5e5, 1e6, 2e6, 4e6, 8e6),
}
_Q_LIMITS: Final[dict[Edition, dict[str, float]]] = {
    # nominal Kp. ISO 4301-1:1986 Table 2, from memory, consistent with the cube roots restated openly
    Edition.ISO_4301_1_1986: {"Q1": 0.125, "Q2": 0.25, "Q3": 0.5, "Q4": 1.0},
    # EN 13001-1 and ISO 4301-1:2016, from memory; open pages restate the first two (second-hand)
    Edition.EN_13001_1: {"Q0": 0.0313, "Q1": 0.0625, "Q2": 0.125, "Q3": 0.25, "Q4": 0.5, "Q5": 1.0},
}
# upper limits of s_3. EN 13001-1, from memory
_S_LIMITS: Final = {
    "S02": 0.002,
    "S01": 0.004,
    "S0": 0.008,
    "S1": 0.016,
    "S2": 0.032,
    "S3": 0.063,
    "S4": 0.125,
    "S5": 0.25,
    "S6": 0.5,
    "S7": 1.0,
    "S8": 2.0,
    "S9": 4.0,
}
NU_CYCLES: Final = 2e6  # reference cycles of nu = N / 2e6 (EN 13001-1, from memory)


class UseClass(NamedTuple):
    """A class letter with the edition it belongs to and its upper limit (inf where it has none)."""

    edition: Edition
    letter: str
    upper: float


FULL_RANGE_PCT: Final = 100.0
"""Range that stress histories are referred to: from nothing to the full structural rating. This project's reading of ds_max:
referred to the largest range seen, one overload would lower the class of all the rest."""


class StressHistory(NamedTuple):
    """Stress history of a spectrum of ranges, for one slope m."""

    cycles: float
    largest_pct: float  # largest range seen, in the unit of the ranges
    reference: float  # range that k_m is referred to, in the same unit
    k_m: float  # sum (n_i / N) (ds_i / reference)^m; above 1 where ranges beyond it prevail
    nu: float  # N / 2e6
    s_m: float  # nu * k_m


def kq(peak_structural_pct: ArrayLike, counts: ArrayLike | None = None) -> float:
    """Load spectrum factor kQ = sum (Ci/C) (Qi/Qr)^3 of lift peaks in structural percent.

    `counts` weighs the peaks, 1 each by default. A peak over 100 % counts with its cube, so kQ may pass 1; a negative
    one counts 0. NaN without any lift. The same sum is Kp of ISO 4301-1:1986.

    Source: EN 13001-1, from memory.
    """
    ratio = np.maximum(np.asarray(peak_structural_pct, np.float64), 0.0) / 100.0
    weight = np.ones_like(ratio) if counts is None else np.asarray(counts, np.float64)
    total = weight.sum()
    return float((weight * ratio**3).sum() / total) if total > 0 else float("nan")


def cube(peak_structural_pct: float) -> float:
    """What one lift adds to C * kQ: the cube of its peak structural share, 0 where it is negative."""
    return float(max(peak_structural_pct, 0.0) ** 3 / 1e6)


def kq_level_pct(factor: float) -> float:
    """Structural percent at the peak of every lift that would give this kQ [0 or more]: the cube root of `kq`."""
    return float(100.0 * factor ** (1 / 3))


def u_class(lifts: float, edition: Edition) -> UseClass | None:
    """Class of a total number of working cycles; None beyond the table (more than 8e6 in EN 13001-1)."""
    if not lifts >= 0:
        raise InvalidInput("the number of lifts must be 0 or more", field="lifts")
    for index, upper in enumerate(_U_LIMITS[edition]):
        if lifts <= upper * (1 + _ROUNDING):
            return UseClass(edition, f"U{index}", upper)
    return UseClass(edition, "U9", float("inf")) if edition is Edition.ISO_4301_1_1986 else None


def q_class(spectrum_factor: float, edition: Edition) -> UseClass | None:
    """Class of a load spectrum factor; None above 1, where the crane was overloaded as a rule, and for NaN."""
    return _first(_Q_LIMITS[edition], spectrum_factor, edition)


def s_class(s_3: float, edition: Edition) -> UseClass | None:
    """Class of a stress history parameter with m = 3; None beyond S9.

    Raises InvalidInput for ISO 4301-1:1986, which knows no S classes.
    """
    if edition is not Edition.EN_13001_1:
        raise InvalidInput(f"{edition} has no S classes: ask with {Edition.EN_13001_1}", field="edition")
    return _first(_S_LIMITS, s_3, edition)


def group(u: UseClass, q: UseClass) -> str:
    """Classification group A1..A8 of ISO 4301-1:1986: Q1 gives A(u-1), Q2 A(u), Q3 A(u+1), Q4 A(u+2), inside A1..A8.

    Reproduces the cells that open sources restate; the rest from memory. Raises InvalidInput where the classes are of
    different editions, or of an edition without groups.
    """
    if u.edition is not q.edition:
        raise InvalidInput(f"{u.letter} is of {u.edition}, {q.letter} of {q.edition}: never mix them")
    if u.edition is not Edition.ISO_4301_1_1986:
        raise InvalidInput(f"groups A1..A8 are of {Edition.ISO_4301_1_1986}, not of {u.edition}")
    return f"A{min(max(int(u.letter[1:]) + int(q.letter[1:]) - 2, 1), 8)}"


def design_limits(design: DesignClass) -> tuple[float, float]:
    """(total working cycles, load spectrum factor) that a design class allows: the upper limits of its letters.

    Raises InvalidInput for letters that the edition does not have, and for U9 of 1986, which has no upper limit.
    """
    limits = _U_LIMITS[design.edition]
    index = int(design.u_class[1:])
    if index >= len(limits):
        raise InvalidInput(
            f"{design.u_class} of {design.edition} has no upper limit: a share of it cannot be given",
            field="u_class",
        )
    factors = _Q_LIMITS[design.edition]
    if design.q_class not in factors:
        raise InvalidInput(
            f"{design.edition} knows {', '.join(factors)}, not {design.q_class}", field="q_class"
        )
    return limits[index], factors[design.q_class]


def stress_history(
    ranges: ArrayLike, counts: ArrayLike, m: float = 3.0, reference: float = FULL_RANGE_PCT
) -> StressHistory:
    """Stress history parameter s_m = nu * k_m of cycle ranges (percent or MPa, shape (n,)) and their counts.

    `reference` is the range that it is referred to, in the unit of the ranges: 100 % structural unless given, so that more
    duty never gives a lower s_m. Ranges of 0 and counts of 0 are left out. Without any cycle everything is 0. Source: EN 13001-1, from memory.
    Raises InvalidInput for negative values or m <= 0.
    """
    size, n = np.asarray(ranges, np.float64), np.asarray(counts, np.float64)
    if (size < 0).any() or (n < 0).any() or m <= 0 or not reference > 0:
        raise InvalidInput("ranges and counts must be 0 or more, m and the reference above 0")
    cycles = float(n[size > 0].sum())
    if cycles == 0:
        return StressHistory(0.0, 0.0, reference, 0.0, 0.0, 0.0)
    largest = float(size[n > 0].max())
    k_m = float((n * (size / reference) ** m).sum() / cycles)
    nu = cycles / NU_CYCLES
    return StressHistory(cycles, largest, reference, k_m, nu, nu * k_m)


def _first(limits: dict[str, float], value: float, edition: Edition) -> UseClass | None:
    for letter, upper in limits.items():
        if value <= upper * (1 + _ROUNDING):
            return UseClass(edition, letter, upper)
    return None
