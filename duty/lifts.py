"""Lifts (working cycles) found from utilisation, independent of where the record is cut.

Each sample is judged on its own: LOADED, EMPTY, or BETWEEN the two thresholds. With the booms' own utilisation
known (`base_pct`, from statics) the thresholds apply to what the load adds, so an empty boom reaching out is
no lift; without it they apply to the utilisation itself and are set higher. Then

1. hysteresis: a sample BETWEEN keeps the state of the sample before it;
2. joining: loaded runs less than `release_ms` apart are one lift;
3. duration: what is shorter than `hold_ms` in the end is noise;
4. gaps: over a break in the record longer than `gap_ms` no state is carried. A lift ends at the last sample before
   it, and what hangs on the hook after it is a new lift if it is LOADED then. Two lifts for one errs to the safe side.

A missing utilisation is no sample, so a long drop-out is a gap. A transport-mode sample is EMPTY.

`LiftPart` is what one stretch of the record knows: its loaded runs, and before them the samples BETWEEN whose
state the record before decides. `merge` is associative, `EMPTY_PART` neutral; merging the parts of any cutting
gives, bit for bit, the part of the whole. Sums are kept in integers for that reason. A lift belongs to the day of
its start, so a day's lifts are those of the merged parts that start in it.
"""

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.channels import Mode
from domain.crane import CraneType
from domain.errors import InvalidInput
from duty.geometry import horizontals
from duty.lift_runs import (
    OLD_RUN,
    RUN,
    Ints,
    LiftSignals,
    Runs,
    folded,
    from_old,
    joined,
    summed,
    without_noise,
)
from duty.packing import pack, unpack
from duty.percent import structural_pct
from duty.statics import capacity_kg, self_moment_at, utilisation_pct

Bools = NDArray[np.bool_]

_KIND: Final = b"lift"
_VERSION: Final = 2
_OLD_VERSION: Final = 1  # without stabilisers
# rule, whether there is any sample, first and last time, states, rows of the lead
_HEAD: Final = struct.Struct("<4d3q?qq?bB")


@dataclass(frozen=True, kw_only=True)
class LiftRule:
    """Thresholds and times of lift finding. The defaults are this project's choice (no source); see docs/method.md."""

    load_on_pct: float = 6.0  # load part of utilisation from which a sample is LOADED
    load_off_pct: float = 3.0  # and below which it is EMPTY
    plain_on_pct: float = 25.0  # the same on utilisation itself, where the booms' own part is not known
    plain_off_pct: float = 15.0
    hold_ms: int = 2_000
    release_ms: int = 3_000
    gap_ms: int = 60_000

    def __post_init__(self) -> None:
        if not (0 < self.load_off_pct <= self.load_on_pct and 0 < self.plain_off_pct <= self.plain_on_pct):
            raise InvalidInput("off thresholds must be above 0 and not above on thresholds", field="rule")
        if not (self.hold_ms >= 0 and 0 < self.release_ms <= self.gap_ms):
            raise InvalidInput("need hold_ms >= 0 and 0 < release_ms <= gap_ms", field="rule")


DEFAULT_RULE: Final = LiftRule()


class FoundLift(NamedTuple):
    """One lift. Times are Unix time [ms]."""

    start_ms: int
    end_ms: int
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None
    mass_kg: float | None
    slew_travel_deg: float
    least_left_pct: float | None = None  # narrowest spread of the stabilisers in the lift
    least_right_pct: float | None = None


@dataclass(frozen=True, eq=False)
class LiftPart:
    """Loaded runs of a stretch of the record, mergeable. Made by `find`, read by `lifts`.

    first_ms, last_ms: times of the first and the last sample; first_ms is None where there is none.
    lead: the samples BETWEEN before the first decided one, summed in one row; no row where there are none.
    runs: loaded runs, joined; short ones only at the ends, where a neighbour may lengthen them.
    first_on: whether the first run follows the lead, or the start of the part, with no sample and no gap between.
    last_on: the state after the last sample; None where every sample was BETWEEN.
    """

    rule: LiftRule = DEFAULT_RULE
    first_ms: int | None = None
    last_ms: int = 0
    lead: Runs = field(default_factory=lambda: np.empty(0, RUN))
    runs: Runs = field(default_factory=lambda: np.empty(0, RUN))
    first_on: bool = False
    last_on: bool | None = None

    def __eq__(self, other: object) -> bool:
        return isinstance(other, LiftPart) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]


EMPTY_PART: Final = LiftPart()


