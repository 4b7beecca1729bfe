"""What is missing from a record, from the numbers of its messages."""

import numpy as np

from duty.gaps import Gap, missing_messages, missing_readings

MINUTE = 60_000


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
    assert found([0, 2], minutes=[0, 30], events=frozenset({(7, 1)})) == []


def test_a_pause_between_messages_in_sequence_is_not_missing() -> None:
    assert found([0, 1], minutes=[0, 600]) == []


def test_a_long_pause_with_one_number_missing_is_one_message_long() -> None:
    assert found([0, 2], minutes=[0, 600]) == [Gap(MINUTE, 600 * MINUTE, "offline", MINUTE, 1)]


def test_another_boot_is_not_a_gap() -> None:
    assert found([0, 900], minutes=[0, 600], boot=[7, 8]) == []


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
