"""Lifts (working cycles) found from the load on the hook, without knowing attachment or zero, wherever the record is cut.

Where the pose is known, a sample gives the load on the hook in kg; an attachment is a constant in it. Where it is not,
the load is utilisation in percent. Either way a sample says no more than an interval: the load and a tolerance on both
sides, in the mean of a second. The seconds of one cell of `cell_ms`, aligned to UTC, give one interval, from their least
low end to their largest high end. Then one level follows the cells, moved by each only as far as its interval asks:

    level = min(max(level, low), high), before the record 0 kg, or the 33 % that booms alone may cause far out

A lift is a rise of the level followed by a fall. What hung on the hook in the valley before or in the one after it, the
heavier of both, is the empty hook: the lift lasts from the first rise above it to the first fall to an interval that holds
it. So no error within the tolerance makes a lift, an attachment that is put on or taken off is no load of the lift after or
before it, and a pallet set down in parts is one lift.

Where the pose is known, a lift counts only if the load came or went in a step, with more than a wrong zero and wrong boom
masses make of the change of pose between two cells; and if its top lies above 0: else the boom was pushing down.

The level stays over gaps. A lift's loaded time is recorded time only.

`LiftPart` is what one stretch of the record knows. Clamping functions compose, and once a stretch has held two intervals
that have nothing in common the level is known whatever was before it (`duty.lift_rows`). `merge` is associative,
`EMPTY_PART` neutral; merging the parts of any cutting gives, bit for bit, the part of the whole. A lift belongs to the
day of its start, so a day's lifts are those of the merged parts that start in it. docs/method.md has the reasons.
"""

import struct
from collections.abc import Sequence
from dataclasses import astuple, dataclass, field, fields, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import CraneType
from domain.errors import InvalidInput
from duty import lift_cells, lift_rows
from duty.lift_rows import HIGHEST, LIFT, LOWEST, ROW, Ints, Rows
from duty.lift_signals import Floats, LiftSignals, kg_per_pct
from duty.lift_signals import signals as signals
from duty.packing import pack, unpack
from duty.statics import utilisation_pct, worst_self_moment_kn_m

_KIND: Final = b"lift"
_VERSION: Final = 5
# rule, whether the pose is known, time without it, and the sizes of what follows
_HEAD: Final = struct.Struct("<4dq2d?q5q")
_LONGEST_CELL_MS: Final = 900_000  # offsets of time zones are whole quarters of an hour
_BOOMS: Final = 33_000  # [0.001 %]
_DOUBLE: Final = frozenset(("utilisation_pct", "structural_pct", "base_pct", "kg_per_pct", "arm_m"))
_NO_SAMPLES: Final = np.empty((len(LiftSignals._fields), 0))


@dataclass(frozen=True, kw_only=True)
class LiftRule:
    """Tolerances of lift finding. The defaults are this project's choice (no source); docs/method.md has the reasons."""

    tolerance_pct: float = 1.25  # of the rated capacity at the pose, either side, at a utilisation of 100 %
    light_share: float = (
        0.4  # of that at a utilisation of 0, evenly more between: booms bounce with what they carry
    )
    plain_tolerance_pct: float = 5.0  # the same on utilisation itself, where the pose is not known
    least_arm_m: float = 1.0  # a load nearer to the pivot says nothing about its mass
    cell_ms: int = 4_000  # a swing of up to twice this is inside one interval
    zero_pct: float = (
        10.0  # of the change of capacity: what wrong zero and booms make of a move without a load
    )
    least_step_pct: float = 0.9  # of the rated capacity: and noise of a second's mean

    def __post_init__(self) -> None:
        if not (0 < self.tolerance_pct <= 50 and 0 < self.plain_tolerance_pct <= 50):
            raise InvalidInput("tolerances must be above 0 and at most 50 %", field="rule")
        if not 0 < self.light_share <= 1:
            raise InvalidInput("light_share must be above 0 and at most 1", field="rule")
        if not (0 <= self.zero_pct <= 50 and 0 <= self.least_step_pct <= 50):
            raise InvalidInput("zero_pct and least_step_pct must be 0 to 50 %", field="rule")
        if not 0 < self.least_arm_m <= 10:
            raise InvalidInput("least_arm_m must be above 0 and at most 10 m", field="rule")
        if not (0 < self.cell_ms <= _LONGEST_CELL_MS and _LONGEST_CELL_MS % self.cell_ms == 0):
            raise InvalidInput(
                "cell_ms must go into a quarter of an hour, so that every midnight ends one", field="rule"
            )


DEFAULT_RULE: Final = LiftRule()


