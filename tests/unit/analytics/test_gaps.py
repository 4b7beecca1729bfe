"""What is missing from a record, from the numbers and times of its messages."""

import numpy as np
import pytest

from domain.messages import BEHIND_MS
from duty.gaps import (
    Gap,
    late,
    missing_messages,
    missing_readings,
    overlaps,
    refused_ahead,
    refused_end,
    set_back,
    uncounted_ms,
)

MINUTE = 60_000
DAY = (0, 1440 * MINUTE)


def found(
    seq: list[int],
    *,
    minutes: list[int] | None = None,
    boot: list[int] | None = None,
    events: frozenset[tuple[int, int]] = frozenset(),
    quarantined: frozenset[tuple[int, int]] = frozenset(),
) -> list[Gap]:
    """Gaps of messages of one minute each, by default one after the other as numbered."""
    start = np.array(seq if minutes is None else minutes, np.int64) * MINUTE
    boots = np.array([7] * len(seq) if boot is None else boot, np.int64)
    return missing_messages(start, start + MINUTE, boots, np.array(seq, np.int64), events, quarantined)


def test_a_complete_record_has_no_gap() -> None:
    assert found([0, 1, 2, 3]) == []


def test_numbers_that_never_came_are_offline_time() -> None:
    assert found([0, 1, 5, 6]) == [Gap(2 * MINUTE, 5 * MINUTE, "offline", 3 * MINUTE, 3)]


def test_a_number_in_quarantine_is_named_so() -> None:
    assert found([0, 1, 5], quarantined=frozenset({(7, 3)})) == [
        Gap(2 * MINUTE, 5 * MINUTE, "quarantine", MINUTE, 1),
        Gap(2 * MINUTE, 5 * MINUTE, "offline", 2 * MINUTE, 2),
    ]


def test_numbers_of_events_are_not_missing() -> None:
    assert found([0, 2], minutes=[0, 1], events=frozenset({(7, 1)})) == []
    assert found([0, 2], minutes=[0, 30], events=frozenset({(7, 1)})) == [
        Gap(MINUTE, 30 * MINUTE, "hole", 29 * MINUTE, 0)
    ]


def test_a_pause_between_messages_in_sequence_is_a_hole() -> None:
    assert found([0, 1], minutes=[0, 600]) == [Gap(MINUTE, 600 * MINUTE, "hole", 599 * MINUTE, 0)]


def test_numbers_left_out_are_no_longer_than_the_longest_message_and_the_rest_is_a_hole() -> None:
    assert found([0, 2], minutes=[0, 600]) == [
        Gap(MINUTE, 600 * MINUTE, "offline", MINUTE, 1),
        Gap(MINUTE, 600 * MINUTE, "hole", 598 * MINUTE, 0),
    ]


def steps(at_ms: np.ndarray, stated_ms: int, samples: int) -> list[Gap]:
    """Gaps of samples at these times, so many to a message, each stated to stand for `stated_ms`; in a shuffled order."""
    start = at_ms[::samples]
    n = np.diff(np.append(np.arange(0, at_ms.size, samples), at_ms.size))
    boots, seq = np.full(start.size, 7), np.arange(start.size)
    order = np.random.default_rng(samples).permutation(start.size)
    columns = (start, start + n * stated_ms, boots, seq)
    return missing_messages(*(column[order] for column in columns), frozenset(), frozenset())


