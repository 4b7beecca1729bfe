"""How long cranes would last if their work changed: recomputed from lifts by week and from the ledger of cycles.

    giver      weekly use = duty_factor * (all lifts - moved)
    receiver   weekly use = its own + duty_factor * moved, each lift at the percent that it makes there

A lift's load moment is taken as the same at either crane, so its structural percent goes with the full ratings:
percent there = percent here * rated moment here / rated moment there, and its part of kQ with the cube of that. A lift over
100 % there is not moved. The moment of the booms, which differs, is in neither: that is an estimate. What was done
stays done; f1 of each crane stays its own.
"""

from dataclasses import dataclass

import numpy as np

from domain.errors import InvalidInput
from duty.damage import Detail, of_cycles
from duty.geometry import Floats
from duty.reading import Cycles


@dataclass(frozen=True, kw_only=True)
class Change:
    """duty_factor: times the work of now. heavy_from_pct: peak from which lifts are moved. moved_share: of these, 0..1."""

    duty_factor: float = 1.0
    heavy_from_pct: float = np.inf
    moved_share: float = 0.0
    rating_ratio: float = 1.0  # rated moment of the giver over that of the receiver

    def __post_init__(self) -> None:
        if not (self.duty_factor > 0 and 0 <= self.moved_share <= 1 and self.rating_ratio > 0):
            raise InvalidInput(
                "duty_factor and rating_ratio must be above 0, moved_share in 0..1", field="duty_factor"
            )

    @property
    def heaviest_pct(self) -> float:
        """Largest peak here that the other crane can take [% here]."""
        return 100.0 / self.rating_ratio

    @property
    def cube_ratio(self) -> float:
        """What a moved lift adds to C * kQ at the receiver, over what it added at the giver."""
        return self.rating_ratio**3


def giver_weeks(weekly: Floats, moved: Floats, change: Change) -> Floats:
    """Weekly use of the crane that gives lifts away; `moved`: the use of its movable lifts in the same weeks.

    Weeks that are not known (NaN) stay so.
    """
    given = change.moved_share * np.nan_to_num(moved) if moved.size else 0.0
    return np.asarray(change.duty_factor * np.maximum(weekly - given, 0.0))


def receiver_weeks(weekly: Floats, moved: Floats, change: Change) -> Floats:
    """Weekly use of the crane that gets them; `moved`: their use there at full share, in weeks of the giver's record.

    The giver's weeks are laid beside the receiver's last ones, and repeat where its record is shorter; those that are not
    known (NaN) are left out.
    """
    moved = moved[~np.isnan(moved)]
    if moved.size == 0:
        return weekly
    known = ~np.isnan(weekly)
    beside = np.zeros(weekly.size)
    beside[known] = np.resize(moved[::-1], int(known.sum()))[::-1]
    return np.asarray(weekly + change.duty_factor * change.moved_share * beside)


def movable(counted: Cycles, change: Change) -> Cycles:
    """Cycles whose upper turning point is that of a lift that would be moved."""
    chosen = (counted.high_pct >= change.heavy_from_pct) & (counted.high_pct <= change.heaviest_pct)
    return Cycles(counted.low_pct[chosen], counted.high_pct[chosen], counted.count[chosen])


def giver_damage(detail: Detail, counted: Cycles, change: Change) -> float:
    """Miner sum of the giver's detail over the same time under the change."""
    kept = of_cycles(detail, counted).total
    return change.duty_factor * (
        kept - change.moved_share * of_cycles(detail, movable(counted, change)).total
    )


def moved_damage(detail: Detail, counted: Cycles, change: Change) -> float:
    """Miner sum that the moved cycles of the giver would add to a detail of the receiver."""
    moved = movable(counted, change)
    there = Cycles(moved.low_pct * change.rating_ratio, moved.high_pct * change.rating_ratio, moved.count)
    return change.duty_factor * change.moved_share * of_cycles(detail, there).total