class FoundLift(NamedTuple):
    """One lift. Times are Unix time [ms]."""

    start_ms: int
    end_ms: int
    loaded_ms: int  # recorded time from start to end: less than the span where the record has gaps
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None
    mass_kg: float | None  # without attachment; None where the pose is not known
    slew_travel_deg: float
    least_left_pct: float | None = None  # narrowest spread of the stabilisers in the lift
    least_right_pct: float | None = None


@dataclass(frozen=True, eq=False)
class LiftPart:
    """What a stretch of the record knows of its lifts, mergeable. Made by `find`, read by `lifts`.

    posed: whether loads are in kg, from a known pose, or percent. Parts of one kind only are merged.
    no_pose_ms: time with readings, outside transport, for which the pose is not known.
    first, last: samples of the cells that the ends of the stretch may have cut, one column each; the last one only where it
        is another cell than the first; none where the stretch is one of whole cells.
    head: rows up to the first valley between two lifts with a known level, its own included; all rows without such one.
    found: lifts from there to the last such valley.
    tail: rows from that one on; none without it.
    """

    rule: LiftRule = DEFAULT_RULE
    posed: bool = False
    no_pose_ms: int = 0
    first: Floats = field(default_factory=lambda: _NO_SAMPLES)
    head: Rows = field(default_factory=lambda: np.empty(0, ROW))
    found: Rows = field(default_factory=lambda: np.empty(0, LIFT))
    tail: Rows = field(default_factory=lambda: np.empty(0, ROW))
    last: Floats = field(default_factory=lambda: _NO_SAMPLES)

    @property
    def empty(self) -> bool:
        """Whether nothing in the stretch was judged: no reading, or transport only."""
        return not (self.first.size or self.head.size)

    @property
    def settled(self) -> bool:
        """Whether the lifts before a valley in it and those after it do not depend on each other."""
        return self.tail.size > 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, LiftPart) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]


EMPTY_PART: Final = LiftPart()


def smallest_lift_kg(
    crane_type: CraneType, outreach_m: ArrayLike, limit_pct: ArrayLike = 100.0, rule: LiftRule = DEFAULT_RULE
) -> Floats:
    """Mass [kg] from which a lift is found for certain at each outreach [m], at every pose that reaches it, the pose known,
    the sensor exact: once the tolerance at the utilisation of the empty booms, and once at that of the lift. NaN nearer to
    the pivot than `least_arm_m`. Where only the jib reaches, the whole tolerance is taken.
    """
    at, limit = np.asarray(outreach_m, np.float64), np.asarray(limit_pct, np.float64)
    arm = at - crane_type.pivot_offset_m
    with np.errstate(divide="ignore", invalid="ignore"):
        kg = kg_per_pct(crane_type, arm, limit)
        own = utilisation_pct(crane_type, worst_self_moment_kn_m(crane_type, at), 0.0, limit)
    own = np.nan_to_num(own, nan=100.0)
    slope = rule.tolerance_pct * (1.0 - rule.light_share) / 100.0  # of the tolerance, by utilisation
    empty = rule.tolerance_pct * rule.light_share + slope * np.clip(own, 0.0, 100.0)
    mass = kg * np.minimum(2.0 * empty / (1.0 - slope), empty + rule.tolerance_pct)
    return np.where(arm >= rule.least_arm_m, mass, np.nan)


def find(
    samples: LiftSignals,
    rule: LiftRule = DEFAULT_RULE,
    *,
    posed: bool | None = None,
    whole_cells: bool = False,
) -> LiftPart:
    """The part of one stretch of samples, in time order and of any length, 0 included.

    posed: whether the load is taken in kg; None where the pose is known for at least half of the readings.
    whole_cells: the stretch begins and ends where cells do, as a day does, and its part need not keep samples.
    Raises InvalidInput where times do not rise or lengths differ.
    """
    time = samples.time_ms
    for name, values in samples._asdict().items():
        if values is not None and values.shape != time.shape:
            raise InvalidInput(
                f"lift signals must all have length {time.size}, {name} has {values.shape}", field=name
            )
    if samples.base_pct is None:
        posed = False
    elif posed is None:
        posed = lift_cells.has_pose(*_plain(samples, "utilisation_pct", "mode", "base_pct", "arm_m"))
    part = LiftPart(rule, posed)
    if whole_cells:
        rows, no_pose_ms = _cells(samples, part)
        return _part(replace(part, no_pose_ms=no_pose_ms), rows, part)
    known = np.flatnonzero(np.isfinite(samples.utilisation_pct))
    if not known.size:
        return part
    columns = np.stack([_column(values, time.size)[known] for values in samples])
    cell = columns[0] // rule.cell_ms
    edges = (cell == cell[0], (cell != cell[0]) & (cell != cell[-1]), (cell == cell[-1]) & (cell != cell[0]))
    first, inner, last = (columns[:, each] for each in edges)
    no_pose_ms = sum(_cells(_signals(each), part)[1] for each in (first, inner, last))
    part = replace(part, no_pose_ms=no_pose_ms, first=first, last=last)
    return _part(part, _cells(_signals(inner), part)[0], part)


