"""Time under load: recorded time in a lift, or with utilisation at or above the near-limit level, lift or not.

    time under load = time near the limit + time in lifts that is recorded and not near the limit

The near-limit share is time near the limit over time under load. Both are recorded time of the day in which it passed, so
the share lies in 0 to 1 wherever lifts begin and end, in transport too, and sums of days are those of any period.

A day keeps its recorded time that is not near the limit as runs; what of them lies in lifts follows when the lifts are
known. All times are Unix times in whole milliseconds.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput
from duty.levels import NEAR_LIMIT_PCT
from duty.packing import pack, unpack

Runs = NDArray[np.int64]  # shape (n, 2): from, and up to [ms], rising and apart

_KIND: Final = b"lite"
_VERSION: Final = 1


def light_runs(at_ms: ArrayLike, step_ms: ArrayLike, utilisation_pct: ArrayLike) -> Runs:
    """Runs of time with a reading below the near-limit level, shape (n, 2).

    at_ms: times of the samples, rising, shape (m,). step_ms: time each stands for, up to the next sample at most.
    utilisation_pct: NaN for a missing reading, which is in no run.
    """
    start, step = np.asarray(at_ms, np.int64), np.asarray(step_ms, np.int64)
    light = np.flatnonzero(np.asarray(utilisation_pct) < NEAR_LIMIT_PCT)
    start, end = start[light], start[light] + step[light]
    begins = np.concatenate(([True], start[1:] > end[:-1])) if light.size else np.empty(0, bool)
    first = np.flatnonzero(begins)
    last = np.append(first[1:], light.size) - 1 if light.size else first
    return np.column_stack((start[first], end[last]))


def loaded_ms(near_limit_ms: int, light: Runs, lifts: Runs) -> int:
    """Time under load [ms] of the stretch that `light` is of.

    lifts: start and end of each lift, shape (k, 2), rising by start; what lies outside the stretch does not count.
    """
    if lifts.size == 0 or light.size == 0:
        return near_limit_ms
    # Lifts found by two rules may overlap where one rule takes over from the other: no time counts twice.
    start = np.maximum(lifts[:, 0], np.concatenate(([lifts[0, 0]], np.maximum.accumulate(lifts[:-1, 1]))))
    end = np.maximum(lifts[:, 1], start)
    return near_limit_ms + int((_passed(light, end) - _passed(light, start)).sum())


def _passed(runs: Runs, at_ms: NDArray[np.int64]) -> NDArray[np.int64]:
    """Time in runs before each moment [ms]."""
    sums = np.concatenate(([0], np.cumsum(runs[:, 1] - runs[:, 0])))
    place = np.searchsorted(runs[:, 0], at_ms, side="right")
    running = np.minimum(at_ms, runs[np.maximum(place - 1, 0), 1]) - runs[np.maximum(place - 1, 0), 0]
    return np.asarray(sums[np.maximum(place - 1, 0)] + np.where(place > 0, running, 0))


def to_bytes(runs: Runs) -> bytes:
    """Compact, versioned and checksummed form: differences from one end to the next."""
    ends = np.diff(runs.ravel(), prepend=0)
    return pack(_KIND, _VERSION, ends.astype("<i8").tobytes())


def from_bytes(data: bytes) -> Runs:
    """The runs that `to_bytes` wrote. Raises InvalidInput on a damaged or unknown form."""
    ends = np.frombuffer(unpack(_KIND, _VERSION, data), "<i8")
    if ends.size % 2:
        raise InvalidInput("lite is damaged: count that day again", field="lite")
    return np.cumsum(ends, dtype=np.int64).reshape(-1, 2)
