"""Peaks that a crane can make: a single reading that stands alone and far off is a spike of the sensor, not a load.

A reading is a spike when all of this holds:

    its second, aligned to UTC, has at least FEWEST readings;
    it lies more than `spike_pct` above the second-largest reading of that second, or below the second-smallest;
    it lies as far beyond the readings next to it in time, where there are any within REACH_MS.

It is set aside: the second-largest (or second-smallest) of its second stands in its place. Everything else stays as
it was measured. In a second with fewer readings nobody can tell a spike from a short peak, so all of them count, which
errs to the safe side; those that stand LONE_PCT beyond both neighbours are told.

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
