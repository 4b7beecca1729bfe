"""What is missing from the record, from the numbers of messages that came.

A sender numbers its messages within a boot. A number that never came, between two that did, is time that was recorded
at the crane and is not here: still in the outbox (offline), or here in quarantine. Between two boots the crane
was off, or nobody can tell; that is not counted as missing, and the page says so.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Cause = Literal["offline", "quarantine", "sensor"]
SHORTEST_SENSOR_GAP_MS: Final = 10_000  # shorter runs of missing readings are summed, not listed


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
    at_ms: NDArray[np.int64], step_ms: NDArray[np.int64], missing: NDArray[np.bool_]
) -> list[Gap]:
    """Runs of samples without a reading, at least SHORTEST_SENSOR_GAP_MS long.

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
            found.append(Gap(int(at_ms[first]), end_ms, "sensor", missing_ms, 0))
    return found
