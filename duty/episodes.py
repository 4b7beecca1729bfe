"""Faults from raised to cleared, paired from events in time order."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Episode:
    """One fault of one code. Raised again while open is the same episode; `cleared_at` None: still open."""

    code: str
    raised_at: datetime
    cleared_at: datetime | None = None
    raised_times: int = 1
    text: str = ""


def pair(events: Iterable[tuple[datetime, str, bool, str]]) -> list[Episode]:
    """Episodes from (at, code, raised, text) in time order; in order of raising.

    A code that is cleared without having been raised leaves no episode: it was raised before the record began.
    """
    found: list[Episode] = []
    open_at: dict[str, int] = {}
    for at, code, raised, text in events:
        place = open_at.get(code)
        if raised and place is None:
            open_at[code] = len(found)
            found.append(Episode(code=code, raised_at=at, text=text))
        elif raised and place is not None:
            found[place] = replace(found[place], raised_times=found[place].raised_times + 1)
        elif place is not None:
            found[open_at.pop(code)] = replace(found[place], cleared_at=at)
    return found
