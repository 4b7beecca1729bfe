"""What arrival says of a clock: live messages tell, an outbox that is emptied does not, and neither does a right clock."""

import numpy as np
import pytest

from duty.clock_offset import ArrivalOffset, arrival_offset

H_MS, STEP_MS = 3_600_000, 10_000
CAME = 1_772_431_200_000


def live(n: int, off_ms: int, jitter: tuple[int, ...] = (300, 900, 500)) -> tuple[np.ndarray, np.ndarray]:
    """(end, received) of messages every 10 s whose clock is `off_ms` behind."""
    true_end = CAME + np.arange(n) * STEP_MS
    return true_end - off_ms, true_end + np.resize(jitter, n)


@pytest.mark.parametrize("off_ms", [5 * H_MS, -400 * 24 * H_MS, 61_000])
def test_live_messages_tell_the_offset_and_how_far_they_agree(off_ms: int) -> None:
    found = arrival_offset(*live(30, off_ms))
    assert found == ArrivalOffset(places=tuple(range(30)), offset_ms=off_ms, spread_ms=600)


def test_a_clock_that_is_right_or_messages_too_few_tell_nothing() -> None:
    assert arrival_offset(*live(30, 20_000)) is None
    assert arrival_offset(*live(2, 5 * H_MS)) is None
    assert arrival_offset(np.zeros(0, np.int64), np.zeros(0, np.int64)) is None


def test_an_outbox_that_is_emptied_or_a_file_tells_nothing() -> None:
    end, _ = live(500, 0)
    for every_ms in (0, 20, 5_000):
        assert arrival_offset(end, end[-1] + 300 + np.arange(500) * every_ms) is None


def test_messages_sent_late_or_after_the_clock_was_set_are_not_among_those_that_agree() -> None:
    end, received = live(100, 5 * H_MS)
    received[:10] = received[10] - 5  # out of an outbox, at once
    end[90:] += 5 * H_MS  # the clock was set
    received[50] += 20 * 60_000  # a message that was lost and sent again
    found = arrival_offset(end, received)
    assert found is not None
    assert found.offset_ms == 5 * H_MS
    assert found.places[0] >= 8
    assert set(range(10, 90)) - {50} <= set(found.places)
    assert not {50, *range(90, 100)} & set(found.places)
    assert found.spread_ms <= 20_000
