"""Damage of weld details: linear accumulation (Palmgren, Miner) over counted cycles of structural percent.

    stress [MPa]  = mpa_per_pct * structural percent + offset_mpa
    D             = sum n_i / N(gamma_mf * |mpa_per_pct| * range_i)

The detail is linear in the structural percent: true where one moment makes the stress, as in the boom it belongs to. The
offset moves the mean only. Mean stress is not corrected for: ranges alone count, as is usual for welds as made,
where residual stress near yield hides the mean. For plain or stress-relieved parts in compression that is on the
safe side.

A Miner sum compares; it does not predict. Failures have been reported at sums from 0.33 to 3 (second-hand), so D is shown
with that range, and pressure-based utilisation is not stress at a weld.
"""

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.detail import CurveFamily, DetailSpec
from domain.errors import InvalidInput
from duty.directions import DirectionLedger
from duty.geometry import Floats
from duty.ledger import Ledger
from duty.reading import Cycles, ResidueRule, cycles
from duty.sn import SnCurve, curve_of, en_1993_1_9

FAILURE_SUMS: Final = (0.33, 3.0)  # Miner sums at which failures have been reported (second-hand)

ALLOWED_SUMS: Final = {
    CurveFamily.IIW: 0.5
}  # advised for variable amplitude (from memory); 1 for other curves

LEAST_CYCLES: Final = 1e-100  # keeps the damage of an absurd detail finite

Direction = float | Literal["none", "worst"]


@dataclass(frozen=True, kw_only=True)
class Detail:
    """A place whose damage is asked for: its stress from structural percent, and its S-N curve.

    `direction` is "none" for a place on the booms; for a place on the slewing column or the mounting the angle around
    the base [deg, 0 over the cab, clockwise], or "worst" for the angle that suffers most. `gamma_mf` is 1.0 to 1.25 by
    accessibility and consequence (EN 13001-3-1, from memory); the default is this project's choice. `allowed_sum` is the Miner
    sum that it may reach.
    """

    name: str
    mpa_per_pct: float
    curve: SnCurve
    offset_mpa: float = 0.0
    gamma_mf: float = 1.25
    direction: Direction = "none"
    allowed_sum: float = 1.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mpa_per_pct) and self.mpa_per_pct != 0 and np.isfinite(self.offset_mpa)):
            raise InvalidInput("mpa_per_pct must be a number other than 0, offset_mpa a number")
        if not 1.0 <= self.gamma_mf <= 2.0:
            raise InvalidInput("gamma_mf must lie in 1.0..2.0", field="gamma_mf")
        if not 0 < self.allowed_sum <= FAILURE_SUMS[1]:
            raise InvalidInput("allowed_sum must lie above 0 and at most at 3", field="allowed_sum")
        if isinstance(self.direction, str):
            if self.direction not in ("none", "worst"):
                raise InvalidInput('direction must be "none", "worst" or degrees', field="direction")
        elif not np.isfinite(self.direction):
            raise InvalidInput("direction must be a finite angle in degrees", field="direction")

    def range_mpa(self, range_pct: ArrayLike) -> Floats:
        """Stress range [MPa] of a range in structural percent, gamma_mf not yet in it."""
        return np.asarray(abs(self.mpa_per_pct) * np.asarray(range_pct, np.float64))


@dataclass(frozen=True, kw_only=True, eq=False)
class Damage:
    """Damage of one detail."""

    total: float  # Miner sum D, gamma_mf included
    cycles: float
    by_cell: Floats  # D of each cell, shape as the cycles it came from
    equivalent_mpa: float  # constant range that as many cycles would need for the same D, no gamma_mf in it
    phi_deg: float | None = None  # direction around the base; None for a place on the booms

    @property
    def share(self) -> Floats:
        """Part of the total that each cell makes; all 0 without damage."""
        return self.by_cell / self.total if self.total > 0 else np.zeros_like(self.by_cell)


def failure_range(total: float) -> tuple[float, float]:
    """A Miner sum over the largest and the smallest one at which failures were reported: 1 means reached."""
    return total / FAILURE_SUMS[1], total / FAILURE_SUMS[0]


def detail_of(name: str, spec: DetailSpec) -> Detail:
    """The detail that a person entered, ready to be computed with."""
    return Detail(
        name=name,
        mpa_per_pct=spec.mpa_per_pct,
        curve=curve_of(spec),
        offset_mpa=spec.offset_mpa,
        gamma_mf=spec.gamma_mf,
        direction=spec.direction,
        allowed_sum=ALLOWED_SUMS.get(spec.curve, 1.0) if spec.allowed_sum is None else spec.allowed_sum,
    )


