"""Cells of a table as arrays: numbers, whole numbers and times, with the reason for each cell that is none."""

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from store.columns import EPOCH, LAST_AT, to_ms
from transfer.mapping import EPOCH_FORMATS, TimeColumn

Bad = dict[int, str]  # place in the column -> what is wrong with the cell
LAST_MS: Final = to_ms(LAST_AT)
_NAIVE_EPOCH: Final = EPOCH.replace(tzinfo=None)
_MS: Final = timedelta(milliseconds=1)
_SHOWN: Final = 40  # characters of a cell in a problem


def numbers(
    cells: Sequence[Any],
    *,
    missing: Collection[str] = (),
    decimal: str = ".",
    words: Mapping[str, float] | None = None,
) -> tuple[NDArray[np.float64], Bad]:
    """Cells as numbers, NaN where nothing is given."""
    bad: Bad = {}
    read = np.full(len(cells), np.nan)
    for place, cell in enumerate(cells):
        if cell is None or cell in missing:
            continue
        if words and cell in words:
            read[place] = words[cell]
            continue
        try:
            read[place] = _number(cell, decimal)
        except (ValueError, TypeError, OverflowError):
            bad[place] = f"{shown(cell)} is no number"
            continue
        if not np.isfinite(read[place]):
            bad[place] = f"{shown(cell)} is not finite"
    return read, bad


def integers(cells: Sequence[Any], *, low: int, high: int) -> tuple[NDArray[np.int64], Bad]:
    """Cells as whole numbers from low to high."""
    bad: Bad = {}
    read = np.zeros(len(cells), dtype=np.int64)
    for place, cell in enumerate(cells):
        try:
            number = int(cell) if isinstance(cell, int) else int(_plain(cell))
        except (ValueError, TypeError):
            bad[place] = f"{shown(cell)} is no whole number"
            continue
        if low <= number <= high:
            read[place] = number
        else:
            bad[place] = f"{shown(cell)} is not in {low} to {high}"
    return read, bad


def times(cells: Sequence[Any], rule: TimeColumn) -> tuple[NDArray[np.int64], Bad]:
    """Cells as milliseconds since 1970, UTC; fractions of a millisecond are cut off."""
    if rule.format in EPOCH_FORMATS:
        read, bad = _since_epoch(cells, EPOCH_FORMATS[rule.format])
    else:
        read, bad = _written(cells, rule)
    return (read + rule.round_ms // 2) // rule.round_ms * rule.round_ms, bad


def _since_epoch(cells: Sequence[Any], ms: int) -> tuple[NDArray[np.int64], Bad]:
    found, bad = numbers(cells)
    found = np.clip(found, -LAST_MS - 1, LAST_MS + 1)  # further out is no time either
    for place in np.flatnonzero(np.isnan(found) | (np.abs(found * ms) > LAST_MS)).tolist():
        bad.setdefault(place, f"{shown(cells[place])} is no time")
    usable = np.where(np.isin(np.arange(len(found)), list(bad)), 0.0, found * ms)
    return np.rint(usable).astype(np.int64), bad


def _written(cells: Sequence[Any], rule: TimeColumn) -> tuple[NDArray[np.int64], Bad]:
    parse: Callable[[str], datetime] = datetime.fromisoformat
    if rule.format != "iso":
        pattern = rule.format
        parse = lambda text: datetime.strptime(text, pattern)  # noqa: DTZ007, E731  # the zone comes below
    zone = None if rule.zone is None else ZoneInfo(rule.zone)
    bad: Bad = {}
    read = np.zeros(len(cells), dtype=np.int64)
    for place, cell in enumerate(cells):
        try:
            read[place] = _instant(cell if isinstance(cell, datetime) else parse(cell), zone)
        except (ValueError, TypeError, OverflowError) as problem:
            ours = isinstance(problem, _NoInstant)
            bad[place] = str(problem) if ours else f"{shown(cell)} is no time of the form {rule.format}"
    return read, bad


class _NoInstant(ValueError):
    """A time of the clock that is no instant, with the reason."""


def _instant(moment: datetime, zone: ZoneInfo | None) -> int:
    if moment.tzinfo is not None:
        return to_ms(moment)
    if zone is None:
        raise _NoInstant(f"{moment.isoformat()} has no offset: name the `zone` in the mapping")
    local = (moment - _NAIVE_EPOCH) // _MS
    offset = _offset_ms(zone, local // 900_000)
    if offset is None:
        raise _NoInstant(
            f"{moment.isoformat()} is twice or never on the clock of {zone.key}: write it with its offset"
        )
    return local - offset


@lru_cache(maxsize=10_000)
def _offset_ms(zone: ZoneInfo, quarter: int) -> int | None:
    """Offset during a quarter of an hour of the local clock; None where the clock shows it twice or never."""
    local = (_NAIVE_EPOCH + timedelta(minutes=15 * quarter)).replace(tzinfo=zone)
    offsets = {local.replace(fold=fold).utcoffset() for fold in (0, 1)}
    offset = offsets.pop()
    return None if offsets or offset is None else offset // _MS


def _number(cell: Any, decimal: str) -> float:
    if not isinstance(cell, str):
        return float(cell)
    text = _plain(cell)
    if decimal != ".":
        if "." in text:
            raise ValueError(text)
        text = text.replace(decimal, ".")
    return float(text)


def _plain(cell: str) -> str:
    """Python reads 1_000 as a number; a table that says so means something else."""
    if "_" in cell:
        raise ValueError(cell)
    return cell


def shown(cell: object) -> str:
    """A cell as it is told in a problem: the beginning of a long one."""
    text = repr(cell)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"
