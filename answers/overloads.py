"""The overload register: lifts above 100 % structural, and what was decided about each."""

from typing import Any

from psycopg import AsyncConnection

from domain.overload import OverloadRow, OverloadState
from store import overloads
from store.overloads import OverloadListing


async def register_of(conn: AsyncConnection[Any], *, rows: int, **of: Any) -> list[OverloadRow]:
    """At most so many entries of the register, open ones first and newest first; `of` of `store.overloads.overloads`."""
    found: list[OverloadListing] = []
    for is_open in (True, False):
        if of.get("is_open") in (None, is_open):
            found += await overloads.overloads(conn, rows=rows, **{**of, "is_open": is_open})
    return [as_row(one) for one in found[:rows]]


def as_row(listing: OverloadListing) -> OverloadRow:
    """An entry for an answer."""
    figures = {name: getattr(listing, name) for name in OverloadRow.model_fields if hasattr(listing, name)}
    return OverloadRow(**figures, state=OverloadState.OPEN if listing.open else OverloadState.DECIDED)