def signals(
    crane_type: CraneType | None, time_ms: ArrayLike, channels: Mapping[str, NDArray[np.floating]]
) -> LiftSignals:
    """Signals of a crane's channels (names of `domain.channels`, equal length), with the booms' own utilisation
    and the capacity by statics at every pose where the type and the angle channels allow.

    Raises InvalidInput without the channel utilisation_pct.
    """
    if "utilisation_pct" not in channels:
        raise InvalidInput("lifts need the channel utilisation_pct", field="channels")
    values = {name: np.asarray(array, np.float64) for name, array in channels.items()}
    utilisation = values["utilisation_pct"]
    plain = LiftSignals(
        np.asarray(time_ms, np.int64),
        utilisation,
        structural_pct(utilisation, values.get("limit_pct")),
        outreach_m=values.get("outreach_m"),
        slew_deg=values.get("slew_deg"),
        mode=values.get("mode"),
        stabiliser_left_pct=values.get("stabiliser_left_pct"),
        stabiliser_right_pct=values.get("stabiliser_right_pct"),
    )
    angles = ("main_boom_deg", "knuckle_boom_deg", "extension_m")
    if crane_type is None or not all(name in values for name in angles):
        return plain
    at = [values[name] for name in angles]
    if crane_type.jib is not None and "jib_deg" in values:
        at += [values["jib_deg"], values.get("jib_extension_m", np.zeros(utilisation.size))]
    limit = np.nan_to_num(values.get("limit_pct", np.full(utilisation.size, 100.0)), nan=100.0)
    joints_x = horizontals(crane_type, *at)
    outreach = joints_x[-1]
    own = self_moment_at(crane_type, joints_x, at[2], at[4] if len(at) > 4 else None)
    with np.errstate(divide="ignore", invalid="ignore"):
        base = utilisation_pct(crane_type, own, 0.0, limit)
    return plain._replace(
        base_pct=base,
        capacity_kg=capacity_kg(crane_type, own, outreach, limit),
        outreach_m=outreach if plain.outreach_m is None else plain.outreach_m,
    )


def find(samples: LiftSignals, rule: LiftRule = DEFAULT_RULE) -> LiftPart:
    """The part of one stretch of samples, in time order and of any length, 0 included.

    Raises InvalidInput where times do not rise or lengths differ.
    """
    samples = _with_reading(samples)
    time = samples.time_ms
    if time.size == 0:
        return LiftPart(rule=rule)
    step = np.diff(time, prepend=time[0])
    if (step[1:] <= 0).any():
        raise InvalidInput("lift samples must rise in time: sort them and drop repeats", field="time_ms")
    after_gap = step > rule.gap_ms
    loaded, empty = _judge(samples, rule)
    empty |= after_gap & ~loaded  # no state is carried over a gap
    decided = loaded | empty
    last_decided = np.maximum.accumulate(np.where(decided, np.arange(time.size), -1))
    on = (last_decided >= 0) & loaded[last_decided]
    off_before = ~np.concatenate(([False], on[:-1])) | after_gap
    starts, ends = on & off_before, on & np.append(~on[1:] | after_gap[1:], True)
    runs = summed(samples, np.flatnonzero(starts), np.flatnonzero(ends))
    first = int(np.argmax(decided)) if decided.any() else time.size
    lead = summed(samples, np.array([0]), np.array([first - 1])) if first else np.empty(0, RUN)
    return LiftPart(
        rule=rule,
        first_ms=int(time[0]),
        last_ms=int(time[-1]),
        lead=lead,
        runs=without_noise(joined(runs, rule.release_ms), rule.hold_ms),
        first_on=bool(first < time.size and loaded[first] and not after_gap[first]),
        last_on=bool(on[-1]) if decided.any() else None,
    )


def merge(a: LiftPart, b: LiftPart) -> LiftPart:
    """The part of a's stretch followed by b's. Raises InvalidInput where b does not begin after a, or rules differ."""
    if a.first_ms is None:
        return b
    if b.first_ms is None:
        return a
    if a.rule != b.rule:
        raise InvalidInput("parts found with different rules cannot be merged: find again", field="rule")
    if b.first_ms <= a.last_ms:
        raise InvalidInput("parts must be merged in time order and not overlap", field="time_ms")
    near = b.first_ms - a.last_ms <= a.rule.gap_ms
    lead, runs_a, runs_b = a.lead, a.runs, b.runs
    first_on, last_on = a.first_on, b.last_on
    if a.last_on is None:
        if near:
            lead = folded(np.concatenate([lead, b.lead]))
            first_on = b.first_on
        elif b.lead.size and last_on is None:
            last_on = False
    elif a.last_on and near:
        follow = np.concatenate([runs_a[-1:], b.lead, runs_b[:1] if b.first_on else runs_b[:0]])
        runs_a = np.concatenate([runs_a[:-1], folded(follow)])
        runs_b = runs_b[1:] if b.first_on else runs_b
        last_on = True if last_on is None else last_on
    elif last_on is None:
        last_on = False
    runs = without_noise(joined(np.concatenate([runs_a, runs_b]), a.rule.release_ms), a.rule.hold_ms)
    return LiftPart(a.rule, a.first_ms, b.last_ms, lead, runs, first_on, last_on)


