"""Down-sampling that keeps every extreme: the smallest and the largest reading of each bucket of time."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
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


def reduce_to_shape(
    at_ms: Times, step_ms: Times, channels: Mapping[str, Values], *, start_ms: int, end_ms: int, points: int
) -> Reduced:
    """At most `points` of the samples themselves, chosen so that a line through the first channel keeps its shape.

    Parameters as `reduce`. Largest triangle, three buckets (S. Steinarsson, Downsampling time series for visual
    representation, University of Iceland, 2013). Samples without a reading of the first channel are left out. Unlike
    `reduce` it can miss an extreme: for a picture of one line, not for judging a limit.
    """
    first = next(iter(channels.values()))
    known = np.flatnonzero(~np.isnan(first))
    if known.size > points:
        known = known[largest_triangles(at_ms[known].astype(float), first[known].astype(float), points)]
    elif at_ms.size <= points:
        return reduce(at_ms, step_ms, channels, start_ms=start_ms, end_ms=end_ms, points=points)
    chosen = {name: values[known] for name, values in channels.items()}
    bucket_ms = max(1, -(-(end_ms - start_ms) // points))
    # Neighbours among the chosen can lie two buckets apart without a gap between them.
    marked = _with_gaps(at_ms[known], chosen, dict(chosen), 2 * bucket_ms, step_ms[known])
    return replace(marked, bucket_ms=bucket_ms)


def largest_triangles(x: Values, y: Values, points: int) -> NDArray[np.intp]:
    """Indices of `points` (3 or more) of the points of a line: both ends, and of each bucket between the point that
    makes the largest triangle with the one chosen before and the mean of the bucket after. x ascends; no NaN."""
    edges = 1 + (np.arange(points - 1) * (x.size - 2)) // (points - 2)
    chosen = np.empty(points, np.intp)
    chosen[0], chosen[-1] = 0, x.size - 1
    for at in range(points - 2):
        here = slice(edges[at], edges[at + 1])
        after = slice(edges[at + 1], edges[at + 2]) if at + 2 < edges.size else slice(x.size - 1, x.size)
        before = chosen[at]
        mean_x, mean_y = x[after].mean(), y[after].mean()
        area = np.abs(
            (x[before] - mean_x) * (y[here] - y[before]) - (x[before] - x[here]) * (mean_y - y[before])
        )
        chosen[at + 1] = edges[at] + int(np.argmax(area))
    return chosen


def gap_ms(bucket_ms: int | None) -> int:
    """A longer time between two moments of an answer [ms] is a gap: nothing was recorded in it. 5 s are our own choice."""
    return max(GAP_MS_LEAST, 2 * (bucket_ms or 0))


def _with_gaps(
    at_ms: Times, low: dict[str, Values], high: dict[str, Values], bucket_ms: int | None, step_ms: Times
) -> Reduced:
    gap = np.flatnonzero(np.diff(at_ms) > np.maximum(3 * step_ms[:-1], gap_ms(bucket_ms)))
    if gap.size == 0:
        return Reduced(at_ms, low, high, bucket_ms)
    after = gap + 1
    return Reduced(
        np.insert(at_ms, after, at_ms[gap] + np.maximum(step_ms[gap], bucket_ms or 1)),
        {name: np.insert(values, after, np.nan) for name, values in low.items()},
        {name: np.insert(values, after, np.nan) for name, values in high.items()},
        bucket_ms,
    )
