"""What a message may be at most; beyond it goes to quarantine, and a reading out of its range is stored as missing."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from domain.channels import bounds, physical_ranges
from domain.further_channel import FurtherRange
from domain.messages import MAX_SAMPLES

BOUNDS_REMEMBERED: Final = 1000


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """Limits on what comes in. All can be set."""

    message_bytes: int = 1_000_000
    samples: int = MAX_SAMPLES  # longest list in a samples message
    clock_skew: timedelta = timedelta(minutes=5)  # how far ahead of our clock a message may lie
    draft_unknown_cranes: bool = False  # else their messages go to quarantine
    draft_history: timedelta = timedelta(days=366)  # how old the data of a drafted crane may be
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=physical_ranges)
    quarantine_rows: int = 100_000
    quarantine_bytes: int = 1_000_000_000
    quarantine_age: timedelta | None = None  # since a message came last; None: no bound
    refused_messages: int = 1000  # of a crane, kept as they came because of readings out of range
    refused_bytes: int = 10_000_000  # likewise
    _bounds: dict[Any, tuple[NDArray[np.float32], NDArray[np.float32]]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def bounds(
        self, channels: tuple[str, ...], further: tuple[FurtherRange, ...] = ()
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Smallest and largest reading of some channels, each (channels, 1). further: channels of the crane beside the known ones."""
        found = self._bounds.get((channels, further))
        if found is None:
            if len(self._bounds) >= BOUNDS_REMEMBERED:
                self._bounds.clear()
            of_further = {one.name: (one.low, one.high) for one in further}
            found = self._bounds[channels, further] = bounds(channels, {**of_further, **self.ranges})
        return found
