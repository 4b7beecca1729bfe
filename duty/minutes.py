"""Readings of a crane-day minute by minute, aligned to UTC: extremes, movement, and runs of one reading to the last bit.

The part of `duty.plausibility` that has a row for each channel. `merged` joins two stretches cut at whole minutes, exactly.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from duty.kernels import compiled

Ints = NDArray[np.int64]
Floats32 = NDArray[np.float32]

CHANNELS: Final = (
    *("utilisation_pct", "limit_pct", "slew_deg", "main_boom_deg", "knuckle_boom_deg", "extension_m"),
    *("jib_deg", "jib_extension_m", "outreach_m", "hook_height_m"),
)
MOVED: Final = dict(zip(CHANNELS, (3.0, 3.0, 2.0, 2.0, 2.0, 0.1, 2.0, 0.1, 0.2, 0.2), strict=True))
"""Range within a minute from which a channel moved, in its unit: well above noise and the last digit. Own choice."""
POSE_LEAST: Final = ("main_boom_deg", "knuckle_boom_deg", "extension_m")  # without them no pose is known
BOOMS: Final = "booms"  # row of all of POSE_LEAST as one: it has runs alone
ROWS: Final = (*CHANNELS, BOOMS)
EXTREMES: Final = 3  # so many minutes must have been as far: what stands alone is no range of work
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
MINUTE_MS: Final = 60_000
FRACTION_PCT: Final = 2.0  # a percent that stays below it may be a fraction of one
_NOTHING_PCT: Final = 0.2
_POSE_SENT: Final = (*POSE_LEAST, "jib_deg", "jib_extension_m", "outreach_m", "hook_height_m")
_SHAKEN_PCT: Final = (
    30.0  # utilisation of booms on their support moves less on the road; our choice, no source
)
_WEIGHTS: Final = (1.0, 7.3, 61.7)  # of POSE_LEAST: poses alike in their sum are alike
_WHOLE: Final = 0.04  # so near to a whole number is one, but for rounding on the way
_NO_RUN: Final = np.array((np.nan, 0, 0, 0, 0), RUN)


class Readings(NamedTuple):
    """Samples of one stretch in time order, all of shape (n,), as they count: without spikes, else as they were sent."""

    at_ms: Ints  # Unix time
    step_ms: Ints
    channels: Mapping[str, Floats32]  # by name; a channel that was never sent is absent


def empty_rows() -> NDArray[np.void]:
    """Rows of no minute, in the order of ROWS."""
    rows = np.zeros(len(ROWS), CHANNEL)
    rows["low"], rows["high"] = np.inf, -np.inf
    for name in ("begin", "longest", "end"):
        rows[name] = _NO_RUN
    return rows


class Doubtful(NamedTuple):
    """In how many minutes something cannot be right, or hardly."""

    transport: int  # the crane worked in transport mode
    still: int  # utilisation stood still to the last bit while a boom moved
    fraction: int  # utilisation was at most FRACTION_PCT while a boom moved, and not 0
    limit_fraction: int  # the limit was


def add_minutes(rows: NDArray[np.void], readings: Readings) -> Doubtful:
    """Takes the minutes of at least one sample into empty rows; returns those in doubt."""
    begins = starts(np.require(readings.at_ms, np.int64, ["C", "A", "W"]), MINUTE_MS)
    minutes = readings.at_ms[begins] // MINUTE_MS
    ends: dict[str, tuple[Floats32, Floats32]] = {}
    moved = np.zeros((len(CHANNELS), minutes.size), np.bool_)
    for place, name in enumerate(CHANNELS):
        if name in readings.channels:
            values = readings.channels[name]
            ends[name] = np.fmin.reduceat(values, begins), np.fmax.reduceat(values, begins)
            moved[place] = ends[name][1] - ends[name][0] >= MOVED[name]
    on_road = _in_transport(readings, begins)
    for place, (name, row) in enumerate(zip(CHANNELS, rows, strict=False)):
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
        others = (_others_moved(moved, name) & ~on_road)[known]
        row["begin"], row["longest"], row["end"] = _runs(minutes[known], low[known], high[known], others)
    _add_booms(rows[-1], minutes, ends, moved[CHANNELS.index("utilisation_pct")] & ~on_road)
    boom_moved = _others_moved(moved, "utilisation_pct") & ~on_road
    never = np.full(minutes.size, np.nan, np.float32)
    low, high = ends.get("utilisation_pct", (never, never))
    fraction = (low >= 0.0) & (high >= _NOTHING_PCT) & (high <= FRACTION_PCT)
    _, limit = ends.get("limit_pct", (never, never))
    return Doubtful(
        transport=int((on_road & _works(ends, moved)).sum()),
        still=int((boom_moved & (low == high)).sum()),
        fraction=int((boom_moved & fraction).sum()),
        limit_fraction=int(((limit >= _NOTHING_PCT) & (limit <= FRACTION_PCT)).sum()),
    )


def merged(a: NDArray[np.void], b: NDArray[np.void]) -> NDArray[np.void]:
    """Rows of a's stretch followed by b's."""
    rows = a.copy()
    for name in ("minutes", "moved", "fine"):
        rows[name] += b[name]
    top = np.maximum(a["high"][:, 0], b["high"][:, 0])
    rows["tops"] = sum(each["tops"] * (each["high"][:, 0] == top) for each in (a, b))
    rows["low"] = np.sort(np.concatenate([a["low"], b["low"]], axis=1))[:, :EXTREMES]
    both = np.sort(np.concatenate([a["high"], b["high"]], axis=1))
    rows["high"] = both[:, : -EXTREMES - 1 : -1]
    for row, one, other in zip(rows, a, b, strict=True):
        row["begin"], row["longest"], row["end"] = _joined_runs(one, other)
    return rows


def _add_booms(
    row: np.void, minutes: Ints, ends: Mapping[str, tuple[Floats32, Floats32]], loads_moved: NDArray[np.bool_]
) -> None:
    """Runs of minutes in which no boom moved to the last bit, and in how many of them the load did."""
    if not all(name in ends for name in POSE_LEAST):
        return
    low, high = (
        sum(weight * ends[name][end] for weight, name in zip(_WEIGHTS, POSE_LEAST, strict=True))
        for end in (0, 1)
    )
    low, high = np.asarray(low, np.float32), np.asarray(high, np.float32)
    known = np.flatnonzero(np.isfinite(low))
    row["minutes"] = known.size
    runs = _runs(minutes[known], low[known], high[known], loads_moved[known])
    row["begin"], row["longest"], row["end"] = runs


def _in_transport(readings: Readings, begins: Ints) -> NDArray[np.bool_]:
    """Minutes wholly in transport: the road shakes readings then, and booms rest."""
    if "mode" not in readings.channels:
        return np.zeros(begins.size, np.bool_)
    largest = np.fmax.reduceat(readings.channels["mode"], begins)  # transport is the smallest
    return np.asarray(largest == float(Mode.TRANSPORT))


def _works(ends: Mapping[str, tuple[Floats32, Floats32]], moved: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Minutes in which booms or column moved, or the load by more than the road shakes it."""
    works = moved[[CHANNELS.index(name) for name in ("slew_deg", *_POSE_SENT)]].any(axis=0)
    if "utilisation_pct" in ends:
        low, high = ends["utilisation_pct"]
        works |= high - low >= _SHAKEN_PCT
    return np.asarray(works)


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


@compiled
def starts(at_ms: Ints, unit_ms: int) -> Ints:
    """Places where a new unit of time, aligned to UTC, begins."""
    found = np.empty(at_ms.size, np.int64)
    many, past = 0, np.int64(-(2**62))
    for i in range(at_ms.size):
        if at_ms[i] >= past:
            found[many] = i
            many += 1
            past = (at_ms[i] // unit_ms + 1) * unit_ms
    return found[:many]
