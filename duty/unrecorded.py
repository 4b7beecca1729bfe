"""Duty of time in which a crane was in use and what it did is not on record: excluded, or told twice, or by a broken clock.

    extra of a week = max( pace * its unrecorded hours, what was counted in these hours before they were excluded )
    pace            = 90th percentile over the recorded weeks of (sum of cubed peaks / recorded hours)

Such time is never taken for rest. At the pace of an ordinary week excluding a heavy one would pay; at that of the 90th-percentile
week, and never at less than what stood there, it does not (own choice, no source). The factor f1 lies on the extra too, because
the same time lowers the coverage: excluding never lowers the used share.

Beside it stands what gaps in the record may hide: an estimate that is only shown.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from domain.errors import InvalidInput
from duty.geometry import Floats

PACE_QUANTILE: Final = 0.9  # own choice, no source
LEAST_RECORDED_MS: Final = 3_600_000
"""A week with less on record has no pace of its own: one lift in a minute is no way of working. Own choice."""
_HOUR_MS: Final = 3_600_000.0


class Unrecorded(NamedTuple):
    """Sum of cubed peaks that the unrecorded time of each week is taken at, shape (n,), and the pace [1/h].

    The pace is None where no week has any time on record: weeks of which nothing was known before are then not told.
    """

    cube_sum: Floats
    pace_per_hour: float | None
    told: bool

    @property
    def total(self) -> float:
        """Over all weeks."""
        return float(self.cube_sum.sum())


def unrecorded_use(
    cube_sum: ArrayLike, recorded_ms: ArrayLike, unrecorded_ms: ArrayLike, known_cube_sum: ArrayLike = 0.0
) -> Unrecorded:
    """What the unrecorded time of weeks is taken at.

    Parameters
    ----------
    cube_sum, recorded_ms
        counted sum of cubed peak structural shares, and time on record [ms], of each week, shape (n,)
    unrecorded_ms
        time in use that is not on record [ms], shape (n,)
    known_cube_sum
        what was counted in that time before it was excluded, 0 where that is not known, shape (n,)

    Raises InvalidInput for negative values or shapes that differ.
    """
    try:
        use, recorded, unrecorded, known = np.broadcast_arrays(
            *(
                np.asarray(values, np.float64)
                for values in (cube_sum, recorded_ms, unrecorded_ms, known_cube_sum)
            )
        )
    except ValueError as problem:
        raise InvalidInput("weeks must have one length", field="cube_sum") from problem
    if any(
        (values < 0).any() or not np.isfinite(values).all() for values in (use, recorded, unrecorded, known)
    ):
        raise InvalidInput("sums and times of weeks must be 0 or more", field="cube_sum")
    pace = _pace(use, recorded)
    at_pace = np.zeros(use.shape) if pace is None else pace * unrecorded / _HOUR_MS
    told = pace is not None or bool((known[unrecorded > 0] > 0).all())
    return Unrecorded(np.where(unrecorded > 0, np.maximum(at_pace, known), 0.0), pace, told)


def _pace(use: Floats, recorded_ms: Floats) -> float | None:
    enough = recorded_ms >= LEAST_RECORDED_MS
    if not enough.any():
        enough = recorded_ms > 0
    if not enough.any():
        return None
    per_hour = use[enough] / (recorded_ms[enough] / _HOUR_MS)
    # the next heavier week, not one between two: with few weeks that is the heaviest
    return float(np.quantile(per_hour, PACE_QUANTILE, method="higher"))


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
    """Estimate of the duty that gaps in the record hide, shapes (days,); None below FEWEST_DAYS of them.

    estimate = missing time * (lifts, cubes of their peaks) per recorded hour

    Never counted, never added to what was, only shown beside it: the used share carries gaps by its factor f1 already, and whoever
    added this too would count them twice. It supposes that the crane worked in the gaps as it did in the record, which nobody
    knows: a crane out of coverage may work quite differently.

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
