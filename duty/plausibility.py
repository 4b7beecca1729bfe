"""What a crane-day says about its own readings: small sums from which findings are judged, made in one pass.

Everything stands on minutes aligned to UTC: of each channel the smallest and the largest reading of a minute. A local
midnight is never inside one. `merge` joins two stretches cut at whole minutes, exactly: sums, extremes, and runs of
minutes in which a reading did not change to the last bit.

`duty.findings` judges them against thresholds, so that another threshold needs no other count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from domain.crane import CraneType
from domain.errors import InvalidInput
from duty import movement
from duty.geometry import horizontals, jib_run_out
from duty.kernels import compiled
from duty.ledger import Ledger
from duty.minutes import (
    CHANNEL,
    MINUTE_MS,
    POSE_LEAST,
    ROWS,
    Readings,
    add_minutes,
    empty_rows,
    merged,
    starts,
)
from duty.packing import pack, unpack, version_of
from duty.reading import cycles
from duty.statics import self_moment_at, structural_pct

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

LIMIT_ZERO_PCT: Final = 0.5  # a limit below it is none
STEPS_MS: Final = (1_000, 3_000, 10_000, 60_000)  # upper ends of the classes of step; the last has none
MISFITS_M: Final = (0.25, 0.5, 1.0, 2.0, 5.0)  # the same of sent outreach against that of the pose
ZERO_PCT: Final = (-20.0, 40.0, 0.25)  # first, past, width of the classes of the load part
ZERO_BINS: Final = int((ZERO_PCT[1] - ZERO_PCT[0]) / ZERO_PCT[2])
OWN_PCT: Final = (0.0, 60.0, 4.0)  # the same of the booms' own part, for the fit of the load part to it
FIT_PCT: Final = (-80.0, 20.0, 1.0)  # and of the load part there
_FIT: Final = tuple(int((past - first) / width) for first, past, width in (OWN_PCT, FIT_PCT))
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
NEGATIVE_PCT: Final = -5.0  # a reading below it pulls the booms up
WRONG: Final = ("overlap_ms", "set_back_ms", "behind_ms", "ahead_ms")  # of messages, see duty.gaps
MINUTES: Final = ("still_minutes", "fraction_minutes", "limit_fraction_minutes")  # see minutes.Doubtful
SUMS: Final = (
    *("recorded_ms", "limit_zero_ms", "limit_missing_ms", "pose_missing_ms"),
    *(f"step_{number}_ms" for number in range(len(STEPS_MS) + 1)),
    *(f"misfit_{number}" for number in range(len(MISFITS_M) + 1)),
    *(f"above_{level}_ms" for level in HEAVY_PCT),
    *(f"gaps_above_{level}" for level in HEAVY_PCT),
    *("negative_ms", "transport_minutes"),
    *WRONG,
    *MINUTES,
    *movement.SUMS,
)
_SECOND_MS: Final = 1_000
_KIND: Final = b"plau"
_VERSION: Final = 4
_SHORTER: Final = 3  # the version before, which ended with WRONG


@dataclass(frozen=True, kw_only=True, eq=False)
class Plausibility:
    """Mergeable statistics of a stretch; all but `channels` are sums of whole numbers.

    sums: in the order of SUMS. channels: CHANNEL rows in the order of ROWS; `low` and `high` hold the smallest and
    largest of the minutes, `fine` counts minutes whose largest reading is no multiple of a quarter, `tops` those in which
    the channel moved and the largest is that of all, to the last bit; `begin`, `longest` and `end` runs of minutes with one reading to the last bit: at the
    beginning, the one in which other channels moved for most minutes (then the longest), and at the end.
    zero: seconds by load part, utilisation less that of the booms, of the full structural rating; shape (2, ZERO_BINS):
    all, and those with the hook within PARKED_ARM_M of the pivot.
    fit: seconds by the booms' own part of utilisation (OWN_PCT) and the load part (FIT_PCT), of the full structural rating.
    half_cycles: cycles with at least each of RANGES_PCT, twice their number.
    """

    sums: Ints
    channels: NDArray[np.void]
    zero: Ints
    fit: Ints
    half_cycles: Ints

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Plausibility) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]

    def sum(self, name: str) -> int:
        """One of SUMS."""
        return int(self.sums[SUMS.index(name)])

    def channel(self, name: str) -> np.void:
        """The row of one of ROWS."""
        row: np.void = self.channels[ROWS.index(name)]
        return row


def empty() -> Plausibility:
    """No sample at all: the neutral element of `merge`."""
    return Plausibility(
        sums=np.zeros(len(SUMS), np.int64),
        channels=empty_rows(),
        zero=np.zeros((2, ZERO_BINS), np.int64),
        fit=np.zeros(_FIT, np.int64),
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
    made.sums[_places(WRONG)] = wrong_ms
    if readings.at_ms.size:
        if (np.diff(readings.at_ms) < 0).any():
            raise InvalidInput("samples must be in order of time", field="at_ms")
        doubtful = add_minutes(made.channels, readings)
        made.sums[_places(("transport_minutes", *MINUTES))] = doubtful
        _add_times(made.sums, readings)
        _add_gaps(made.sums, readings)
        _add_pose(made, crane_type, readings)
    made.half_cycles[:] = _half_cycles(ledger)
    return made


def merge(a: Plausibility, b: Plausibility) -> Plausibility:
    """Statistics of a's stretch followed by b's, cut at a whole minute. Cycles are added, not counted on."""
    return Plausibility(
        sums=a.sums + b.sums,
        channels=merged(a.channels, b.channels),
        zero=a.zero + b.zero,
        fit=a.fit + b.fit,
        half_cycles=a.half_cycles + b.half_cycles,
    )


def to_bytes(found: Plausibility) -> bytes:
    """Compact, versioned and checksummed form. Equal bytes mean equal statistics."""
    whole = [found.sums, found.zero, found.fit, found.half_cycles]
    body = b"".join(values.astype("<i8").tobytes() for values in whole)
    return pack(_KIND, _VERSION, body + found.channels.tobytes())


def from_bytes(data: bytes) -> Plausibility:
    """The statistics that `to_bytes` wrote; what days counted before do not know of is 0. Raises InvalidInput on a damaged or unknown form."""
    shorter = version_of(_KIND, data) == _SHORTER
    body = unpack(_KIND, _SHORTER if shorter else _VERSION, data)
    many = SUMS.index(MINUTES[0]) if shorter else len(SUMS)
    sizes = many, 2 * ZERO_BINS, _FIT[0] * _FIT[1], len(RANGES_PCT)
    whole = np.frombuffer(body, "<i8", sum(sizes)).astype(np.int64)
    sums, zero, fit, half_cycles = np.split(whole, np.cumsum(sizes[:-1]))
    return Plausibility(
        sums=np.pad(sums, (0, len(SUMS) - many)),
        channels=np.frombuffer(body, CHANNEL, len(ROWS), 8 * sum(sizes)).copy(),
        zero=zero.reshape(2, ZERO_BINS),
        fit=fit.reshape(_FIT),
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
    sent, minutes = readings.channels["utilisation_pct"], readings.at_ms // MINUTE_MS
    known = np.isfinite(sent)
    level = np.searchsorted(HEAVY_PCT[1:], sent, side="right")
    begins = np.flatnonzero(known[:-1] & ~known[1:] & (minutes[:-1] == minutes[1:]))
    times = np.bincount(level[known], readings.step_ms[known], len(HEAVY_PCT)).astype(np.int64)
    gaps = np.bincount(level[begins], minlength=len(HEAVY_PCT))
    sums[SUMS.index("negative_ms")] += int(readings.step_ms[sent < NEGATIVE_PCT].sum())
    first = SUMS.index("changes")
    movement.add_movement(sums[first:], readings.at_ms, sent, readings.channels.get("limit_pct"))
    first = SUMS.index("above_0_ms")
    sums[first : first + 2 * len(HEAVY_PCT)] += np.concatenate([_from_top(times), _from_top(gaps)])


def _places(names: Sequence[str]) -> list[int]:
    return [SUMS.index(name) for name in names]


def _from_top(values: Ints) -> Ints:
    return np.cumsum(values[::-1])[::-1]


def _add_pose(made: Plausibility, crane_type: CraneType, readings: Readings) -> None:
    """Load part of the first sample of each second, and sent outreach against that of the pose."""
    names = ["utilisation_pct", *POSE_LEAST]
    if not all(name in readings.channels for name in names):
        return
    chosen = starts(np.require(readings.at_ms, np.int64, ["C", "A", "W"]), _SECOND_MS)
    if "mode" in readings.channels:  # booms that rest on their support do not hang on the crane
        chosen = chosen[readings.channels["mode"][chosen] != float(Mode.TRANSPORT)]
    values = {name: sent[chosen].astype(np.float64) for name, sent in readings.channels.items()}
    at = [values[name] for name in POSE_LEAST]
    if crane_type.jib is not None and "jib_deg" in values:
        at += [values["jib_deg"], jib_run_out(crane_type.jib, values, chosen.size)]
    joints_x = horizontals(crane_type, *at)
    own = self_moment_at(crane_type, joints_x, at[2], at[4] if len(at) > 4 else None)
    structural = structural_pct(values["utilisation_pct"], values.get("limit_pct"))
    if "limit_pct" in values:
        structural[values["limit_pct"] < LIMIT_ZERO_PCT] = np.nan  # a limit of 0 says nothing about the load
    own_pct = 100.0 * own / crane_type.rated_moment_kn_m
    _add_zero(made.zero, structural - own_pct, joints_x[-1] - crane_type.pivot_offset_m)
    _add_fit(made.fit, own_pct, structural - own_pct)
    if "outreach_m" in values:
        off = np.abs(values["outreach_m"] - joints_x[-1])
        place = np.searchsorted(MISFITS_M, off[np.isfinite(off)], side="right")
        first = SUMS.index("misfit_0")
        made.sums[first : first + len(MISFITS_M) + 1] += np.bincount(place, minlength=len(MISFITS_M) + 1)


def _add_zero(zero: Ints, load_part_pct: Floats, arm_m: Floats) -> None:
    first, _, width = ZERO_PCT
    known = np.isfinite(load_part_pct)
    place = np.clip((load_part_pct[known] - first) / width, 0, ZERO_BINS - 1).astype(np.int64)
    zero[0] += np.bincount(place, minlength=ZERO_BINS)
    zero[1] += np.bincount(place[np.abs(arm_m[known]) < PARKED_ARM_M], minlength=ZERO_BINS)


def _add_fit(fit: Ints, own_pct: Floats, load_part_pct: Floats) -> None:
    known = np.isfinite(load_part_pct)
    places = [
        np.clip((values[known] - first) / width, 0, (past - first) / width - 1).astype(np.int64)
        for values, (first, past, width) in ((own_pct, OWN_PCT), (load_part_pct, FIT_PCT))
    ]
    fit += np.bincount(places[0] * _FIT[1] + places[1], minlength=fit.size).reshape(_FIT)


def _half_cycles(ledger: Ledger) -> Ints:
    counted = cycles(ledger)
    return np.array(
        [round(2 * counted.count[counted.range_pct >= least].sum()) for least in RANGES_PCT], np.int64
    )


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
    starts(one, _SECOND_MS)
    movement.warm_up()
    _sum_up(
        one, reading, reading, reading, reading, reading, one, LIMIT_ZERO_PCT, np.zeros(len(SUMS), np.int64)
    )
