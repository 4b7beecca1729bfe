"""What a crane-day says about its own readings: small sums from which findings are judged, made in one pass.

Everything stands on minutes aligned to UTC: of each channel the smallest and the largest reading of a minute. A local
midnight is never inside one. `merge` joins two stretches cut at whole minutes, exactly: sums, extremes, and runs of
minutes in which a reading did not change to the last bit.

`duty.findings` judges them against thresholds, so that another threshold needs no other count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from domain.crane import CraneType
from domain.errors import InvalidInput
from duty.geometry import horizontals
from duty.kernels import compiled
from duty.ledger import Ledger
from duty.packing import pack, unpack
from duty.percent import structural_pct
from duty.reading import cycles
from duty.statics import self_moment_at

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

CHANNELS: Final = (
    *("utilisation_pct", "limit_pct", "slew_deg", "main_boom_deg", "knuckle_boom_deg", "extension_m"),
    *("jib_deg", "jib_extension_m", "outreach_m", "hook_height_m"),
)
MOVED: Final = dict(zip(CHANNELS, (3.0, 3.0, 2.0, 2.0, 2.0, 0.1, 2.0, 0.1, 0.2, 0.2), strict=True))
"""Range within a minute from which a channel moved, in its unit: well above noise and the last digit. Own choice."""
POSE_LEAST: Final = ("main_boom_deg", "knuckle_boom_deg", "extension_m")  # without them no pose is known
_POSE_SENT: Final = (*POSE_LEAST, "jib_deg", "jib_extension_m", "outreach_m", "hook_height_m")
LIMIT_ZERO_PCT: Final = 0.5  # a limit below it is none
EXTREMES: Final = 3  # so many minutes must have been as far: what stands alone is no range of work
STEPS_MS: Final = (1_000, 3_000, 10_000, 60_000)  # upper ends of the classes of step; the last has none
MISFITS_M: Final = (0.25, 0.5, 1.0, 2.0, 5.0)  # the same of sent outreach against that of the pose
ZERO_PCT: Final = (-20.0, 40.0, 0.25)  # first, past, width of the classes of the load part
ZERO_BINS: Final = int((ZERO_PCT[1] - ZERO_PCT[0]) / ZERO_PCT[2])
PARKED_ARM_M: Final = 2.0  # hook so near: the booms are folded, and what hangs on the hook has no leverage
RANGES_PCT: Final = (
    10.0,
    15.0,
    20.0,
    30.0,
    40.0,
    60.0,
)  # cycles with at least this range of structural percent
HEAVY_PCT: Final = (0, 30, 40, 50, 60, 70, 80, 90, 100)  # time with a utilisation from each on; 0: and below
WRONG: Final = ("overlap_ms", "set_back_ms", "behind_ms", "ahead_ms")  # of messages, see duty.gaps
SUMS: Final = (
    *("recorded_ms", "limit_zero_ms", "limit_missing_ms", "pose_missing_ms"),
    *(f"step_{number}_ms" for number in range(len(STEPS_MS) + 1)),
    *(f"misfit_{number}" for number in range(len(MISFITS_M) + 1)),
    *(f"above_{level}_ms" for level in HEAVY_PCT),
    *(f"gaps_above_{level}" for level in HEAVY_PCT),
    *WRONG,
)
RUN: Final = np.dtype(
    [("value", "<f4"), ("first", "<i8"), ("last", "<i8"), ("minutes", "<i8"), ("others", "<i8")]
)
CHANNEL: Final = np.dtype(
    [
        *(("minutes", "<i8"), ("moved", "<i8"), ("fine", "<i8"), ("tops", "<i8")),
        *(("low", "<f4", (EXTREMES,)), ("high", "<f4", (EXTREMES,))),
        *(("begin", RUN), ("longest", RUN), ("end", RUN)),
    ]
)
_WHOLE: Final = 0.04  # so near to a whole number is one, but for rounding on the way
_SECOND_MS: Final = 1_000
_MINUTE_MS: Final = 60_000
_NO_RUN: Final = np.array((np.nan, 0, 0, 0, 0), RUN)
_KIND: Final = b"plau"
_VERSION: Final = 2


class Readings(NamedTuple):
    """Samples of one stretch in time order, all of shape (n,), as they were sent."""

    at_ms: Ints  # Unix time
    step_ms: Ints
    channels: Mapping[str, Floats32]  # by name; a channel that was never sent is absent


@dataclass(frozen=True, kw_only=True, eq=False)
class Plausibility:
    """Mergeable statistics of a stretch; all but `channels` are sums of whole numbers.

    sums: in the order of SUMS. channels: CHANNEL rows in the order of CHANNELS; `low` and `high` hold the smallest and
    largest of the minutes, `fine` counts minutes whose largest reading is no multiple of a quarter, `tops` those in which
    the channel moved and the largest is that of all, to the last bit; `begin`, `longest` and `end` runs of minutes with one reading to the last bit: at the
    beginning, the one in which other channels moved for most minutes (then the longest), and at the end.
    zero: seconds by load part, utilisation less that of the booms, of the full structural rating; shape (2, ZERO_BINS):
    all, and those with the hook within PARKED_ARM_M of the pivot.
    half_cycles: cycles with at least each of RANGES_PCT, twice their number.
    """

    sums: Ints
    channels: NDArray[np.void]
    zero: Ints
    half_cycles: Ints

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Plausibility) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]

    def sum(self, name: str) -> int:
        """One of SUMS."""
        return int(self.sums[SUMS.index(name)])

    def channel(self, name: str) -> np.void:
        """The row of one of CHANNELS."""
        row: np.void = self.channels[CHANNELS.index(name)]
        return row


def empty() -> Plausibility:
    """No sample at all: the neutral element of `merge`."""
    channels = np.zeros(len(CHANNELS), CHANNEL)
    channels["low"], channels["high"] = np.inf, -np.inf
    for name in ("begin", "longest", "end"):
        channels[name] = _NO_RUN
    return Plausibility(
        sums=np.zeros(len(SUMS), np.int64),
        channels=channels,
        zero=np.zeros((2, ZERO_BINS), np.int64),
        half_cycles=np.zeros(len(RANGES_PCT), np.int64),
    )


def count(
    crane_type: CraneType, readings: Readings, ledger: Ledger, wrong_ms: Sequence[int] = (0, 0, 0, 0)
) -> Plausibility:
    """Statistics of samples in time order, n >= 0.

    ledger: the cycles of structural percent of the same samples. wrong_ms: time of two boots at once, of a clock set
    back, behind and ahead, in the order of WRONG. Raises InvalidInput where times fall.
    """
    made = empty()
    made.sums[-len(WRONG) :] = wrong_ms
    if readings.at_ms.size:
        if (np.diff(readings.at_ms) < 0).any():
            raise InvalidInput("samples must be in order of time", field="at_ms")
        _add_minutes(made.channels, readings)
        _add_times(made.sums, readings)
        _add_gaps(made.sums, readings)
        _add_pose(made, crane_type, readings)
    made.half_cycles[:] = _half_cycles(ledger)
    return made


def merge(a: Plausibility, b: Plausibility) -> Plausibility:
    """Statistics of a's stretch followed by b's, cut at a whole minute. Cycles are added, not counted on."""
    channels = a.channels.copy()
    for name in ("minutes", "moved", "fine"):
        channels[name] += b.channels[name]
    top = np.maximum(a.channels["high"][:, 0], b.channels["high"][:, 0])
    channels["tops"] = sum(each["tops"] * (each["high"][:, 0] == top) for each in (a.channels, b.channels))
    channels["low"] = np.sort(np.concatenate([a.channels["low"], b.channels["low"]], axis=1))[:, :EXTREMES]
    both = np.sort(np.concatenate([a.channels["high"], b.channels["high"]], axis=1))
    channels["high"] = both[:, : -EXTREMES - 1 : -1]
    for row, one, other in zip(channels, a.channels, b.channels, strict=True):
        row["begin"], row["longest"], row["end"] = _joined_runs(one, other)
    return Plausibility(
        sums=a.sums + b.sums,
        channels=channels,
        zero=a.zero + b.zero,
        half_cycles=a.half_cycles + b.half_cycles,
    )


def to_bytes(found: Plausibility) -> bytes:
    """Compact, versioned and checksummed form. Equal bytes mean equal statistics."""
    whole = [found.sums, found.zero, found.half_cycles]
    body = b"".join(values.astype("<i8").tobytes() for values in whole)
    return pack(_KIND, _VERSION, body + found.channels.tobytes())


def from_bytes(data: bytes) -> Plausibility:
    """The statistics that `to_bytes` wrote. Raises InvalidInput on a damaged or unknown form."""
    body = unpack(_KIND, _VERSION, data)
    numbers = len(SUMS) + 2 * ZERO_BINS + len(RANGES_PCT)
    whole = np.frombuffer(body, "<i8", numbers).astype(np.int64)
    sums, zero, half_cycles = np.split(whole, [len(SUMS), len(SUMS) + 2 * ZERO_BINS])
    return Plausibility(
        sums=sums,
        channels=np.frombuffer(body, CHANNEL, len(CHANNELS), 8 * numbers).copy(),
        zero=zero.reshape(2, ZERO_BINS),
        half_cycles=half_cycles,
    )


def _add_times(sums: Ints, readings: Readings) -> None:
    nothing = np.full(readings.at_ms.size, np.nan, np.float32)
    utilisation, limit, main, knuckle, extension = (
        np.require(readings.channels.get(name, nothing), np.float32, ["C", "A", "W"])
        for name in ("utilisation_pct", "limit_pct", *POSE_LEAST)
    )
    step, ends = np.require(readings.step_ms, np.int64, ["C", "A", "W"]), np.array(STEPS_MS)
    _sum_up(step, utilisation, limit, main, knuckle, extension, ends, LIMIT_ZERO_PCT, sums)


def _add_gaps(sums: Ints, readings: Readings) -> None:
    """Time at each level of utilisation, and gaps of readings that begin from there. What spans two minutes is left out."""
    if "utilisation_pct" not in readings.channels:
        return
    sent, minutes = readings.channels["utilisation_pct"], readings.at_ms // _MINUTE_MS
    known = np.isfinite(sent)
    level = np.searchsorted(HEAVY_PCT[1:], sent, side="right")
    begins = np.flatnonzero(known[:-1] & ~known[1:] & (minutes[:-1] == minutes[1:]))
    times = np.bincount(level[known], readings.step_ms[known], len(HEAVY_PCT)).astype(np.int64)
    gaps = np.bincount(level[begins], minlength=len(HEAVY_PCT))
    first = SUMS.index("above_0_ms")
    sums[first : first + 2 * len(HEAVY_PCT)] += np.concatenate([_from_top(times), _from_top(gaps)])


def _from_top(values: Ints) -> Ints:
    return np.cumsum(values[::-1])[::-1]


def _add_pose(made: Plausibility, crane_type: CraneType, readings: Readings) -> None:
    """Load part of the first sample of each second, and sent outreach against that of the pose."""
    names = ["utilisation_pct", *POSE_LEAST]
    if not all(name in readings.channels for name in names):
        return
    chosen = _starts(np.require(readings.at_ms, np.int64, ["C", "A", "W"]), _SECOND_MS)
    values = {name: sent[chosen].astype(np.float64) for name, sent in readings.channels.items()}
    at = [values[name] for name in POSE_LEAST]
    if crane_type.jib is not None and "jib_deg" in values:
        at += [values["jib_deg"], values.get("jib_extension_m", np.zeros(chosen.size))]
    joints_x = horizontals(crane_type, *at)
    own = self_moment_at(crane_type, joints_x, at[2], at[4] if len(at) > 4 else None)
    structural = structural_pct(values["utilisation_pct"], values.get("limit_pct"))
    if "limit_pct" in values:
        structural[values["limit_pct"] < LIMIT_ZERO_PCT] = np.nan  # a limit of 0 says nothing about the load
    _add_zero(
        made.zero,
        structural - 100.0 * own / crane_type.rated_moment_kn_m,
        joints_x[-1] - crane_type.pivot_offset_m,
    )
    if "outreach_m" in values:
        off = np.abs(values["outreach_m"] - joints_x[-1])
        place = np.searchsorted(MISFITS_M, off[np.isfinite(off)], side="right")
        first = SUMS.index("misfit_0")
        made.sums[first : first + len(MISFITS_M) + 1] += np.bincount(place, minlength=len(MISFITS_M) + 1)


def _add_minutes(rows: NDArray[np.void], readings: Readings) -> None:
    """Extremes, movement and runs of every channel."""
    starts = _starts(np.require(readings.at_ms, np.int64, ["C", "A", "W"]), _MINUTE_MS)
    minutes = readings.at_ms[starts] // _MINUTE_MS
    ends: dict[str, tuple[Floats32, Floats32]] = {}
    moved = np.zeros((len(CHANNELS), minutes.size), np.bool_)
    for place, name in enumerate(CHANNELS):
        if name in readings.channels:
            values = readings.channels[name]
            ends[name] = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
            moved[place] = ends[name][1] - ends[name][0] >= MOVED[name]
    for place, (name, row) in enumerate(zip(CHANNELS, rows, strict=True)):
        if name not in ends:
            continue
        low, high = ends[name]
        known = np.flatnonzero(np.isfinite(low))
        row["minutes"], row["moved"] = known.size, int(moved[place].sum())
        few = min(EXTREMES, known.size)
        row["low"][:few] = np.sort(low[known])[:few]
        row["high"][:few] = np.sort(high[known])[::-1][:few]
        row["fine"] = int((np.abs(4 * high[known] - np.rint(4 * high[known])) > _WHOLE).sum())
        row["tops"] = int((moved[place] & (high == row["high"][0])).sum())
        others = _others_moved(moved, name)[known]
        row["begin"], row["longest"], row["end"] = _runs(minutes[known], low[known], high[known], others)


def _others_moved(moved: NDArray[np.bool_], name: str) -> NDArray[np.bool_]:
    """Minutes in which something moved that this reading has to follow, or that is worked together with it.

    Slewing and a load that comes and goes move no boom: a crane that only slews tells nothing of its angles.
    """
    followed = ("utilisation_pct", *_POSE_SENT) if name in ("slew_deg", "limit_pct") else _POSE_SENT
    places = [CHANNELS.index(other) for other in followed if other != name]
    return np.asarray(moved[places].any(axis=0))


def _runs(
    minutes: Ints, low: Floats32, high: Floats32, others: NDArray[np.bool_]
) -> tuple[np.void, np.void, np.void]:
    """Runs of minutes with one reading: at the beginning, the longest, at the end."""
    still = low == high
    same = still[1:] & still[:-1] & (low[1:] == low[:-1])
    first = np.flatnonzero(np.concatenate(([True], ~same))) if still.size else np.zeros(0, np.int64)
    if not first.size:
        none = cast("np.void", _NO_RUN[()])
        return none, none, none
    past = np.append(first[1:], still.size)
    summed = np.concatenate(([0], np.cumsum(others)))
    runs = np.empty(first.size, RUN)
    runs["value"], runs["first"], runs["last"] = low[first], minutes[first], minutes[past - 1]
    runs["minutes"], runs["others"] = past - first, summed[past] - summed[first]
    runs[~still[first]] = _NO_RUN
    best = int(np.lexsort((runs["minutes"], runs["others"]))[-1])
    return runs[0], runs[best], runs[-1]


def _joined_runs(a: np.void, b: np.void) -> tuple[np.void, np.void, np.void]:
    """`begin`, `longest` and `end` of two stretches of a channel, one after the other."""
    if a["minutes"] == 0 or b["minutes"] == 0:
        part = b if a["minutes"] == 0 else a
        return part["begin"], part["longest"], part["end"]
    begin, end, found = a["begin"], b["end"], [a["longest"], b["longest"]]
    if a["end"]["minutes"] and b["begin"]["minutes"] and a["end"]["value"] == b["begin"]["value"]:
        joined = a["end"].copy()
        joined["last"] = b["begin"]["last"]
        for name in ("minutes", "others"):
            joined[name] += b["begin"][name]
        found.append(joined)
        begin = joined if a["begin"]["minutes"] == a["minutes"] else begin
        end = joined if b["end"]["minutes"] == b["minutes"] else end
    # of runs alike the later one, as in `_runs`
    best = max(enumerate(found), key=lambda at: (at[1]["others"], at[1]["minutes"], at[1]["first"], at[0]))
    return begin, best[1], end


def _add_zero(zero: Ints, load_part_pct: Floats, arm_m: Floats) -> None:
    first, _, width = ZERO_PCT
    known = np.isfinite(load_part_pct)
    place = np.clip((load_part_pct[known] - first) / width, 0, ZERO_BINS - 1).astype(np.int64)
    zero[0] += np.bincount(place, minlength=ZERO_BINS)
    zero[1] += np.bincount(place[np.abs(arm_m[known]) < PARKED_ARM_M], minlength=ZERO_BINS)


def _half_cycles(ledger: Ledger) -> Ints:
    counted = cycles(ledger)
    return np.array(
        [round(2 * counted.count[counted.range_pct >= least].sum()) for least in RANGES_PCT], np.int64
    )


@compiled
def _starts(at_ms: Ints, unit_ms: int) -> Ints:
    """Places where a new unit of time, aligned to UTC, begins."""
    found = np.empty(at_ms.size, np.int64)
    many, past = 0, np.int64(-(2**62))
    for i in range(at_ms.size):
        if at_ms[i] >= past:
            found[many] = i
            many += 1
            past = (at_ms[i] // unit_ms + 1) * unit_ms
    return found[:many]


@compiled
def _sum_up(
    step_ms: Ints,
    utilisation: Floats32,
    limit: Floats32,
    main: Floats32,
    knuckle: Floats32,
    extension: Floats32,
    steps_ms: Ints,
    limit_zero_pct: float,
    sums: Ints,
) -> None:
    """Times of samples with a utilisation, into `sums`, in the order of SUMS."""
    for i in range(step_ms.size):
        if np.isnan(utilisation[i]):
            continue
        step = step_ms[i]
        sums[0] += step
        if limit[i] < limit_zero_pct:
            sums[1] += step
        elif np.isnan(limit[i]):
            sums[2] += step
        if np.isnan(main[i] + knuckle[i] + extension[i]):
            sums[3] += step
        kind = 0
        while kind < steps_ms.size and step > steps_ms[kind]:
            kind += 1
        sums[4 + kind] += step


def warm_up() -> None:
    """Load the loops from the cache, or compile them."""
    one, reading = np.zeros(1, np.int64), np.zeros(1, np.float32)
    _starts(one, _SECOND_MS)
    _sum_up(
        one, reading, reading, reading, reading, reading, one, LIMIT_ZERO_PCT, np.zeros(len(SUMS), np.int64)
    )
