"""What a row of a file may say at most: the same as a message."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Protocol

from domain.channels import physical_ranges
from domain.messages import MAX_SAMPLES


class RowLimits(Protocol):
    """The limits of ingest that concern rows of a file."""

    @property
    def samples(self) -> int:
        """Longest message."""

    @property
    def clock_skew(self) -> timedelta:
        """How far ahead of our clock a row may lie."""

    @property
    def ranges(self) -> Mapping[str, tuple[float, float]]:
        """Smallest and largest reading by channel."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FileLimits:
    """The same where no ingest is around; the defaults are those of ingest."""

    samples: int = MAX_SAMPLES
    clock_skew: timedelta = timedelta(minutes=5)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=physical_ranges)
