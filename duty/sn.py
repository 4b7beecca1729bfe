"""S-N curves: cycles to failure at a constant stress range, as straight lines in double logarithms.

    N(ds) = N_k * (ds_k / ds)^m      on each branch, which begins where the one before it ends

Anchored at ds_c, the range that 2e6 cycles exhaust. The constants follow from the formula, not from rounded factors,
so the curve has no jump at a knee. Curves hold for nominal normal stress in MPa, in a survival probability and
environment that their source states; corrosion, thickness and temperature are not in them.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from domain.detail import REFERENCE_CYCLES, CurveFamily, DetailSpec
from domain.errors import InvalidInput
from duty.geometry import Floats


@dataclass(frozen=True)
class SnCurve:
    """A curve by its name, ds_c [MPa] at 2e6 cycles, and branches.

    `branches` holds (slope m, cycles at its lower end) from few cycles to many; the last may end at inf. Below the range at
    the end of the last branch a cycle does no damage. `source` says where the shape comes from and how sure that is.
    """

    name: str
    reference_mpa: float
    branches: tuple[tuple[float, float], ...]
    source: str

    def __post_init__(self) -> None:
        if not (0 < self.reference_mpa < float("inf")):
            raise InvalidInput("the stress range at 2e6 cycles must be above 0 MPa", field="reference_mpa")
        if not self.branches or not all(0 < m < 50 for m, _ in self.branches):
            raise InvalidInput("a curve needs branches with slopes between 0 and 50", field="branches")
        ends = [end for _, end in self.branches]
        if any(after <= before for before, after in pairwise([0.0, *ends])):
            raise InvalidInput("the ends of the branches must rise in cycles from above 0", field="branches")
        if ends[0] < REFERENCE_CYCLES:
            raise InvalidInput("the first branch must hold 2e6 cycles, where ds_c is meant", field="branches")

    @property
    def knees_mpa(self) -> tuple[float, ...]:
        """Stress range [MPa] at the end of each branch; 0 where the last has no end."""
        found, range_mpa, cycles = [], self.reference_mpa, REFERENCE_CYCLES
        for m, end in self.branches:
            range_mpa, cycles = range_mpa * (cycles / end) ** (1 / m), end
            found.append(range_mpa)
        return tuple(found)

    def cycles_to_failure(self, range_mpa: ArrayLike) -> Floats:
        """Cycles that exhaust the detail at each constant range [MPa, 0 or more]; inf below the cut-off."""
        size = np.asarray(range_mpa, np.float64)
        if (size < 0).any():
            raise InvalidInput("stress ranges must be 0 or more", field="range_mpa")
        cycles = np.full(size.shape, np.inf)
        upper, anchor, at = np.inf, self.reference_mpa, REFERENCE_CYCLES
        for (m, end), knee in zip(self.branches, self.knees_mpa, strict=True):
            here = (size >= knee) & (size < upper) & (size > 0)
            with np.errstate(over="ignore", under="ignore"):
                cycles[here] = at * (anchor / size[here]) ** m
            upper, anchor, at = knee, knee, end
        return cycles

    def range_at(self, cycles: ArrayLike) -> Floats:
        """Constant range [MPa] that this many cycles exhaust; beyond the last branch the range at its end."""
        n = np.asarray(cycles, np.float64)
        found = np.full(n.shape, self.knees_mpa[-1])
        lower, anchor, at = 0.0, self.reference_mpa, REFERENCE_CYCLES
        for (m, end), knee in zip(self.branches, self.knees_mpa, strict=True):
            here = (n > lower) & (n <= end) & np.isfinite(n)
            found[here] = anchor * (at / n[here]) ** (1 / m)
            lower, anchor, at = end, knee, end
        return found


def en_1993_1_9(detail_category: float) -> SnCurve:
    """Normal stress curve of a detail category [MPa]: m = 3 to 5e6, m = 5 to 1e8, no damage below.

    Source: EN 1993-1-9:2005, as secondary sources restate it (second-hand).
    """
    return SnCurve(
        f"EN 1993-1-9 category {detail_category:g}",
        detail_category,
        ((3.0, 5e6), (5.0, 1e8)),
        "EN 1993-1-9:2005, unverified",
    )


def iiw(fat: float) -> SnCurve:
    """Normal stress curve of a FAT class [MPa] for variable amplitude: m = 3 to 1e7, m = 5 beyond without end.

    Source: IIW recommendations for fatigue of welded joints, from memory. They advise D up to 0.5 there.
    """
    return SnCurve(f"IIW FAT {fat:g}", fat, ((3.0, 1e7), (5.0, float("inf"))), "IIW, unverified")


def en_13001_3_1(reference_mpa: float, m: float = 3.0) -> SnCurve:
    """One slope without end: m = 3 for welds, 5 for plain material [ds_c in MPa].

    Source: EN 13001-3-1, from memory.
    """
    return SnCurve(
        f"EN 13001-3-1 {reference_mpa:g} m={m:g}",
        reference_mpa,
        ((m, float("inf")),),
        "EN 13001-3-1, unverified",
    )


def own(reference_mpa: float, branches: tuple[tuple[float, float], ...], source: str) -> SnCurve:
    """A curve of the engineer's own: ds_c [MPa] at 2e6 cycles, branches as in SnCurve, and where it comes from."""
    return SnCurve(f"own {reference_mpa:g}", reference_mpa, branches, source)


def curve_of(spec: DetailSpec) -> SnCurve:
    """The curve that a detail as entered names."""
    match spec.curve:
        case CurveFamily.EN_1993_1_9:
            return en_1993_1_9(spec.reference_mpa)
        case CurveFamily.IIW:
            return iiw(spec.reference_mpa)
        case CurveFamily.EN_13001_3_1:
            return en_13001_3_1(spec.reference_mpa, spec.slope_m)
        case CurveFamily.OWN:
            return own(
                spec.reference_mpa,
                tuple((branch.slope_m, branch.to_cycles or float("inf")) for branch in spec.branches),
                spec.source,
            )