def merge(a: LiftPart, b: LiftPart) -> LiftPart:
    """The part of a's stretch followed by b's.

    Raises InvalidInput where b does not begin after a, or they were found with different rules, or one with the pose and
    one without, or a stretch of whole cells and another share a cell.
    """
    if a.empty or b.empty:
        return b if a.empty else a
    if (a.rule, a.posed) != (b.rule, b.posed):
        raise InvalidInput("parts found with different rules cannot be merged: find again", field="rule")
    if _times(b)[0] <= _times(a)[1]:
        raise InvalidInput("parts must be merged in time order and not overlap", field="time_ms")
    cut = _cut_cells(a, b)
    first = cut.pop(0) if a.first.size else _NO_SAMPLES
    last = cut.pop() if (b.last.size or not b.head.size) and cut else _NO_SAMPLES
    between = [_cells(_signals(each), a)[0] for each in cut]
    rows = np.concatenate([a.tail if a.settled else a.head, *between, b.head])
    return replace(_part(a, rows, b), no_pose_ms=a.no_pose_ms + b.no_pose_ms, first=first, last=last)


def merge_all(parts: Sequence[LiftPart]) -> LiftPart:
    """Merge of parts in time order, as a balanced tree; EMPTY_PART for none."""
    if len(parts) <= 1:
        return parts[0] if parts else EMPTY_PART
    middle = len(parts) // 2
    return merge(merge_all(parts[:middle]), merge_all(parts[middle:]))


def lifts(part: LiftPart) -> list[FoundLift]:
    """The lifts of a part in time order, nothing on the hook before it. One that still runs at the end is listed as it
    stands.
    """
    before = 0 if part.posed else _BOOMS
    first, last = (_cells(_signals(each), part)[0] for each in (part.first, part.last))
    if part.settled:
        tables = [
            _found(np.concatenate([first, part.head]), before, part),
            part.found,
            _found(np.concatenate([part.tail, last]), HIGHEST, part),
        ]
    else:
        tables = [_found(np.concatenate([first, part.head, last]), before, part)]
    return [_lift(*row) for row in np.concatenate(tables).tolist()]


def inside(found: Sequence[FoundLift], event_ms: ArrayLike) -> Ints:
    """How many of the events at these Unix times [ms, any order] fall inside each lift, ends included."""
    at = np.sort(np.asarray(event_ms, np.int64))
    start = np.array([lift.start_ms for lift in found], np.int64)
    end = np.array([lift.end_ms for lift in found], np.int64)
    return np.searchsorted(at, end, side="right") - np.searchsorted(at, start, side="left")


def to_bytes(part: LiftPart) -> bytes:
    """Compact, versioned and checksummed form of a part."""
    tables = (part.first, part.head, part.found, part.tail, part.last)
    head = _HEAD.pack(
        *astuple(part.rule), part.posed, part.no_pose_ms, *(table.shape[-1] for table in tables)
    )
    return pack(_KIND, _VERSION, head + b"".join(table.tobytes() for table in tables))


def from_bytes(data: bytes) -> LiftPart:
    """The part that `to_bytes` wrote. Raises InvalidInput on any other form."""
    body = unpack(_KIND, _VERSION, data)
    *rule, posed, no_pose_ms, firsts, heads, founds, tails, lasts = _HEAD.unpack_from(body)
    width, at = len(_NO_SAMPLES), _HEAD.size
    tables: list[NDArray[Any]] = []
    for kind, count in ((None, firsts), (ROW, heads), (LIFT, founds), (ROW, tails), (None, lasts)):
        table: NDArray[Any]
        if kind is None:
            table = np.frombuffer(body, np.float64, width * count, at).reshape(width, count)
        else:
            table = np.frombuffer(body, kind, count, at)
        tables.append(table)
        at += table.nbytes
    names = (each.name for each in fields(LiftRule))
    return LiftPart(LiftRule(**dict(zip(names, rule, strict=True))), posed, no_pose_ms, *tables)


def _plain(samples: LiftSignals, *names: str) -> list[NDArray[Any]]:
    """Readings as compiled code takes them: one type each, of no length where the crane has none."""
    found = []
    for name in names:
        kind: Any = np.int64 if name.endswith("_ms") else np.float64 if name in _DOUBLE else np.float32
        values = getattr(samples, name)
        found.append(np.empty(0, kind) if values is None else np.asarray(values, kind))
    return found


