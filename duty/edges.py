"""Class edges: how a percent becomes a class index, the same for every part of a history.

    class = floor((value - low_pct) / width_pct), kept inside 0 .. classes - 1, in double precision

The edges are fixed and travel with every ledger. Edges fitted to the data of each part would give every part
its own classes, and no two parts could be merged exactly.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.errors import InvalidInput

MOST_CLASSES: Final = 1024  # a full grid of counts then takes 8 MB


@dataclass(frozen=True, slots=True)
class Edges:
    """Equal classes between two limits. Class k holds edges_pct[k] <= value < edges_pct[k + 1].

    A value below low_pct is counted in the first class, a value at or above high_pct in the last one; the ledger
    tells how many samples were clamped that way.

    low_pct, high_pct: limits [%], finite, low_pct < high_pct.
    classes: number of classes, 2 to 1024.
    Raises InvalidInput otherwise.
    """

    low_pct: float
    high_pct: float
    classes: int

    def __post_init__(self) -> None:
        if not (
            math.isfinite(self.low_pct) and math.isfinite(self.high_pct) and self.low_pct < self.high_pct
        ):
            raise InvalidInput(
                f"edges from {self.low_pct} to {self.high_pct} %: give two finite limits, the lower one first",
                field="edges",
            )
        if not 2 <= self.classes <= MOST_CLASSES:
            raise InvalidInput(f"{self.classes} classes: give 2 to {MOST_CLASSES}", field="classes")

    @property
    def width_pct(self) -> float:
        """Width of one class [%]: also the largest error of a range that is read from a ledger."""
        return (self.high_pct - self.low_pct) / self.classes

    @property
    def edges_pct(self) -> NDArray[np.float64]:
        """The classes + 1 edges [%], rising."""
        return self.low_pct + self.width_pct * np.arange(self.classes + 1, dtype=np.float64)

    @property
    def centres_pct(self) -> NDArray[np.float64]:
        """The middle of each class [%]: the value that a class stands for when a ledger is read."""
        return self.low_pct + self.width_pct * (np.arange(self.classes, dtype=np.float64) + 0.5)


DEFAULT_EDGES: Final = Edges(0.0, 150.0, 256)
DIRECTION_EDGES: Final = Edges(-150.0, 150.0, 256)
