"""What is missing from the record, from the numbers of messages that came.

A sender numbers its messages within a boot. A number that never came, between two that did, is time that was recorded
at the crane and is not here: still in the outbox (offline), or here in quarantine. Between two boots the crane
was off, or nobody can tell; that is not counted as missing, and the page says so.

Time that was recorded and cannot be told is missing too: two boots at once are two senders under one name (or a clock that was
set back at a start), a start that falls while the numbers rise is a clock set back, and what comes months after its
own time as it is recorded, or was refused as ahead of our clock, was written by a clock that was wrong.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Cause = Literal["offline", "quarantine", "sensor", "overlap", "clock", "excluded"]
Span = tuple[int, int]  # from, to [ms since 1970 UTC]
SHORTEST_SENSOR_GAP_MS: Final = 10_000  # shorter runs of missing readings are summed, not listed
SHORTEST_CLOCK_GAP_MS: Final = (
    10_000  # a clock that is set by seconds at a start, or message times rounded: not told
)
LATE_MS: Final = 60 * 86_400_000  # no outbox is known to hold so much: the clock of the sender is behind; OWN


@dataclass(frozen=True, slots=True)
class Gap:
    """Time missing between two moments [ms since 1970 UTC]; `missing_ms` at most, `messages` missing numbers."""

    from_ms: int
    to_ms: int
    cause: Cause
    missing_ms: int
    messages: int


def missing_messages(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    boot: NDArray[np.int64],
    seq: NDArray[np.int64],
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
) -> list[Gap]:
    """Gaps between successive samples messages of a boot whose numbers are not accounted for.

    start_ms, end_ms, boot, seq: messages in order of start, shape (n,), end exclusive. events: (boot, seq) of events
    that came, which share the numbering. quarantined: (boot, seq) read off quarantined messages.
    The missing time is at most the gap, and at most the missing messages times the median span of a message.
    """
    if start_ms.size < 2:
        return []
    span_ms = int(np.median(end_ms - start_ms))
    skipped = (boot[1:] == boot[:-1]) & (seq[1:] > seq[:-1] + 1) & (start_ms[1:] > end_ms[:-1])
    found: list[Gap] = []
    for i in np.flatnonzero(skipped):
        numbers = range(int(seq[i]) + 1, int(seq[i + 1]))
        if len(numbers) > 1_000_000:  # a sender that jumps in its numbering tells nothing about time
            continue
        here = int(boot[i])
        unknown = [number for number in numbers if (here, number) not in events]
        held = sum((here, number) in quarantined for number in unknown)
        left_ms = int(start_ms[i + 1] - end_ms[i])
        causes: tuple[tuple[Cause, int], ...] = (("quarantine", held), ("offline", len(unknown) - held))
        for cause, messages in causes:
            missing_ms = min(left_ms, messages * span_ms)
            left_ms -= missing_ms
            if missing_ms > 0:
                found.append(Gap(int(end_ms[i]), int(start_ms[i + 1]), cause, missing_ms, messages))
    return found


def missing_readings(
    at_ms: NDArray[np.int64],
    step_ms: NDArray[np.int64],
    missing: NDArray[np.bool_],
    cause: Cause = "sensor",
) -> list[Gap]:
    """Runs of samples without a reading, at least SHORTEST_SENSOR_GAP_MS long, for one cause.

    at_ms, step_ms, missing: time, duration and flag of each sample, in time order, shape (n,).
    """
    if not missing.any():
        return []
    edges = np.diff(np.concatenate(([0], missing.astype(np.int8), [0])))
    found = []
    for first, past in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        missing_ms = int(step_ms[first:past].sum())
        if missing_ms >= SHORTEST_SENSOR_GAP_MS:
            end_ms = int(at_ms[past - 1] + step_ms[past - 1])
            found.append(Gap(int(at_ms[first]), end_ms, cause, missing_ms, 0))
    return found


def less(found: list[Gap], at_ms: NDArray[np.int64], step_ms: NDArray[np.int64]) -> list[Gap]:
    """Gaps without the time of some samples in them, which is missing already; those of which nothing is left go.

    at_ms, step_ms: time and duration of these samples, in time order, shape (n,).
    """
    if not found or not at_ms.size:
        return found
    until = np.concatenate(([0], np.cumsum(step_ms)))
    left = []
    for gap in found:
        first, past = np.searchsorted(at_ms, (gap.from_ms, gap.to_ms))
        missing_ms = gap.missing_ms - int(until[past] - until[first])
        if missing_ms > 0:
            left.append(replace(gap, missing_ms=missing_ms))
    return left


def overlaps(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], boot: NDArray[np.int64], within: Span
) -> list[Gap]:
    """Time inside `within` that lies between the first and the last message of two boots or more.

    start_ms, end_ms, boot: messages in any order, shape (n,), end exclusive.
    """
    if start_ms.size == 0 or (boot == boot[0]).all():
        return []
    boots, place = np.unique(boot, return_inverse=True)
    first, past = np.full(boots.size, np.iinfo(np.int64).max), np.full(boots.size, np.iinfo(np.int64).min)
    np.minimum.at(first, place, start_ms)
    np.maximum.at(past, place, end_ms)
    order = np.argsort(first, kind="stable")
    first, past = first[order], past[order]
    before = np.maximum.accumulate(past)[:-1]
    return _gaps("overlap", zip(first[1:], np.minimum(past[1:], before), strict=True), within)


def set_back(
    start_ms: NDArray[np.int64],
    end_ms: NDArray[np.int64],
    boot: NDArray[np.int64],
    seq: NDArray[np.int64],
    within: Span,
) -> list[Gap]:
    """Time inside `within` that a boot wrote twice: a message that begins before one of a lower number has ended.

    start_ms, end_ms, boot, seq: messages in any order, shape (n,), end exclusive.
    """
    found: list[Span] = []
    order = np.lexsort((seq, boot))
    edges = np.flatnonzero(np.diff(boot[order])) + 1
    for part in np.split(order, edges):
        before = np.maximum.accumulate(end_ms[part])[:-1]
        back = np.flatnonzero(start_ms[part][1:] < before)
        found += zip(start_ms[part][1:][back], np.minimum(end_ms[part][1:], before)[back], strict=True)
    return _gaps("clock", found, within)


def late(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], received_ms: NDArray[np.int64], within: Span
) -> list[Gap]:
    """Time inside `within` of messages that came LATE_MS or more after their own time, at the pace of the clock.

    A clock that is behind is behind by the same all day, so delays differ little. An outbox that is emptied, or a file,
    brings a day in minutes: there they differ by as much as the messages span.
    """
    delay_ms = received_ms - end_ms
    behind = delay_ms >= LATE_MS
    if not behind.any() or (received_ms[behind] == received_ms[behind][0]).all():
        return []
    span_ms = int(end_ms[behind].max() - start_ms[behind].min())
    if 2 * int(np.ptp(delay_ms[behind])) > span_ms:
        return []
    return _gaps("clock", zip(start_ms[behind], end_ms[behind], strict=True), within)


def refused_ahead(received_ms: Sequence[int], span_ms: Sequence[int], within: Span) -> list[Gap]:
    """Time of messages that were refused because they lay ahead of our clock: it was recorded until they came.

    received_ms, span_ms: when each came, and the time that it covers. At most one gap, inside `within`.
    """
    whole_ms = sum(span_ms)
    if whole_ms <= 0:
        return []
    last_ms = max(received_ms)
    begin_ms = max(within[0], min(last_ms - whole_ms, min(received_ms) - span_ms[0]))
    missing_ms = min(whole_ms, last_ms - begin_ms)
    return [Gap(begin_ms, last_ms, "clock", missing_ms, len(received_ms))] if missing_ms > 0 else []


def _gaps(cause: Cause, spans: Iterable[Span], within: Span) -> list[Gap]:
    """Spans cut to `within` and joined where they touch, those of SHORTEST_CLOCK_GAP_MS and more."""
    joined: list[list[int]] = []
    for start, end in sorted((max(int(a), within[0]), min(int(b), within[1])) for a, b in spans):
        if end <= start:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return [
        Gap(start, end, cause, end - start, 0)
        for start, end in joined
        if end - start >= SHORTEST_CLOCK_GAP_MS
    ]
