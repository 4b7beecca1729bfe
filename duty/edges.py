"""Class edges: how a percent becomes a class index, the same for every part of a history.

    x     = (value - low_pct) / width_pct                          in widths of the equal classes
    class = floor(x) + wide_below                                  where 0 <= x < classes
    class = floor(x / wide) + wide_below                           below, and likewise above: `wide` widths to a class

kept inside 0 .. size - 1, in double precision. The edges are fixed and travel with every ledger. Edges fitted to the
data of each part would give every part its own classes, and no two parts could be merged exactly.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.errors import InvalidInput

MOST_CLASSES: Final = 1024  # a full grid of counts then takes 4 MB


@dataclass(frozen=True, slots=True)
class Edges:
    """Equal classes between two limits, and wider ones outside. Class k holds edges_pct[k] <= value < edges_pct[k + 1].

    A value below the first edge is counted in the first class, a value at or above the last edge in the last one; the
    ledger tells how many samples were clamped that way.

    low_pct, high_pct: limits of the equal classes [%], finite, low_pct < high_pct.
    classes: number of equal classes, at least 2.
    wide_below, wide_above: number of wider classes below low_pct and above high_pct, 0 or more.
    wide: how many equal classes are as wide as one of these, at least 1.
    Raises InvalidInput otherwise, and for more than 1024 classes in all.
    """

    low_pct: float
    high_pct: float
    classes: int
    wide_below: int = 0
    wide_above: int = 0
    wide: int = 4

    def __post_init__(self) -> None:
        if not (
            math.isfinite(self.low_pct) and math.isfinite(self.high_pct) and self.low_pct < self.high_pct
        ):
            raise InvalidInput(
                f"edges from {self.low_pct} to {self.high_pct} %: give two finite limits, the lower one first",
                field="edges",
            )
        if self.classes < 2 or self.size > MOST_CLASSES:
            raise InvalidInput(
                f"{self.classes} classes, {self.size} in all: give 2 to {MOST_CLASSES}", field="classes"
            )
        if min(self.wide_below, self.wide_above) < 0 or self.wide < 1:
            raise InvalidInput(
                "the number of wider classes must be 0 or more and their width 1 or more", field="wide"
            )

    @property
    def size(self) -> int:
        """Number of classes in all."""
        return self.wide_below + self.classes + self.wide_above

    @property
    def width_pct(self) -> float:
        """Width of an equal class [%]: also the largest error of a range between two of them."""
        return (self.high_pct - self.low_pct) / self.classes

    @property
    def wide_pct(self) -> float:
        """Width of a wider class [%]."""
        return self.wide * self.width_pct

    @property
    def edges_pct(self) -> NDArray[np.float64]:
        """The size + 1 edges [%], rising."""
        outside = self.classes + self.wide * np.arange(1, self.wide_above + 1)
        steps = np.concatenate(
            (-self.wide * np.arange(self.wide_below, 0, -1), np.arange(self.classes + 1), outside)
        )
        return self.low_pct + self.width_pct * steps.astype(np.float64)

    @property
    def middle_steps(self) -> NDArray[np.int64]:
        """The middle of each class in halves of width_pct from low_pct: whole numbers, so distances are exact."""
        below = -self.wide * (2 * np.arange(self.wide_below, 0, -1) - 1)
        above = 2 * self.classes + self.wide * (2 * np.arange(self.wide_above) + 1)
        return np.concatenate((below, 2 * np.arange(self.classes) + 1, above)).astype(np.int64)

    @property
    def centres_pct(self) -> NDArray[np.float64]:
        """The middle of each class [%]: the value that a class stands for when a ledger is read."""
        return self.low_pct + self.width_pct * (self.middle_steps / 2.0)

    @property
    def scale(self) -> tuple[float, float, float, float, float, float]:
        """What the kernels need: low_pct, width_pct, equal classes, classes below, 1 / wide, classes in all."""
        share = 1.0 / self.wide if self.wide_below or self.wide_above else 1.0
        return (
            float(self.low_pct),
            self.width_pct,
            float(self.classes),
            float(self.wide_below),
            share,
            float(self.size),
        )


# Both reach farther than any percent that the wire takes (-20 to 400 % of a limit of up to 150 %), so nothing is clamped
# that came as a message: below 0 and up to 150 % as fine as a range is read, above that four times as wide.
DEFAULT_EDGES: Final = Edges(-37.5, 150.0, 320, wide_above=194)
DIRECTION_EDGES: Final = Edges(-150.0, 150.0, 256, wide_below=97, wide_above=97)