class DirectionDamage(NamedTuple):
    """Damage around the base of the column, shape (2 * directions,): phi and phi + 180 deg mirror each other."""

    phi_deg: Floats
    total: Floats

    @property
    def worst(self) -> tuple[float, float]:
        """(direction [deg], Miner sum) that suffers most; the first one of equals."""
        index = int(np.argmax(self.total))
        return float(self.phi_deg[index]), float(self.total[index])


def miner(range_mpa: ArrayLike, counts: ArrayLike, curve: SnCurve, gamma_mf: float = 1.0) -> Floats:
    """D of each entry: counts / N(gamma_mf * range) for stress ranges [MPa] and counts of one shape."""
    size = np.asarray(range_mpa, np.float64)
    n = np.asarray(counts, np.float64)
    if size.shape != n.shape or (n < 0).any():
        raise InvalidInput("ranges and counts must have one shape and counts be 0 or more", field="counts")
    return np.asarray(n / np.maximum(curve.cycles_to_failure(gamma_mf * size), LEAST_CYCLES))


def of_cycles(detail: Detail, counted: Cycles) -> Damage:
    """Damage of a detail from cycles of structural percent (or of its component in one direction)."""
    by_cell = miner(detail.range_mpa(counted.range_pct), counted.count, detail.curve, detail.gamma_mf)
    total, n = float(by_cell.sum()), float(counted.count.sum())
    # n cycles of the range that n / D cycles exhaust make the same D
    equivalent = float(detail.curve.range_at(n / total)) / detail.gamma_mf if total > 0 else 0.0
    return Damage(total=total, cycles=n, by_cell=by_cell, equivalent_mpa=equivalent)


def of_ledger(
    detail: Detail,
    ledger: Ledger,
    rule: ResidueRule | str = ResidueRule.HALF_CYCLES,
    threshold_pct: float = 0.0,
) -> Damage:
    """Damage of a detail on the booms from the ledger of structural percent.

    Raises InvalidInput for a detail with a direction: it needs the direction ledger.
    """
    if detail.direction != "none":
        raise InvalidInput(f"{detail.name} has a direction: give its direction ledger", field="direction")
    return of_cycles(detail, cycles(ledger, rule, threshold_pct))


def by_direction(
    detail: Detail,
    counted: DirectionLedger,
    rule: ResidueRule | str = ResidueRule.HALF_CYCLES,
    threshold_pct: float = 0.0,
) -> DirectionDamage:
    """Miner sum of a detail for every direction around the base, 0 to below 360 deg.

    A range of the signed component mirrors from phi to phi + 180 deg, so the second half repeats the first.
    """
    half = np.array([of_cycles(detail, cycles(each, rule, threshold_pct)).total for each in counted.ledgers])
    return DirectionDamage(np.concatenate([counted.phi_deg, counted.phi_deg + 180.0]), np.tile(half, 2))


def of_directions(
    detail: Detail,
    counted: DirectionLedger,
    rule: ResidueRule | str = ResidueRule.HALF_CYCLES,
    threshold_pct: float = 0.0,
) -> Damage:
    """Damage of a detail on the column or mounting, at its direction or at the worst one.

    A direction between two counted ones takes the worse of them. Raises InvalidInput for direction "none".
    """
    if detail.direction == "none":
        raise InvalidInput(f"{detail.name} has no direction: give the plain ledger", field="direction")
    near: NDArray[np.intp]
    if detail.direction == "worst":
        near = np.arange(len(counted.ledgers))
    else:
        step = 180.0 / len(counted.ledgers)
        place = float(detail.direction) % 180.0 / step
        beside = np.array([np.floor(place), np.ceil(place)]).astype(np.intp)
        near = np.unique(beside % len(counted.ledgers))
    found = [of_cycles(detail, cycles(counted.ledgers[i], rule, threshold_pct)) for i in near]
    worst = int(np.argmax([damage.total for damage in found]))
    chosen = found[worst]
    return Damage(
        total=chosen.total,
        cycles=chosen.cycles,
        by_cell=chosen.by_cell,
        equivalent_mpa=chosen.equivalent_mpa,
        phi_deg=float(counted.phi_deg[near[worst]]),
    )


def largest_half(shares: ArrayLike) -> int:
    """How many of the first shares of a whole, the largest ranges first, hold half of it; all where they sum up to less."""
    sums = np.cumsum(np.asarray(shares, np.float64))
    return min(int(np.searchsorted(sums, 0.5)) + 1, sums.size)


COMPARISON: Final = Detail(
    name="comparison weld, assumed: 1 MPa per percent, EN 1993-1-9 category 71",
    mpa_per_pct=1.0,
    curve=en_1993_1_9(71.0),
)
"""Stress per percent and category are assumed, the same for every crane: its damage says nothing about any crane's welds."""
