"""Import of samples and events from CSV and Parquet, under the limits that hold for messages.

Keys are those in the table, or follow from crane and time: what is imported twice counts once.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from collections.abc import Mapping as Names
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from psycopg import Connection

from domain.channels import bounds
from domain.further_channel import NAME
from store import cranes, events, refused, segments, touched
from store.columns import Ints, Key, Segment, boot_of, from_ms
from store.cranes import CraneEntry
from store.events import Event
from store.refused import Refused, take_out
from transfer.cutting import Cut, Cutter
from transfer.limits import ON_SERVER, RowLimits, TableLimits
from transfer.mapping import OWN_EVENTS, OWN_SAMPLES, ChannelColumn, Mapping
from transfer.rows import Problem, Problems, RowReader, Rows
from transfer.tables import chunks, column_names

BATCH: Final = 500
Ranges = Names[str, tuple[float, float]]
OTHER_CONTENTS: Final = "other contents are stored under this key; they stay"


@dataclass(kw_only=True, slots=True)
class Extent:
    """Rows of one crane in a file."""

    rows: int = 0
    first_ms: int
    last_ms: int

    def widen(self, at_ms: Ints) -> None:
        """Take in more rows."""
        self.rows += len(at_ms)
        self.first_ms = min(self.first_ms, int(at_ms.min()))
        self.last_ms = max(self.last_ms, int(at_ms.max()))


@dataclass(kw_only=True)
class Imported:
    """What an import of one file came to, or would come to."""

    rows: int = 0  # of the file that could be used
    empty_rows: int = 0
    new: int = 0  # segments or events
    known: int = 0
    samples: int = 0  # new
    cranes: dict[str, Extent] = field(default_factory=dict)  # usable rows by name of their crane
    problems: tuple[Problem, ...] = ()
    refused: tuple[Problem, ...] = ()  # readings out of range: their lines are stored without them
    refused_readings: int = 0
    stored: bool = False  # False after a dry run, and when problems kept the whole file out


@dataclass(kw_only=True)
class _Run:
    """One pass over one file; without a connection it only looks for problems."""

    conn: Connection[Any] | None
    dry_run: bool
    ranges: dict[int, Ranges]  # by crane
    names: dict[int, str]
    zones: dict[int, ZoneInfo]
    problems: Problems = field(default_factory=Problems)
    refused: Problems = field(default_factory=Problems)
    done: Imported = field(default_factory=Imported)


def own_mapping(file: Path, limits: TableLimits = ON_SERVER) -> Mapping:
    """The mapping of files that `boomledger export` wrote: events when there is a column `kind`; other columns are further channels."""
    names = column_names(file, OWN_SAMPLES, limits)
    if "kind" in names:
        return OWN_EVENTS
    further = [name for name in names if re.fullmatch(NAME, name) and name not in OWN_SAMPLES.columns()]
    columns = {name: ChannelColumn(column=name) for name in further}
    return OWN_SAMPLES.model_copy(update={"channels": {**OWN_SAMPLES.channels, **columns}})


def import_file(
    conn: Connection[Any],
    file: Path,
    mapping: Mapping,
    limits: RowLimits,
    *,
    dry_run: bool = False,
    skip_bad: bool = False,
    sites: Sequence[str] | None = None,
    now: datetime | None = None,
    table: TableLimits = ON_SERVER,
    on_pass: Callable[[bool], object] = lambda storing: None,
    on_rows: Callable[[int], object] = lambda rows: None,
) -> Imported:
    """Store a file in batches; `conn` is in autocommit mode.

    A file with problems is not stored at all unless `skip_bad`: then its good rows are. A dry run does everything and
    undoes each batch, so it also tells what is stored already, and under which keys other contents are. With `sites` only
    their cranes are known. `on_pass` is told each pass over the file, and whether it stores. Raises InvalidInput when the
    file or the mapping cannot be used at all, or when the file is larger than `table` allows.
    """
    directory = cranes.directory(conn, sites)
    now = now or datetime.now(UTC)

    def one_pass(on: Connection[Any] | None) -> Imported:
        run = _Run(
            conn=on,
            dry_run=dry_run,
            ranges={entry.crane_id: entry.ranges(limits.ranges) for entry in directory.values()},
            names={entry.crane_id: name for name, entry in directory.items()},
            zones={entry.crane_id: entry.zone for entry in directory.values()},
        )
        on_pass(on is not None and not dry_run)
        _pass(run, file, mapping, directory, limits, now, table, on_rows)
        run.done.problems = tuple(run.problems.listed())
        run.done.refused = tuple(run.refused.listed())
        run.done.refused_readings = run.refused.times
        return run.done

    if not dry_run and not skip_bad:
        looked = one_pass(None)
        if looked.problems:
            return looked
    segments.prepare(conn)
    events.prepare(conn)
    done = one_pass(conn)
    done.stored = not dry_run
    return done


def _pass(
    run: _Run,
    file: Path,
    mapping: Mapping,
    directory: dict[str, CraneEntry],
    limits: RowLimits,
    now: datetime,
    table: TableLimits,
    on_rows: Callable[[int], object],
) -> None:
    reader = RowReader(
        mapping=mapping, cranes=directory, limits=limits, now=now, problems=run.problems, refused=run.refused
    )
    cutter = Cutter(
        channels=reader.channels, names=run.names, most_samples=limits.samples, problems=run.problems
    )
    reader.check_columns(column_names(file, mapping, table))
    waiting: list[Cut] = []
    for chunk in chunks(file, mapping, table):
        rows = reader.read(chunk)
        run.done.rows += len(rows.lines)
        _note_extents(run, rows)
        if mapping.kind == "events":
            _keep_events(run, list(_events(rows, run.names)))
        elif len(rows.lines):
            waiting += cutter.push(rows)
        while len(waiting) >= BATCH:
            _keep_segments(run, waiting[:BATCH])
            del waiting[:BATCH]
        on_rows(len(chunk.lines))
    _keep_segments(run, [*waiting, *cutter.finish()])
    run.done.empty_rows = cutter.empty_rows


def _note_extents(run: _Run, rows: Rows) -> None:
    for crane_id in np.unique(rows.crane_id).tolist():
        at_ms = rows.at_ms[rows.crane_id == crane_id]
        start = Extent(first_ms=int(at_ms[0]), last_ms=int(at_ms[0]))
        run.done.cranes.setdefault(run.names[crane_id], start).widen(at_ms)


def _events(rows: Rows, names: dict[int, str]) -> Iterator[tuple[Event, int]]:
    columns = (rows.lines, rows.crane_id, rows.at_ms, rows.received_ms)
    fixed = zip(*(column.tolist() for column in columns), rows.events, strict=True)
    for place, (line, crane_id, at_ms, received_ms, (kind, code, state, text)) in enumerate(fixed):
        if rows.boot is not None and rows.seq is not None:
            boot, seq = int(rows.boot[place]), int(rows.seq[place])
        else:
            boot, seq = boot_of("import", names[crane_id], at_ms, kind, code, state, text), 0
        yield (
            Event(
                crane_id=crane_id,
                at=from_ms(at_ms),
                boot=boot,
                seq=seq,
                kind=kind,
                code=code,
                state=state,
                text=text,
                received_at=from_ms(received_ms),
            ),
            line,
        )


def _keep_events(run: _Run, found: Sequence[tuple[Event, int]]) -> None:
    once: dict[Any, tuple[Event, int]] = {}
    for event, line in found:
        if not event.same_as(once.setdefault(event.key, (event, line))[0]):
            run.problems.add(line, "another event of the file has this key")
    if run.conn is None or not once:
        return
    rows = [event for event, _ in once.values()]
    with run.conn.transaction(force_rollback=run.dry_run):
        new, differing = events.keep(run.conn, rows)
        _touch(
            run,
            [
                (row.crane_id, segments.to_ms(row.at), segments.to_ms(row.at))
                for row in rows
                if row.key in new
            ],
        )
    for key in differing:
        line = once[key][1]
        run.problems.add(line, OTHER_CONTENTS)
    run.done.new += len(new)
    run.done.known += len(rows) - len(new) - len(differing)


def _keep_segments(run: _Run, cuts: Sequence[Cut]) -> None:
    if run.conn is None:
        return
    whole = {cut.segment.key: cut for cut in cuts}
    cuts, found = _without_refused(run, cuts)
    rests: list[Cut] = []
    for cut, stored in _store(run, cuts, found):
        # What was imported before may have ended in the middle of a segment that is longer now: the rest is new.
        if stored is None or not _agree(cut.segment, stored):
            run.problems.add_lines(cut.first_line, cut.last_line, OTHER_CONTENTS)
        elif (n := stored.values.shape[1]) < cut.segment.values.shape[1]:
            rests.append(_after(whole[cut.segment.key], n, run.names[stored.crane_id]))
        else:
            run.done.known += 1
    for rest, _ in _store(run, *_without_refused(run, rests)):
        run.problems.add_lines(rest.first_line, rest.last_line, OTHER_CONTENTS)


def _without_refused(run: _Run, cuts: Sequence[Cut]) -> tuple[list[Cut], dict[Key, tuple[Refused, ...]]]:
    """The segments with readings out of range taken out, and what they were."""
    clean, found = [], {}
    for cut in cuts:
        segment, refused_here = take_out(
            cut.segment, *bounds(cut.segment.channels, run.ranges[cut.segment.crane_id])
        )
        clean.append(replace(cut, segment=segment))
        if refused_here:
            found[segment.key] = refused_here
    return clean, found


def _store(
    run: _Run, cuts: Sequence[Cut], found: dict[Key, tuple[Refused, ...]]
) -> list[tuple[Cut, Segment | None]]:
    """Keeps segments; those that are not kept because their key is stored with other contents, and with which."""
    conn = run.conn
    if conn is None or not cuts:
        return []
    by_key = {cut.segment.key: cut for cut in cuts}
    rows = [cut.segment for cut in by_key.values()]
    with conn.transaction(force_rollback=run.dry_run):
        segments.make_ranges(conn, *(from_ms(pick(row.t0_ms for row in rows)) for pick in (min, max)))
        new, differing = segments.keep(conn, rows)
        stored = {key: _stored(conn, by_key[key].segment) for key in differing}
        counted = [(by_key[key].segment, found[key]) for key in new if key in found]
        refused.keep(conn, counted, run.zones)
        _touch(run, (_extent(by_key[key].segment) for key in new))
    run.done.new += len(new)
    run.done.known += len(rows) - len(new) - len(differing)
    run.done.samples += sum(by_key[key].segment.values.shape[1] for key in new)
    return [(by_key[key], stored[key]) for key in differing]


def _stored(conn: Connection[Any], segment: Segment) -> Segment | None:
    at = from_ms(segment.t0_ms)
    found = segments.read_both_tiers(conn, segment.crane_id, at, at + timedelta(milliseconds=1))
    return next((one for one in found if one.key == segment.key), None)


def _agree(first: Segment, second: Segment) -> bool:
    """Whether two segments of one start say the same as far as both go."""
    n = min(first.values.shape[1], second.values.shape[1])
    return first.dt_ms == second.dt_ms and all(
        np.array_equal(first.readings(name)[:n], second.readings(name)[:n], equal_nan=True)
        for name in {*first.channels, *second.channels}
    )


def _after(cut: Cut, n: int, crane: str) -> Cut:
    """The samples of a segment from the n-th on, as a segment of their own."""
    whole = cut.segment
    t0_ms = whole.t0_ms + n * whole.dt_ms
    rest = replace(
        whole, t0_ms=t0_ms, boot=boot_of("import", crane, t0_ms), seq=0, values=whole.values[:, n:]
    )
    return Cut(rest, cut.first_line, cut.last_line)


def _extent(segment: Segment) -> tuple[int, int, int]:
    """(crane_id, first, last) of the samples of a segment, in milliseconds."""
    return segment.crane_id, segment.t0_ms, segment.t0_ms + (segment.values.shape[1] - 1) * segment.dt_ms


def _touch(run: _Run, extents: Iterable[tuple[int, int, int]]) -> None:
    """Queues the local days of stored data to be counted."""
    days: set[tuple[int, date]] = set()
    for crane_id, first_ms, last_ms in extents:
        days |= {(crane_id, day) for day in touched.local_days(run.zones[crane_id], first_ms, last_ms)}
    if run.conn is not None:
        touched.touch(run.conn, days)
