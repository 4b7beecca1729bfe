"""What is missing from the record, from the numbers and times of messages that came.

A sender numbers its messages within a boot, and sends without a pause from its first to its last. So time between two
messages of a boot is missing, all of it: messages that were recorded at the crane and are not here, still in the outbox
(offline) or here in quarantine, as far as numbers are left out; and a hole, where no number is. Between two boots the
crane was off, or nobody can tell; that is not counted as missing, and the page says so. But for numbers: a boot begins with
0 or 1, or goes on from the boot before, so numbers before its first message that are here are time before it; and numbers in
quarantine behind its last one are time after it. Where a boot
gives a number to several messages, nobody can tell what is missing of it.

Time that was recorded and cannot be told is missing too: two boots at once are two senders under one name (or a clock that was
set back at a start), a start that falls while the numbers rise is a clock set back, and what comes a day or more after its
own time at the pace of its recording, or was refused as ahead of our clock, was written by a clock that was wrong.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from domain.messages import BEHIND_MS

Ints = NDArray[np.int64]
Cause = Literal["offline", "quarantine", "hole", "sensor", "overlap", "clock", "excluded"]
Span = tuple[int, int]  # from, to [ms since 1970 UTC]
SHORTEST_SENSOR_GAP_MS: Final = 10_000  # shorter runs of missing readings are summed, not listed
SHORTEST_CLOCK_GAP_MS: Final = (
    10_000  # a clock that is set by seconds at a start, or message times rounded: not told
)
SMALL_MS: Final = (
    1_000  # times of messages may be off by so much to either side: only their sum is a hole; OWN
)
SHORTEST_HOLE_MS: Final = 10_000  # a smaller sum of a day is left out; OWN
STEADY_MS: Final = 300_000  # delays of live messages differ by less over a day; OWN
_STEADY_TIMES: Final = (
    4  # and an outbox that is emptied brings so many times that in less than the time itself
)
_LEAST_STEADY_MS: Final = 60_000


@dataclass(frozen=True, slots=True)
class Gap:
    """Time missing between two moments [ms since 1970 UTC]; `missing_ms` at most, `messages` missing numbers."""

    from_ms: int
    to_ms: int
    cause: Cause
    missing_ms: int
    messages: int


def missing_messages(
    start_ms: Ints,
    end_ms: Ints,
    boot: Ints,
    seq: Ints,
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
) -> list[Gap]:
    """Time between messages of a boot: see the module. In order of time.

    start_ms, end_ms, boot, seq: samples messages in any order, shape (n,), end exclusive. events: (boot, seq) of events
    that came, which share the numbering. quarantined: (boot, seq) read off quarantined messages.
    Numbers left out account for as much time as the longest message each. Differences below SMALL_MS, to either side,
    are added up: jitter goes, and a step that is stated too short stays.
    """
    if start_ms.size < 2:
        return []  # of one alone: refused_end
    longest_ms = int((end_ms - start_ms).max())
    found = list(_before_boots(start_ms, end_ms, boot, seq, events, quarantined))
    small: list[tuple[int, int, int]] = []  # from, to, and how long or (negative) how much too early
    for part in _boots(boot, start_ms):
        until = np.maximum.accumulate(end_ms[part])[:-1]
        left_ms = start_ms[part][1:] - until
        for i in np.flatnonzero(left_ms >= SMALL_MS):
            numbers = range(int(seq[part[i]]) + 1, int(seq[part[i + 1]]))
            messages = _left_out(int(boot[part[i]]), numbers, events, quarantined)
            found += _between(int(until[i]), int(left_ms[i]), messages, longest_ms)
        small += [
            (int(until[i]), int(start_ms[part[i + 1]]), int(left_ms[i]))
            for i in np.flatnonzero((left_ms != 0) & (np.abs(left_ms) < SMALL_MS))
        ]
    summed_ms = sum(ms for _, _, ms in small)
    if summed_ms >= SHORTEST_HOLE_MS:
        begin_ms, past_ms = min(begin for begin, _, _ in small), max(past for _, past, _ in small)
        found.append(Gap(begin_ms, past_ms, "hole", summed_ms, 0))
    return sorted(found, key=lambda gap: gap.from_ms)


def _before_boots(
    start_ms: Ints,
    end_ms: Ints,
    boot: Ints,
    seq: Ints,
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
) -> Iterator[Gap]:
    """What the numbers before the first message of a boot account for of the time since the boot before it.

    Of the first boot this follows from the day before. A number above the last one of the boot before may go on from it: then
    only what lies between them is missing, which is the least that it can be.
    """
    longest_ms = int((end_ms - start_ms).max())
    parts = sorted(_boots(boot, start_ms), key=lambda part: int(start_ms[part[0]]))
    before = parts[0]
    for part in parts[1:]:
        until_ms, first = int(end_ms[before].max()), int(seq[part[0]])
        left_ms = int(start_ms[part[0]]) - until_ms
        if left_ms >= SMALL_MS:
            of_before = int(boot[before[0]])
            end, refused, lost = _after(boot[before], seq[before], left_ms, longest_ms, events, quarantined)
            last = max([end, *(number for of, number in events if of == of_before)])
            numbers = range(last + 1 if first > last else 1, first)
            held, never = _left_out(int(boot[part[0]]), numbers, events, quarantined)
            found = _between(until_ms, left_ms, (held + refused, never + lost), longest_ms)
            yield from (gap for gap in found if gap.cause != "hole")
        if int(end_ms[part].max()) >= until_ms:
            before = part


def refused_end(
    start_ms: Ints,
    end_ms: Ints,
    boot: Ints,
    seq: Ints,
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
    past_ms: int,
) -> tuple[list[Gap], int, int]:
    """What quarantine holds behind the last message of the last boot: gaps until `past_ms` at most, where they end, and the
    last number. Arguments as of `missing_messages`, at least one message.
    """
    until_ms, longest_ms = int(end_ms.max()), int((end_ms - start_ms).max())
    of_last = np.flatnonzero(boot == boot[int(end_ms.argmax())])
    left_ms = max(past_ms - until_ms, 0)
    last, refused, lost = _after(boot[of_last], seq[of_last], left_ms, longest_ms, events, quarantined)
    left_ms = min(left_ms, (refused + lost) * longest_ms)
    return list(_between(until_ms, left_ms, (refused, lost), longest_ms)), until_ms + left_ms, last


def _after(
    boot: Ints,
    seq: Ints,
    left_ms: int,
    longest_ms: int,
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
) -> tuple[int, int, int]:
    """The last number of a boot that quarantine holds within the time left, and how many are there and never came up to it."""
    of, last = int(boot[0]), int(seq.max())
    window = range(last + 1, last + 1 + -(-left_ms // max(longest_ms, 1)))
    end = max((number for boot_of, number in quarantined if boot_of == of and number in window), default=last)
    return end, *_left_out(of, range(last + 1, end + 1), events, quarantined)


def _left_out(
    boot: int,
    numbers: range,
    events: frozenset[tuple[int, int]],
    quarantined: frozenset[tuple[int, int]],
) -> tuple[int, int]:
    """How many numbers are in quarantine, and how many never came."""
    if len(numbers) > 1_000_000:  # a sender that jumps in its numbering tells nothing about messages
        return 0, 0
    unknown = [number for number in numbers if (boot, number) not in events]
    held = sum((boot, number) in quarantined for number in unknown)
    return held, len(unknown) - held


def _between(from_ms: int, left_ms: int, messages: tuple[int, int], longest_ms: int) -> Iterator[Gap]:
    """The time between two messages of a boot by cause: numbers left out first, the rest a hole."""
    to_ms = from_ms + left_ms
    causes: tuple[Cause, Cause] = ("quarantine", "offline")
    for cause, count in zip(causes, messages, strict=True):
        missing_ms = min(left_ms, count * longest_ms)
        left_ms -= missing_ms
        if missing_ms > 0:
            yield Gap(from_ms, to_ms, cause, missing_ms, count)
    if left_ms > 0:
        yield Gap(from_ms, to_ms, "hole", left_ms, 0)


def uncounted_ms(start_ms: Ints, end_ms: Ints, boot: Ints, seq: Ints, within: Span) -> int:
    """Time inside `within` of messages whose number an earlier one of their boot has: what is missing of it is not known.

    start_ms, end_ms, boot, seq: messages in any order, shape (n,), end exclusive.
    """
    again = _again(start_ms, boot, seq)
    spans_ms = np.minimum(end_ms[again], within[1]) - np.maximum(start_ms[again], within[0])
    return int(np.maximum(spans_ms, 0).sum())


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


def set_back(start_ms: Ints, end_ms: Ints, boot: Ints, seq: Ints, within: Span) -> list[Gap]:
    """Time inside `within` that a boot wrote twice: a message that begins before one of a lower number has ended.

    start_ms, end_ms, boot, seq: messages in any order, shape (n,), end exclusive. Numbers given again tell nothing. Less than
    SMALL_MS at once is jitter; what is more adds up, so that a step stated too long or a clock set back often is told.
    """
    found: list[Span] = []
    counted = np.flatnonzero(~_again(start_ms, boot, seq))
    for part in _boots(boot[counted], seq[counted]):
        chosen = counted[part]
        before = np.maximum.accumulate(end_ms[chosen])[:-1]
        back = np.flatnonzero(start_ms[chosen][1:] < before)
        found += zip(start_ms[chosen][1:][back], np.minimum(end_ms[chosen][1:], before)[back], strict=True)
    gaps = _gaps("clock", found, within, SMALL_MS)
    return gaps if sum(gap.missing_ms for gap in gaps) >= SHORTEST_CLOCK_GAP_MS else []


def late(start_ms: Ints, end_ms: Ints, received_ms: Ints, boot: Ints, within: Span) -> list[Gap]:
    """Time inside `within` of messages that came BEHIND_MS or more after their own time, where a boot of them came at the
    pace of the clock. start_ms, end_ms, received_ms, boot: messages in any order, shape (n,), end exclusive.

    A clock that is behind is behind by the same all the while: what it sends as it records comes with nearly the same
    delay. An outbox that is emptied, or a file, brings hours in minutes: there delays differ by as much as the messages
    span. An outbox emptied no faster than it fills cannot be told from it, and what comes within a minute tells nothing.
    """
    delay_ms = received_ms - end_ms
    behind = np.flatnonzero(delay_ms >= BEHIND_MS)
    boots = [behind[part] for part in _boots(boot[behind], end_ms[behind])]
    if not any(_steady(delay_ms[chosen], end_ms[chosen]) for chosen in boots):
        return []
    return _gaps("clock", zip(start_ms[behind], end_ms[behind], strict=True), within)


def _steady(delay_ms: Ints, end_ms: Ints) -> bool:
    """Whether messages over some time came with nearly the least delay."""
    if not delay_ms.size:
        return False
    slack_ms = min(STEADY_MS, int(np.ptp(end_ms)) // (2 * _STEADY_TIMES))
    near = end_ms[delay_ms <= delay_ms.min() + slack_ms]
    return int(np.ptp(near)) >= max(_STEADY_TIMES * slack_ms, _LEAST_STEADY_MS)


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


def _boots(boot: Ints, by: Ints) -> list[Ints]:
    """Places of the messages of each boot, in the order of `by`."""
    order = np.lexsort((by, boot))
    return np.split(order, np.flatnonzero(np.diff(boot[order])) + 1)


def _again(start_ms: Ints, boot: Ints, seq: Ints) -> NDArray[np.bool_]:
    """Messages whose number an earlier one of their boot has."""
    order = np.lexsort((start_ms, seq, boot))
    again = np.zeros(boot.size, np.bool_)
    again[order[1:]] = (np.diff(boot[order]) == 0) & (np.diff(seq[order]) == 0)
    return again


def _gaps(
    cause: Cause, spans: Iterable[Span], within: Span, least_ms: int = SHORTEST_CLOCK_GAP_MS
) -> list[Gap]:
    """Spans cut to `within` and joined where they touch, those of least_ms and more."""
    joined: list[list[int]] = []
    for start, end in sorted((max(int(a), within[0]), min(int(b), within[1])) for a, b in spans):
        if end <= start:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    return [Gap(start, end, cause, end - start, 0) for start, end in joined if end - start >= least_ms]
