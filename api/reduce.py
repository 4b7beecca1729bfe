"""Down-sampling that keeps every extreme: the smallest and the largest reading of each bucket of time."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

GAP_MS_LEAST: Final = 5_000
Times = NDArray[np.int64]
Values = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class Reduced:
    """Times [ms] with the smallest and largest reading of each channel; NaN rows mark gaps."""

    at_ms: Times
    low: dict[str, Values]
    high: dict[str, Values]
    bucket_ms: int | None


def reduce(
    at_ms: Times, step_ms: Times, channels: Mapping[str, Values], *, start_ms: int, end_ms: int, points: int
) -> Reduced:
    """At most `points` times (and one more for each gap) out of samples in time order.

    at_ms: time of each sample [ms]; step_ms: step of the segment that each came in [ms]; channels: one array
    each, NaN where nothing was read. Up to `points` samples are given as they are.
    """
    order = np.argsort(at_ms, kind="stable") if np.any(np.diff(at_ms) < 0) else None
    if order is not None:
        at_ms, step_ms = at_ms[order], step_ms[order]
        channels = {name: values[order] for name, values in channels.items()}
    if at_ms.size <= points:
        return _with_gaps(at_ms, dict(channels), dict(channels), None, step_ms)
    bucket_ms = max(1, -(-(end_ms - start_ms) // points))
    bucket = (at_ms - start_ms) // bucket_ms
    first = np.flatnonzero(np.r_[True, np.diff(bucket) > 0])
    low = {name: np.fmin.reduceat(values, first) for name, values in channels.items()}
    high = {name: np.fmax.reduceat(values, first) for name, values in channels.items()}
    longest = np.maximum.reduceat(step_ms, first)
    return _with_gaps(start_ms + bucket[first] * bucket_ms, low, high, bucket_ms, longest)


def _with_gaps(
    at_ms: Times, low: dict[str, Values], high: dict[str, Values], bucket_ms: int | None, step_ms: Times
) -> Reduced:
    gap = np.flatnonzero(
        np.diff(at_ms) > np.maximum(3 * step_ms[:-1], max(GAP_MS_LEAST, 2 * (bucket_ms or 0)))
    )
    if gap.size == 0:
        return Reduced(at_ms, low, high, bucket_ms)
    after = gap + 1
    return Reduced(
        np.insert(at_ms, after, at_ms[gap] + np.maximum(step_ms[gap], bucket_ms or 1)),
        {name: np.insert(values, after, np.nan) for name, values in low.items()},
        {name: np.insert(values, after, np.nan) for name, values in high.items()},
        bucket_ms,
    )