@pytest.mark.parametrize("samples", [1, 10, 60])
def test_a_step_stated_too_short_leaves_its_time_out_however_messages_are_cut(samples: int) -> None:
    """One reading a second that is said to stand for 100 ms: nine tenths of the time are in no message."""
    at_ms = 1000 * np.arange(3600)
    missing_ms = sum(gap.missing_ms for gap in steps(at_ms, 100, samples))
    assert {gap.cause for gap in steps(at_ms, 100, samples)} == {"hole"}
    assert missing_ms == (3600 // samples - 1) * 900 * samples


def test_jitter_of_times_is_no_hole() -> None:
    jitter = np.random.default_rng(5).integers(-200, 200, 3600)
    assert steps(1000 * np.arange(3600) + jitter, 1000, 1) == []
    assert steps(1002 * np.arange(3600), 1000, 1) == []  # 7 s of an hour
    (gap,) = steps(1020 * np.arange(3600), 1000, 1)
    assert (gap.cause, gap.missing_ms) == ("hole", 20 * 3599)


def test_holes_of_a_boot_are_those_of_its_own_messages() -> None:
    """A second boot between does not hide that the first one did not send; a clock set back leaves no hole behind it."""
    assert [gap.missing_ms for gap in found([0, 0, 1], minutes=[0, 30, 60], boot=[7, 8, 7])] == [59 * MINUTE]
    assert found([0, 1, 2, 3, 4], minutes=[0, 1, 2, 1, 2]) == []


def test_numbers_given_again_leave_untold_what_is_missing() -> None:
    start = np.arange(10, dtype=np.int64) * MINUTE
    boot = np.full(10, 7)
    zero, counted = np.zeros(10, np.int64), np.arange(10)
    assert uncounted_ms(start, start + MINUTE, boot, zero, DAY) == 9 * MINUTE
    assert uncounted_ms(start, start + MINUTE, boot, zero, (0, 5 * MINUTE)) == 4 * MINUTE
    assert uncounted_ms(start, start + MINUTE, boot, counted // 2, DAY) == 5 * MINUTE
    assert uncounted_ms(start, start + MINUTE, boot, counted, DAY) == 0
    assert uncounted_ms(start, start + MINUTE, counted, zero, DAY) == 0  # each a boot of its own
    order = np.random.default_rng(3).permutation(10)
    assert uncounted_ms(start[order], start[order] + MINUTE, boot, zero, DAY) == 9 * MINUTE


def test_numbers_that_go_round_are_not_a_clock_set_back() -> None:
    start = np.arange(10, dtype=np.int64) * MINUTE
    assert set_back(start, start + MINUTE, np.full(10, 7), np.arange(10) % 4, DAY) == []


def test_another_boot_is_not_a_gap() -> None:
    assert found([0, 0], minutes=[0, 600], boot=[7, 8]) == []
    assert found([0, 1], minutes=[0, 600], boot=[7, 8]) == []


@pytest.mark.parametrize(
    ("last", "first", "lost"),
    [(9, 10, 0), (9, 14, 4), (900, 0, 0), (900, 1, 0), (900, 30, 29), (0, 2_000_000, 0)],
    ids=["goes on", "goes on with loss", "from 0", "from 1", "first ones lost", "jump"],
)
def test_numbers_before_the_first_message_of_a_boot_are_time_before_it(
    last: int, first: int, lost: int
) -> None:
    """A box that records before its modem is up, or drops the oldest of a full outbox, loses the beginning of a boot."""
    expected = [Gap(MINUTE, 600 * MINUTE, "offline", lost * MINUTE, lost)] if lost else []
    assert found([last, first], minutes=[0, 600], boot=[7, 8]) == expected
    assert found([first, last], minutes=[600, 0], boot=[8, 7]) == expected


def test_what_is_lost_at_the_beginning_of_a_boot_is_no_more_than_the_time_since_the_one_before() -> None:
    assert found([900, 30], minutes=[0, 11], boot=[7, 8]) == [
        Gap(MINUTE, 11 * MINUTE, "offline", 10 * MINUTE, 29)
    ]
    assert found([900, 3], minutes=[0, 11], boot=[7, 8], events=frozenset({(8, 1), (8, 2)})) == []
    assert found([8, 10], minutes=[0, 11], boot=[7, 8], events=frozenset({(7, 9)})) == []
    assert found([900, 3], minutes=[0, 11], boot=[7, 8], quarantined=frozenset({(8, 1), (8, 2)})) == [
        Gap(MINUTE, 11 * MINUTE, "quarantine", 2 * MINUTE, 2)
    ]


def test_what_quarantine_holds_behind_the_last_message_of_a_boot_is_time_after_it() -> None:
    held = frozenset({(7, 3), (7, 5), (7, 900)})  # 4 never came; 900 is more than there is time for
    assert found([2, 0], minutes=[0, 20], boot=[7, 8], quarantined=held) == [
        Gap(MINUTE, 20 * MINUTE, "quarantine", 2 * MINUTE, 2),
        Gap(MINUTE, 20 * MINUTE, "offline", MINUTE, 1),
    ]
    assert found([2, 0], minutes=[0, 3], boot=[7, 8], quarantined=held) == [
        Gap(MINUTE, 3 * MINUTE, "quarantine", MINUTE, 1)
    ]
    # The next boot goes on counting: what lies behind 5 is its own.
    assert found([2, 8], minutes=[0, 20], boot=[7, 8], quarantined=held) == [
        Gap(MINUTE, 20 * MINUTE, "quarantine", 2 * MINUTE, 2),
        Gap(MINUTE, 20 * MINUTE, "offline", 3 * MINUTE, 3),
    ]


@pytest.mark.parametrize(
    ("past", "missing", "until", "last"),
    [(60, 3, 4, 5), (3, 2, 3, 4), (1, 0, 1, 2)],
    ids=["evening", "midnight near", "midnight"],
)
def test_what_quarantine_holds_at_the_end_of_a_day_is_time_until_its_end(
    past: int, missing: int, until: int, last: int
) -> None:
    start, seq = np.array([0], np.int64), np.array([2], np.int64)
    held = frozenset({(7, 3), (7, 4), (7, 5), (8, 6)})
    gaps, until_ms, number = refused_end(
        start, start + MINUTE, np.array([7]), seq, frozenset(), held, past * MINUTE
    )
    assert sum(gap.missing_ms for gap in gaps) == missing * MINUTE
    assert {gap.cause for gap in gaps} <= {"quarantine"}
    assert (until_ms, number) == (until * MINUTE, last)


def test_messages_that_overlap_miss_nothing() -> None:
    assert found([0, 5], minutes=[0, 1]) == []


def test_one_message_or_none() -> None:
    assert found([3]) == []
    assert found([]) == []


def test_runs_of_missing_readings() -> None:
    at_ms = np.arange(100, dtype=np.int64) * 1000
    step = np.full(100, 1000, np.int64)
    missing = np.zeros(100, bool)
    missing[[3, 4]] = True  # 2 s: too short to list
    missing[20:35] = True
    missing[90:] = True
    assert missing_readings(at_ms, step, missing) == [
        Gap(20_000, 35_000, "sensor", 15_000, 0),
        Gap(90_000, 100_000, "sensor", 10_000, 0),
    ]
    assert missing_readings(at_ms, step, np.zeros(100, bool)) == []


def two_boxes(minutes: int, *, apart: int = 0) -> tuple[np.ndarray, ...]:
    """Start, end, boot and number of messages of a minute each: boot 1 from 0 on, boot 2 from `apart` minutes on."""
    start = np.concatenate([np.arange(minutes), apart + np.arange(minutes) + 0.5]) * MINUTE
    boot, seq = np.repeat([1, 2], minutes), np.tile(np.arange(minutes), 2)
    return start.astype(np.int64), start.astype(np.int64) + MINUTE, boot, seq


def test_two_boots_at_once_overlap() -> None:
    start, end, boot, _ = two_boxes(60, apart=20)
    assert overlaps(start, end, boot, DAY) == [
        Gap(20 * MINUTE + 30_000, 60 * MINUTE, "overlap", 2_370_000, 0)
    ]
    shuffled = np.random.default_rng(1).permutation(start.size)
    assert overlaps(start[shuffled], end[shuffled], boot[shuffled], DAY) == overlaps(start, end, boot, DAY)


def test_boots_one_after_the_other_do_not_overlap() -> None:
    start, end, boot, _ = two_boxes(60, apart=60)
    assert overlaps(start, end, boot, DAY) == []
    assert overlaps(start, end, np.zeros_like(boot), DAY) == []


def test_an_overlap_is_cut_to_its_day() -> None:
    start, end, boot, _ = two_boxes(60)
    assert overlaps(start, end, boot, (10 * MINUTE, 30 * MINUTE)) == [
        Gap(10 * MINUTE, 30 * MINUTE, "overlap", 20 * MINUTE, 0)
    ]


def test_a_clock_set_back_within_a_boot_is_found_in_any_order() -> None:
    start = np.array([0, 1, 2, 3, 1, 2, 3, 4, 5], np.int64) * MINUTE + np.array([0] * 4 + [7000] * 5)
    seq, boot = np.arange(9), np.full(9, 5)
    expected = [Gap(MINUTE + 7000, 4 * MINUTE, "clock", 3 * MINUTE - 7000, 0)]
    assert set_back(start, start + MINUTE, boot, seq, DAY) == expected
    order = np.argsort(start)
    assert set_back(start[order], (start + MINUTE)[order], boot, seq[order], DAY) == expected
    assert set_back(start, start + MINUTE, np.arange(9), seq, DAY) == []  # each a boot of its own


def test_a_clock_set_back_by_seconds_again_and_again_adds_up_and_jitter_does_not() -> None:
    """A step of 100 ms stated as 125, in messages of 20 s: each reaches 5 s into the next."""
    start, seq = np.arange(20, dtype=np.int64) * 20_000, np.arange(20)
    gaps = set_back(start, start + 25_000, np.full(20, 5), seq, DAY)
    assert (len(gaps), sum(gap.missing_ms for gap in gaps)) == (19, 95_000)
    assert set_back(start[:2], start[:2] + 25_000, np.full(2, 5), seq[:2], DAY) == []  # once, by seconds
    assert set_back(start, start + 20_900, np.full(20, 5), seq, DAY) == []


def test_a_clock_that_runs_on_is_not_set_back() -> None:
    start = np.arange(9, dtype=np.int64) * MINUTE
    assert set_back(start, start + MINUTE, np.full(9, 5), np.arange(9), DAY) == []


def test_what_comes_a_day_late_at_the_pace_of_the_clock_was_written_by_a_wrong_clock() -> None:
    start = np.arange(60, dtype=np.int64) * MINUTE
    end, boot = start + MINUTE, np.full(60, 7)
    whole = [Gap(0, 60 * MINUTE, "clock", 60 * MINUTE, 0)]
    received = end + BEHIND_MS
    assert late(start, end, received, boot, DAY) == whole
    assert late(start, end, received - 1, boot, DAY) == []
    slow = received + np.random.default_rng(1).integers(0, 20_000, 60)  # a link that is slow now and then
    slow[30:40] = slow[40]  # and away for ten minutes
    assert late(start, end, slow, boot, DAY) == whole
    order = np.random.default_rng(2).permutation(60)
    assert late(start[order], end[order], slow[order], boot, DAY) == whole
    assert late(start, end, np.full(60, received[-1]), boot, DAY) == []  # a file
    for times_as_fast in (2, 10, 1000):  # an outbox that is emptied
        emptied = 2 * BEHIND_MS + np.arange(60) * MINUTE // times_as_fast
        assert late(start, end, emptied, boot, DAY) == []
    few = slice(0, 8)  # messages of a short day
    assert late(start[few], end[few], received[few], boot[few], DAY) == [
        Gap(0, 8 * MINUTE, "clock", 8 * MINUTE, 0)
    ]
    assert late(start[few], end[few], emptied[few], boot[few], DAY) == []
    assert late(start[:1], end[:1], received[:1], boot[:1], DAY) == []  # one message tells nothing


def test_what_a_boot_shows_of_the_clock_holds_for_what_it_sends_late() -> None:
    """Out of coverage in the morning, live in the afternoon, a clock 20 days behind all day."""
    start = np.concatenate([np.arange(60), 300 + np.arange(60)]).astype(np.int64) * MINUTE
    end, boot = start + MINUTE, np.repeat([7, 8], 60)
    received = end + 20 * BEHIND_MS
    received[:60] = 20 * BEHIND_MS + 100 * MINUTE + np.arange(60)
    assert [gap.missing_ms for gap in late(start, end, received, boot, DAY)] == [60 * MINUTE] * 2
    assert late(start[:60], end[:60], received[:60], boot[:60], DAY) == []


def test_time_that_was_refused_as_ahead_was_recorded_until_it_came() -> None:
    received = [hour * 60 * MINUTE for hour in (8, 9, 10)]
    assert refused_ahead(received, [60 * MINUTE] * 3, DAY) == [
        Gap(7 * 60 * MINUTE, 10 * 60 * MINUTE, "clock", 180 * MINUTE, 3)
    ]
    burst = [600 * MINUTE] * 3
    assert refused_ahead(burst, [60 * MINUTE] * 3, DAY) == [
        Gap(420 * MINUTE, 600 * MINUTE, "clock", 180 * MINUTE, 3)
    ]
    assert (
        refused_ahead(burst, [600 * MINUTE] * 3, DAY)[0].missing_ms == 600 * MINUTE
    )  # no more than the day has
    assert refused_ahead([], [], DAY) == []


def test_a_long_boot_overlaps_every_short_one_inside_it() -> None:
    start = np.array([0, 10, 30, 59], np.int64) * MINUTE
    end, boot = np.array([1, 12, 40, 60], np.int64) * MINUTE, np.array([1, 2, 3, 1])
    assert [(gap.from_ms // MINUTE, gap.to_ms // MINUTE) for gap in overlaps(start, end, boot, DAY)] == [
        (10, 12),
        (30, 40),
    ]
