"""Peaks that a crane can make: a single reading that stands alone and far off is a spike of the sensor, not a load.

A reading is a spike when all of this holds:

    its second, aligned to UTC, has at least FEWEST readings;
    it lies more than `spike_pct` above the second-largest reading of that second, or below the second-smallest;
    it lies as far beyond the readings next to it in time, where there are any within REACH_MS.

It is set aside: the second-largest (or second-smallest) of its second stands in its place. Everything else stays as
it was measured.

In a second with fewer readings only what no crane can do is a spike, all of it again:

    it is at least IMPOSSIBLE_PCT, and LONE_PCT above the two readings before it and the two after it;
    these four lie within REACH_MS of it, and within RING_SHARE of that height of each other.

Booms that a load of such a size comes off go on swinging: of two readings in a row one at least would show it. The largest of
the four stands in its place. What else stands LONE_PCT beyond both neighbours counts, the safe side, and is told.

The rule rests on the readings of one day and on the order of their times, so in how many messages, how late and how
often they came makes no difference.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.errors import InvalidInput
from duty.kernels import Array, compiled

FEWEST: Final = 4  # one spike up and one down leave two readings that agree; our choice, no source
REACH_MS: Final = 2000  # an older or younger reading is no neighbour; our choice, no source
SPIKE_PCT: Final = 10.0  # default of the counting settings, whose reason stands in docs/method.md
LONE_PCT: Final = 30.0  # between readings a second apart a swinging load moves less; our choice, no source
IMPOSSIBLE_PCT: Final = 150.0  # limiter and relief valves stop long before; our choice, no source
RING_SHARE: Final = (
    0.025  # of a height, less than the swing that it would leave; our choice, reasons in docs/method.md
)
_SECOND_MS: Final = 1000


class Spikes(NamedTuple):
    """Single readings that stand alone.

    set_aside: those that do not count. counted: those that count because their second had too few readings.
    largest_pct: how far the farthest of both lies beyond the nearest reading of its second, or of its neighbours
    [percentage points]; 0 without any.
    """

    set_aside: int = 0
    counted: int = 0
    largest_pct: float = 0.0


def lasting(
    at_ms: ArrayLike, values: ArrayLike, spike_pct: float = SPIKE_PCT
) -> tuple[NDArray[np.float32], Spikes]:
    """The readings without their spikes, and what was set aside or stands alone.

    at_ms: Unix times of one day [ms], strictly rising, shape (n,). values: readings [%], shape (n,), NaN for a
    missing one, which stays missing and is no neighbour. spike_pct: above 0 [percentage points].
    Raises InvalidInput for other shapes or times, or a threshold that is not above 0.
    """
    time = np.require(at_ms, np.int64, ["C", "A", "W"])
    kept = np.array(values, np.float32)
    if time.ndim != 1 or kept.shape != time.shape:
        raise InvalidInput(
            f"times of shape {time.shape} and readings of {kept.shape}: give one of each", field="at_ms"
        )
    if not spike_pct > 0:
        raise InvalidInput(f"a spike of {spike_pct} %: give more than 0", field="spike_pct")
    found = _set_aside(time, kept.copy(), kept, float(spike_pct))
    if found[0] < 0:
        raise InvalidInput("times must rise: sort them and drop repeats", field="at_ms")
    return kept, Spikes(found[0], found[1], float(found[2]))


@compiled
def _beyond(time: Array, values: Array, i: int, sign: float) -> tuple[float, int]:
    """How far sign * values[i] lies beyond the nearest readings before and after, and how many of these there are."""
    nearest, known = -np.inf, 0
    for step in (-1, 1):
        k = i + step
        while 0 <= k < time.size and abs(time[k] - time[i]) <= REACH_MS:
            if not np.isnan(values[k]):
                nearest = max(nearest, sign * np.float64(values[k]))
                known += 1
                break
            k += step
    return sign * np.float64(values[i]) - nearest, known


@compiled
def _calm_level(time: Array, values: Array, i: int) -> float:
    """The largest of the two readings before and the two after values[i] where these tell that it is no load; NaN else."""
    low, high = np.inf, -np.inf
    for step in (-1, 1):
        k, known = i + step, 0
        while known < 2 and 0 <= k < time.size and abs(time[k] - time[i]) <= REACH_MS:
            if not np.isnan(values[k]):
                low, high = min(low, np.float64(values[k])), max(high, np.float64(values[k]))
                known += 1
            k += step
        if known < 2:
            return np.nan
    height = np.float64(values[i]) - high
    impossible = values[i] >= IMPOSSIBLE_PCT and height > LONE_PCT and high - low <= RING_SHARE * height
    return high if impossible else np.nan


@compiled
def _ends(values: Array, first: int, past: int, sign: float) -> tuple[int, float, float]:
    """Place of the largest of sign * values[first:past], the largest and the second-largest; NaN is passed by."""
    place, most, second = first, -np.inf, -np.inf
    for i in range(first, past):
        value = sign * np.float64(values[i])
        if value > most:
            place, most, second = i, value, most
        elif value > second:
            second = value
    return place, most, second


@compiled
def _set_aside(time: Array, values: Array, kept: Array, spike_pct: float) -> tuple[int, int, float]:
    """Take the spikes of `values` out of `kept`; returns set aside (-1 where times do not rise), counted, largest."""
    aside, counted, largest = 0, 0, 0.0
    first, before = 0, time[0] - 1 if time.size else 0
    while first < time.size:
        second_end = (time[first] // _SECOND_MS + 1) * _SECOND_MS
        past, readings = first, 0
        low, high = np.float32(np.inf), np.float32(-np.inf)
        while past < time.size and time[past] < second_end:
            if time[past] <= before:
                return -1, 0, 0.0
            before = time[past]
            value = values[past]
            readings += value == value  # NaN is not
            low, high = min(low, value), max(high, value)  # in this order: NaN is smaller than nothing
            past += 1
        if readings >= FEWEST and high - low > spike_pct:
            for sign in (1.0, -1.0):
                place, most, second = _ends(values, first, past, sign)
                if most - second > spike_pct and _beyond(time, values, place, sign)[0] > spike_pct:
                    kept[place] = sign * second
                    aside += 1
                    largest = max(largest, most - second)
        elif 0 < readings < FEWEST:
            for i in range(first, past):
                calm = _calm_level(time, values, i)
                if not np.isnan(calm):
                    kept[i] = calm
                    aside += 1
                    largest = max(largest, values[i] - calm)
                    continue
                for sign in (1.0, -1.0):
                    far, known = _beyond(time, values, i, sign)
                    if known == 2 and far > LONE_PCT:
                        counted += 1
                        largest = max(largest, far)
        first = past
    return aside, counted, largest


def warm_up() -> None:
    """Load the compiled loops from the cache, or compile them."""
    lasting(np.arange(5) * 200, np.zeros(5))
