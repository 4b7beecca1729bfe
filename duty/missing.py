"""An estimate of the duty that gaps in the record hide: never counted, never added to what was, only shown beside it.

    estimate = missing time * (lifts, cubes of their peaks) per recorded hour

The used share carries gaps by its factor f1 already. Whoever added this estimate too would count them twice. It supposes that the
crane worked in the gaps as it did in the record, which nobody knows: a crane out of coverage may work quite differently.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.errors import InvalidInput

FEWEST_DAYS: Final = 10  # of record; our choice, no source
RESAMPLES: Final = 1000
SEED: Final = 12_482


class Range(NamedTuple):
    """An estimate with its 90 % interval."""

    value: float
    low: float
    high: float


class MissingDuty(NamedTuple):
    """Estimated duty of the missing time: lifts, and the sum of the cubes of their peak structural shares."""

    hours: float
    lifts: Range
    cube_sum: Range
    days: int  # of record behind it


def missing_duty(
    missing_ms: float, recorded_ms: ArrayLike, lifts: ArrayLike, cube_sum: ArrayLike
) -> MissingDuty | None:
    """Duty of missing time at the pace of the recorded days, shapes (days,); None below FEWEST_DAYS of them.

    The interval is that of drawing the recorded days anew (bootstrap of the ratio, B. Efron, Ann. Stat. 7 (1979) 1, from
    memory): it holds how days differ, not whether the gaps were like them.
    """
    time = np.asarray(recorded_ms, np.float64) / 3_600_000
    counts = np.stack([np.asarray(lifts, np.float64), np.asarray(cube_sum, np.float64)])
    if missing_ms < 0 or (time < 0).any() or counts.shape != (2, time.size):
        raise InvalidInput("times must be 0 or more, and days of one length", field="missing_ms")
    counts, time = counts[:, time > 0], time[time > 0]
    if time.size < FEWEST_DAYS:
        return None
    hours = missing_ms / 3_600_000
    rng = np.random.default_rng(SEED)
    drawn = rng.multinomial(time.size, np.full(time.size, 1 / time.size), RESAMPLES)
    rates = (drawn @ counts.T) / (drawn @ time)[:, None]
    low, high = np.quantile(rates, [0.05, 0.95], axis=0) * hours
    value = counts.sum(axis=1) / time.sum() * hours
    found = [Range(float(value[i]), float(low[i]), float(high[i])) for i in range(2)]
    return MissingDuty(hours, found[0], found[1], int(time.size))
