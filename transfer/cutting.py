"""Rows of a table into segments: back into the messages they came in, or, where that is not known, by time.

A cut by time depends on nothing but crane, time and step, so the same samples always make the same segments with the
same keys, whatever file they come in and however often.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.messages import MAX_SPAN_MS
from store.columns import Ints, Segment, boot_of
from transfer.rows import Problems, Rows

SEGMENT_SAMPLES: Final = 600


@dataclass(frozen=True, slots=True)
class Cut:
    """A segment and the lines that it came from."""

    segment: Segment
    first_line: int
    last_line: int


@dataclass(kw_only=True)
class Cutter:
    """Cuts rows as they come, of several cranes in any mixture; each crane's rows in order of time."""

    channels: tuple[str, ...]  # columns of `values`
    names: Mapping[int, str]  # crane_id -> name
    most_samples: int
    problems: Problems
    empty_rows: int = 0  # without any reading
    _waiting: dict[int, Rows] = field(default_factory=dict)

    def push(self, rows: Rows) -> Iterator[Cut]:
        """Segments that are complete with these rows."""
        for crane_id in np.unique(rows.crane_id).tolist():
            part = rows.where(rows.crane_id == crane_id)
            if crane_id in self._waiting:
                part = self._waiting.pop(crane_id).and_then(part)
            if part.boot is None:
                part = self._in_order(part)
            starts = _starts(part)
            last = int(starts[-1])
            yield from self._cut(part, starts)
            self._waiting[crane_id] = part.where(np.arange(last, len(part.lines)))

    def finish(self) -> Iterator[Cut]:
        """What is left at the end of the file."""
        for part in self._waiting.values():
            yield from self._cut(part, np.append(_starts(part), len(part.lines)))
        self._waiting.clear()

    def _in_order(self, part: Rows) -> Rows:
        before = np.maximum.accumulate(part.at_ms)[:-1]
        late = np.append(False, part.at_ms[1:] <= before)
        for line in part.lines[late].tolist():
            self.problems.add(line, "not later than the row of this crane before it: sort the file by time")
        return part.where(~late)

    def _cut(self, part: Rows, starts: Ints) -> Iterator[Cut]:
        for first, past in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            group = part.where(np.arange(first, past))
            if group.boot is not None:
                group = self._evenly_spaced(group)
            cut = self._segment(group)
            if cut is not None:
                yield cut

    def _evenly_spaced(self, group: Rows) -> Rows:
        """Rows of one message up to the first that does not follow at its step."""
        n, dt_ms = len(group.lines), int(group.dt_ms[0])
        follows = (group.at_ms == group.at_ms[0] + np.arange(n) * dt_ms) & (group.dt_ms == dt_ms)
        follows &= (group.bits == group.bits[0]) if len(group.bits) else True
        follows = np.logical_and.accumulate(follows)
        follows &= np.arange(n) < min(self.most_samples, MAX_SPAN_MS // dt_ms)
        for line in group.lines[~follows].tolist():
            self.problems.add(line, "does not follow at the step of its message, or the message is too long")
        return group.where(follows)

    def _segment(self, group: Rows) -> Cut | None:
        given = ~np.isnan(group.values).all(axis=0)
        given = np.atleast_1d(given)
        bits = int(group.bits[0]) if len(group.bits) else 0
        channels = tuple(
            name
            for name, present in zip(self.channels, given, strict=True)
            if present or (name in CHANNEL_BY_NAME and bits >> CHANNEL_NAMES.index(name) & 1)
        )
        if not channels:
            self.empty_rows += len(group.lines)
            return None
        crane_id, t0_ms = int(group.crane_id[0]), int(group.at_ms[0])
        chosen = [self.channels.index(name) for name in channels]
        segment = Segment(
            crane_id=crane_id,
            t0_ms=t0_ms,
            boot=boot_of("import", self.names[crane_id], t0_ms) if group.boot is None else int(group.boot[0]),
            seq=0 if group.seq is None else int(group.seq[0]),
            dt_ms=int(group.dt_ms[0]),
            channels=channels,
            values=np.ascontiguousarray(group.values[:, chosen].T),
            received_ms=int(group.received_ms[0]),
        )
        return Cut(segment, int(group.lines[0]), int(group.lines[-1]))


def _starts(part: Rows) -> Ints:
    """Places where a segment begins."""
    if part.boot is not None and part.seq is not None:
        change = (np.diff(part.boot) != 0) | (np.diff(part.seq) != 0)
    else:
        # A hole, another step, or the next window: windows lie on a fixed grid of time.
        window = part.at_ms // (np.minimum(SEGMENT_SAMPLES, MAX_SPAN_MS // part.dt_ms) * part.dt_ms)
        change = (
            (np.diff(part.at_ms) != part.dt_ms[:-1]) | (np.diff(part.dt_ms) != 0) | (np.diff(window) != 0)
        )
    return np.flatnonzero(np.append(True, change))
