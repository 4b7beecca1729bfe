"""Rows of a foreign table, judged one by one by the limits of ingest: what each says, or why it cannot be used."""

from collections.abc import Iterable
from collections.abc import Mapping as Names
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES, bounds, outside
from domain.errors import InvalidInput
from domain.messages import MAX_INT63, MAX_STEP_MS, EventKind, EventState
from store.columns import Floats, Ints, to_ms
from store.cranes import CraneEntry
from transfer import cells
from transfer.cells import Bad
from transfer.limits import RowLimits
from transfer.mapping import Mapping
from transfer.tables import Chunk

LONGEST_CODE: Final = 64
LONGEST_TEXT: Final = 500
COLUMNS_TOLD: Final = 50


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """Something that keeps lines of a file, or a reading of them, from being stored."""

    first_line: int
    last_line: int
    text: str

    def __str__(self) -> str:
        where = (
            f"{self.first_line}"
            if self.first_line == self.last_line
            else f"{self.first_line}-{self.last_line}"
        )
        return f"line {where}: {self.text}"


class Problems:
    """Problems of a file; one that lines share which follow one another is said once."""

    def __init__(self) -> None:
        self._ranges: list[list[int]] = []
        self._texts: list[str] = []
        self._open: dict[str, int] = {}
        self.times = 0  # each line of each problem

    def add(self, line: int, text: str) -> None:
        """A problem of one line."""
        self.times += 1
        place = self._open.get(text)
        if place is not None and self._ranges[place][1] in (line - 1, line):
            self._ranges[place][1] = line
            return
        self._open[text] = len(self._ranges)
        self._ranges.append([line, line])
        self._texts.append(text)

    def add_lines(self, first_line: int, last_line: int, text: str) -> None:
        """A problem of lines that follow one another."""
        self.add(first_line, text)
        self._ranges[self._open[text]][1] = last_line

    def listed(self) -> list[Problem]:
        """Every problem in the order of lines."""
        found = zip(self._ranges, self._texts, strict=True)
        return sorted(
            (Problem(first_line=first, last_line=last, text=text) for (first, last), text in found),
            key=lambda problem: (problem.first_line, problem.text),
        )


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Usable rows of a table in its order, by column."""

    lines: Ints
    crane_id: Ints
    at_ms: Ints
    received_ms: Ints
    boot: Ints | None  # None where the table does not say which message a row belonged to
    seq: Ints | None
    dt_ms: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    bits: Ints = field(default_factory=lambda: np.zeros(0, np.int64))  # channels of the message; 0: not said
    values: Floats = field(default_factory=lambda: np.zeros((0, 0), np.float32))  # (rows, channels)
    events: tuple[tuple[EventKind, str, EventState, str], ...] = ()

    def where(self, chosen: NDArray[Any]) -> Self:
        """The rows at some places, or of a mask."""
        places = np.flatnonzero(chosen) if chosen.dtype == np.bool_ else chosen
        fields: dict[str, Any] = {
            name: value[places] if isinstance(value, np.ndarray) and len(value) else value
            for name, value in vars(self).items()
        }
        if self.events:
            fields["events"] = tuple(self.events[place] for place in places)
        return type(self)(**fields)

    def and_then(self, later: Self) -> Self:
        """These rows and others after them."""
        fields: dict[str, Any] = {
            name: np.concatenate([value, getattr(later, name)]) if isinstance(value, np.ndarray) else value
            for name, value in vars(self).items()
        }
        return type(self)(**{**fields, "events": self.events + later.events})


@dataclass(frozen=True, kw_only=True)
class RowReader:
    """Reads chunks of one file by a mapping."""

    mapping: Mapping
    cranes: Names[str, CraneEntry]
    limits: RowLimits
    now: datetime
    problems: Problems
    refused: Problems  # readings, not lines

    def check_columns(self, names: Iterable[str]) -> None:
        """Raises InvalidInput when the mapping names a column that the file has not got, or a channel that no crane has."""
        known = {*CHANNEL_NAMES, *(one.name for entry in self.cranes.values() for one in entry.further)}
        unknown = [cells.shown(name) for name in self.mapping.channels if name not in known]
        if unknown and not self.mapping.absent_ok:
            raise InvalidInput(
                f"there is no channel {', '.join(unknown[:COLUMNS_TOLD])}; known are {', '.join(CHANNEL_NAMES)}, and what is registered with `boomledger channel add`",
                field="mapping",
            )
        have = set(names)
        absent = [name for name in self.mapping.needed() if name not in have]
        if absent:
            told = [
                ", ".join(cells.shown(name) for name in some[:COLUMNS_TOLD])
                for some in (absent, sorted(have))
            ]
            more = len(have) - COLUMNS_TOLD
            raise InvalidInput(
                f"the file has no column {told[0]}; it has {told[1]}{f' and {more} more' if more > 0 else ''}",
                field="mapping",
            )

    def read(self, chunk: Chunk) -> Rows:
        """The rows that can be used; the others are in `problems`."""
        for line, text in chunk.broken:
            self.problems.add(line, text)
        usable = np.ones(len(chunk.lines), dtype=bool)
        crane_id, registered_ms = self._cranes(chunk, usable)
        at_ms, bad = cells.times(chunk.columns[self.mapping.time.column], self.mapping.time)
        self._spoil(chunk, usable, bad)
        self._check_times(chunk, usable, at_ms, registered_ms)
        fields: dict[str, Any] = {"crane_id": crane_id, "at_ms": at_ms, **self._message(chunk, usable)}
        if self.mapping.kind == "samples":
            fields |= {"dt_ms": self._steps(chunk, usable), "values": self._values(chunk, usable, crane_id)}
        else:
            fields["events"] = self._events(chunk, usable)
        return Rows(lines=np.array(chunk.lines, dtype=np.int64), **fields).where(usable)

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels of the mapping, in the order of domain.channels, and then further ones by name."""
        asked = self.mapping.channels
        own = [name for name in CHANNEL_NAMES if name in asked]
        return (*own, *sorted(asked.keys() - set(own)))

    def _spoil(self, chunk: Chunk, usable: NDArray[np.bool_], bad: Bad, what: str = "") -> None:
        for place, text in bad.items():
            self.problems.add(chunk.lines[place], f"{what}{text}")
            usable[place] = False

    def _cranes(self, chunk: Chunk, usable: NDArray[np.bool_]) -> tuple[Ints, Ints]:
        rule = self.mapping.crane
        given = [rule.name] * len(chunk.lines) if rule.column is None else chunk.columns[rule.column]
        names = [rule.names.get(name, name) for name in map(str, given)]
        unknown = {
            place: f"crane {name[:LONGEST_CODE]} is not registered: `boomledger crane add` does that"
            for place, name in enumerate(names)
            if name not in self.cranes
        }
        self._spoil(chunk, usable, unknown)
        entries = [self.cranes.get(name) for name in names]
        ids = [0 if entry is None else entry.crane_id for entry in entries]
        registered = {entry: to_ms(entry.registered_at) for entry in set(entries) if entry is not None}
        starts = [0 if entry is None else registered[entry] for entry in entries]
        return np.array(ids, dtype=np.int64), np.array(starts, dtype=np.int64)

    def _check_times(self, chunk: Chunk, usable: NDArray[np.bool_], at_ms: Ints, registered_ms: Ints) -> None:
        latest = to_ms(self.now + self.limits.clock_skew)
        early = {
            int(place): "lies before the crane was registered: set its `registered_at` earlier"
            for place in np.flatnonzero(usable & (at_ms < registered_ms))
        }
        late = {int(place): "lies in the future" for place in np.flatnonzero(usable & (at_ms > latest))}
        self._spoil(chunk, usable, early | late)

    def _message(self, chunk: Chunk, usable: NDArray[np.bool_]) -> dict[str, Any]:
        rule, n = self.mapping.message, len(chunk.lines)
        found: dict[str, Any] = {"boot": None, "seq": None, "received_ms": np.full(n, to_ms(self.now))}
        if rule is None:
            return found
        for name in ("boot", "seq"):
            found[name], bad = cells.integers(chunk.columns[getattr(rule, name)], low=0, high=MAX_INT63)
            self._spoil(chunk, usable, bad, f"{name} ")
        if rule.received_at is not None:
            found["received_ms"], bad = cells.times(chunk.columns[rule.received_at], self.mapping.time)
            self._spoil(chunk, usable, bad, "received_at: ")
        if rule.channels is not None:
            high = 2 ** len(CHANNEL_NAMES) - 1
            found["bits"], bad = cells.integers(chunk.columns[rule.channels], low=0, high=high)
            self._spoil(chunk, usable, bad, "channels ")
        return found

    def _steps(self, chunk: Chunk, usable: NDArray[np.bool_]) -> Ints:
        rule = self.mapping.step
        assert rule is not None
        if rule.column is None:
            return np.full(len(chunk.lines), rule.ms, dtype=np.int64)
        steps, bad = cells.integers(chunk.columns[rule.column], low=1, high=MAX_STEP_MS)
        self._spoil(chunk, usable, bad, "step ")
        return steps

    def _values(self, chunk: Chunk, usable: NDArray[np.bool_], crane_id: Ints) -> Floats:
        values = np.full((len(chunk.lines), len(self.channels)), np.nan, dtype=np.float32)
        for place, name in enumerate(self.channels):
            column = self.mapping.channels[name]
            if column.column not in chunk.columns:
                continue
            read, bad = cells.numbers(
                chunk.columns[column.column],
                missing=self.mapping.missing,
                decimal=self.mapping.decimal,
                words=column.values,
            )
            self._spoil(chunk, usable, bad, f"{name}: ")
            factor, offset = self.mapping.factors(name)
            with np.errstate(over="ignore"):  # infinite is out of range
                readings = (read * factor + offset).astype(np.float32)
            values[:, place] = readings
        entries = {entry.crane_id: entry for entry in self.cranes.values()}
        for one in np.unique(crane_id[usable]).tolist():
            of_crane = crane_id == one
            self._check_further(chunk, usable, values, of_crane, entries[one])
            self._tell_refused(chunk, usable & of_crane, values, entries[one])
        return values

    def _check_further(
        self,
        chunk: Chunk,
        usable: NDArray[np.bool_],
        values: Floats,
        of_crane: NDArray[np.bool_],
        entry: CraneEntry,
    ) -> None:
        """Readings of a channel that is not registered for their crane are none."""
        registered = {one.name for one in entry.further}
        for place, name in enumerate(self.channels):
            if name not in CHANNEL_BY_NAME and name not in registered:
                read = np.flatnonzero(of_crane & ~np.isnan(values[:, place])).tolist()
                text = f"{name} is no channel of its crane: register it (`boomledger channel add`), or leave it out"
                self._spoil(chunk, usable, dict.fromkeys(read, text))

    def _tell_refused(
        self, chunk: Chunk, usable: NDArray[np.bool_], values: Floats, entry: CraneEntry
    ) -> None:
        """Readings out of range; they are taken out of the segments that the rows make."""
        ranges = entry.ranges(self.limits.ranges)
        low, high = bounds(
            self.channels, {name: ranges.get(name, (-np.inf, np.inf)) for name in self.channels}
        )
        for row, place in zip(*np.nonzero(outside(values, low.T, high.T) & usable[:, None]), strict=True):
            span = f"{low[place, 0]:g} to {high[place, 0]:g}"
            text = f"{self.channels[place]}: {values[row, place]:g} is not in {span}: stored as missing"
            self.refused.add(chunk.lines[row], text)

    def _events(
        self, chunk: Chunk, usable: NDArray[np.bool_]
    ) -> tuple[tuple[EventKind, str, EventState, str], ...]:
        rule = self.mapping.events
        assert rule is not None
        n = len(chunk.lines)
        given = [
            [""] * n if name is None else ["" if cell is None else str(cell) for cell in chunk.columns[name]]
            for name in (rule.kind, rule.code, rule.state, rule.text)
        ]
        found, bad = [], {}
        for place, (kind, code, state, text) in enumerate(zip(*given, strict=True)):
            try:
                found.append(
                    (
                        EventKind(rule.kinds.get(kind, kind)),
                        _text(code, LONGEST_CODE),
                        EventState(rule.states.get(state, state) or EventState.RAISED),
                        _text(text, LONGEST_TEXT),
                    )
                )
            except ValueError as problem:
                bad[place] = str(problem)
                found.append((EventKind.FAULT, "", EventState.RAISED, ""))
        self._spoil(chunk, usable, bad)
        return tuple(found)


def _text(text: str, longest: int) -> str:
    if len(text) > longest or "\0" in text:
        raise ValueError(f"{text[:40]!r} is longer than {longest} characters or holds a NUL")
    return text