def _column(values: NDArray[Any] | None, size: int) -> Floats:
    return np.full(size, np.nan) if values is None else np.asarray(values, np.float64)


def _signals(columns: Floats) -> LiftSignals:
    """Samples that a part keeps, as signals again."""
    return LiftSignals(columns[0].astype(np.int64), columns[1].astype(np.int64), *columns[2:])


def _cells(samples: LiftSignals, part: LiftPart) -> tuple[Rows, int]:
    """A row for each cell in which something is judged, and the time without pose."""
    time, rule = samples.time_ms, part.rule
    most = min(time.size, int(time[-1] - time[0]) // rule.cell_ms + 2) if time.size else 0
    rows = np.empty(max(most, 0), ROW)
    tolerance = rule.tolerance_pct if part.posed else rule.plain_tolerance_pct
    numbers: tuple[Any, ...] = (part.posed, tolerance, rule.light_share, rule.least_arm_m, rule.cell_ms, rows)
    held, no_pose_ms = lift_cells.cells(*_plain(samples, *LiftSignals._fields), *numbers)
    if held < 0:
        raise InvalidInput("lift samples must rise in time: sort them and drop repeats", field="time_ms")
    return rows[:held], no_pose_ms


def _times(part: LiftPart) -> tuple[int, int]:
    """First and last time of a part that is not empty [ms]."""
    starts = [table[0]["first_ms"] for table in (part.head,) if table.size]
    ends = [table[-1]["last_ms"] for table in (part.tail, part.head) if table.size]
    cut = [*part.first[0], *part.last[0]]
    return int(min([*starts, *cut])), int(max([*ends, *cut]))


def _cut_cells(a: LiftPart, b: LiftPart) -> list[Floats]:
    """The cut cells of two parts in time order; pieces of one cell put together."""
    cell_ms = a.rule.cell_ms
    before, after = _times(a)[1] // cell_ms, _times(b)[0] // cell_ms
    left = [each for each in (a.first, a.last) if each.size]
    right = [each for each in (b.first, b.last) if each.size]
    if before != after:
        return [*left, *right]
    if not (left and left[-1][0, -1] // cell_ms == before and right and right[0][0, 0] // cell_ms == after):
        raise InvalidInput(
            "a stretch of whole cells and another share a cell: find again, with whole_cells only for such ones",
            field="time_ms",
        )
    return [*left[:-1], np.concatenate([left[-1], right[0]], axis=1), *right[1:]]


def _part(a: LiftPart, rows: Rows, b: LiftPart) -> LiftPart:
    """a and b with the rows that lie between their outer parts; in `find` both are without rows."""
    rows, turns, _ = _reduced(rows, HIGHEST if a.settled else LOWEST, HIGHEST)
    first, rise, last = lift_rows.valleys(turns, b.settled)
    if first < 0:
        return replace(a, head=rows)
    to_last = rows[first : _rise_after(turns, last)]
    return replace(
        a,
        head=a.head if a.settled else rows[:rise],
        found=np.concatenate([a.found, _found(to_last, HIGHEST, a), b.found]),
        tail=b.tail if b.settled else rows[last:],
    )


def _rise_after(turns: Ints, valley: int) -> int:
    """Row in which the level rises after a valley; the number of rows where that is beyond them."""
    rises = np.flatnonzero(turns[valley:] == lift_rows.RISE)
    return valley + int(rises[0]) if rises.size else turns.size


def _reduced(rows: Rows, low: int, high: int) -> tuple[Rows, Ints, Ints]:
    rows = rows.copy()
    turns, levels = np.empty(rows.size, np.int64), np.empty(rows.size, np.int64)
    held = lift_rows.reduced(rows, low, high, turns, levels)
    return rows[:held].copy(), turns[:held], levels[:held]


def _found(rows: Rows, level: int, part: LiftPart) -> Rows:
    """Lifts of rows with the level known before the first."""
    rows, turns, levels = _reduced(rows, level, level)
    table, rule = np.empty(rows.size, LIFT), part.rule
    steps = (rule.zero_pct, rule.least_step_pct, rule.tolerance_pct)
    held = lift_rows.found(rows, turns, levels, level, part.posed, rule.cell_ms, *steps, table)
    return table[:held]


def _lift(
    start_ms: int, end_ms: int, loaded_ms: int, utilisation: float, structural: float, *others: float
) -> FoundLift:
    """A row of LIFT as a value: NaN is None."""
    outreach, mass, travel, left, right = (None if np.isnan(value) else value for value in others)
    return FoundLift(
        start_ms, end_ms, loaded_ms, utilisation, structural, outreach, mass, travel or 0.0, left, right
    )