def merge_all(parts: Sequence[LiftPart]) -> LiftPart:
    """Merge of parts in time order, as a balanced tree; EMPTY_PART for none."""
    if len(parts) <= 1:
        return parts[0] if parts else EMPTY_PART
    middle = len(parts) // 2
    return merge(merge_all(parts[:middle]), merge_all(parts[middle:]))


def lifts(part: LiftPart) -> list[FoundLift]:
    """The lifts of a part in time order. One that still runs at the end of the record is listed as it stands."""
    long_enough = part.runs[part.runs["end_ms"] - part.runs["start_ms"] >= part.rule.hold_ms]
    return [_found(row) for row in long_enough]


def inside(found: Sequence[FoundLift], event_ms: ArrayLike) -> Ints:
    """How many of the events at these Unix times [ms, any order] fall inside each lift, ends included."""
    at = np.sort(np.asarray(event_ms, np.int64))
    start = np.array([lift.start_ms for lift in found], np.int64)
    end = np.array([lift.end_ms for lift in found], np.int64)
    return np.searchsorted(at, end, side="right") - np.searchsorted(at, start, side="left")


def to_bytes(part: LiftPart) -> bytes:
    """Compact, versioned and checksummed form of a part."""
    rule = part.rule
    head = _HEAD.pack(
        *(rule.load_on_pct, rule.load_off_pct, rule.plain_on_pct, rule.plain_off_pct),
        *(rule.hold_ms, rule.release_ms, rule.gap_ms),
        part.first_ms is not None,
        part.first_ms or 0,
        part.last_ms,
        part.first_on,
        -1 if part.last_on is None else int(part.last_on),
        part.lead.size,
    )
    return pack(_KIND, _VERSION, head + part.lead.tobytes() + part.runs.tobytes())


def from_bytes(data: bytes) -> LiftPart:
    """The part that `to_bytes` wrote, this version or the one before. Raises InvalidInput on any other form."""
    old = data[4:5] == bytes([_OLD_VERSION])
    body = unpack(_KIND, _OLD_VERSION if old else _VERSION, data)
    on, off, plain_on, plain_off, hold, release, gap, some, first, last, first_on, last_on, leads = (
        _HEAD.unpack_from(body)
    )
    rule = LiftRule(
        load_on_pct=on,
        load_off_pct=off,
        plain_on_pct=plain_on,
        plain_off_pct=plain_off,
        hold_ms=hold,
        release_ms=release,
        gap_ms=gap,
    )
    rows = np.frombuffer(body, OLD_RUN if old else RUN, offset=_HEAD.size)
    rows = from_old(rows) if old else rows
    return LiftPart(
        rule=rule,
        first_ms=first if some else None,
        last_ms=last,
        lead=rows[:leads],
        runs=rows[leads:],
        first_on=first_on,
        last_on=None if last_on < 0 else bool(last_on),
    )


def _with_reading(samples: LiftSignals) -> LiftSignals:
    """The samples that have a utilisation."""
    size = samples.time_ms.size
    for name, values in samples._asdict().items():
        if values is not None and values.shape != (size,):
            raise InvalidInput(
                f"lift signals must all have length {size}, {name} has {values.shape}", field=name
            )
    known = np.flatnonzero(np.isfinite(samples.utilisation_pct))
    return samples._replace(
        **{name: values[known] for name, values in samples._asdict().items() if values is not None}
    )


def _judge(samples: LiftSignals, rule: LiftRule) -> tuple[Bools, Bools]:
    """(LOADED, EMPTY) of each sample on its own."""
    utilisation = samples.utilisation_pct
    loaded, empty = utilisation >= rule.plain_on_pct, utilisation < rule.plain_off_pct
    if samples.base_pct is not None:
        load = utilisation - samples.base_pct
        based = np.isfinite(load)
        loaded = np.where(based, load >= rule.load_on_pct, loaded)
        empty = np.where(based, load < rule.load_off_pct, empty)
    if samples.mode is not None:
        transport = samples.mode == Mode.TRANSPORT
        loaded, empty = loaded & ~transport, empty | transport
    return loaded, empty


def _found(row: np.void) -> FoundLift:
    weight = int(row["mass_weight"])
    return FoundLift(
        int(row["start_ms"]),
        int(row["end_ms"]),
        float(row["peak_utilisation_pct"]),
        float(row["peak_structural_pct"]),
        _known(row["peak_outreach_m"]),
        int(row["mass_weighted"]) / weight / 1000.0 if weight else None,
        int(row["travel_mdeg"]) / 1000.0,
        _known(row["least_left_pct"]),
        _known(row["least_right_pct"]),
    )


def _known(value: np.floating) -> float | None:
    return None if np.isnan(value) else float(value)
