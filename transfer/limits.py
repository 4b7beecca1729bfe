"""What a row of a file may say at most, the same as a message; and how large a table may be."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final, Protocol

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


@dataclass(frozen=True, kw_only=True, slots=True)
class TableLimits:
    """How large a table may be that is read: common practice, no source; far above what cranes record in a file."""

    rows: int = 5_000_000
    columns: int = 2_000
    cell_chars: int = 10_000
    line_chars: int = 1_000_000  # of one record of a CSV, over however many lines it goes
    unfolded_bytes: int = (
        2_000_000_000  # of the columns that are read, as arrays in memory, one batch after the other
    )


ON_SERVER: Final = TableLimits(rows=10**12, unfolded_bytes=10**15)
"""Who has the command line may take in as much as there is room for."""
