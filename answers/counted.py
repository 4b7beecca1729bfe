"""Counted spans as one: their cycles, their tallies, their cycles by direction; arrays as rows of an answer."""

from collections.abc import Sequence
from functools import reduce
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from domain.answers import Answer, Beyond
from domain.remark import count, significant
from duty import directions, ledger, levels, reading
from duty.directions import DirectionLedger
from duty.edges import DEFAULT_EDGES
from duty.ledger import Ledger
from duty.levels import Tallies
from store.duty import Span
from words.remarks import remark

Row = TypeVar("Row", bound=Answer)


def merged_ledger(spans: Sequence[Span]) -> Ledger:
    """One ledger out of spans in time order."""
    parts = [ledger.from_bytes(span.ledger) for span in spans]
    return ledger.merge_all(parts) if len(parts) > 1 else parts[0] if parts else ledger.empty(DEFAULT_EDGES)


def merged_tallies(spans: Sequence[Span]) -> Tallies:
    """One set of tallies out of spans."""
    return reduce(levels.merge, (levels.from_bytes(span.tallies) for span in spans), levels.empty())


def merged_directions(spans: Sequence[Span]) -> DirectionLedger | None:
    """The direction ledgers of spans in time order as one; None where none was read or counted."""
    parts = [span.directions for span in spans if span.directions is not None]
    return directions.merge_all([directions.from_bytes(part) for part in parts]) if parts else None


def beyond_answer(ledgers: Sequence[Ledger]) -> Beyond | None:
    """Readings that no class of ledgers of the same samples reaches, with what that does to the figures."""
    found = reading.beyond(ledgers)
    if found is None:
        return None
    return Beyond(
        **found._asdict(),
        remark=remark(
            "readings.beyond",
            count=count(found.below + found.above),
            low=significant(found.from_pct),
            high=significant(found.to_pct, "%"),
        ),
    )


def rows_of(kind: type[Row], **columns: ArrayLike) -> tuple[Row, ...]:
    """Columns of one length, by the fields of an answer, as its rows."""
    rows = zip(*(np.asarray(column).tolist() for column in columns.values()), strict=True)
    return tuple(kind(**dict(zip(columns, row, strict=True))) for row in rows)
