"""Single readings that stand alone: set aside where the second tells, counted and told where it does not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty.peaks import FEWEST, IMPOSSIBLE_PCT, LONE_PCT, REACH_MS, RING_SHARE, Spikes, lasting


def plain(at_ms, values, spike_pct):
    """The rule as it is told, reading by reading."""
    kept = list(values)
    aside = counted = 0
    largest = 0.0
    known = [i for i, value in enumerate(values) if not np.isnan(value)]

    def beyond(i, sign):
        place = known.index(i)
        near = known[max(place - 1, 0) : place] + known[place + 1 : place + 2]
        near = [k for k in near if abs(at_ms[k] - at_ms[i]) <= REACH_MS]
        return min((sign * (values[i] - values[k]) for k in near), default=np.inf), len(near)

    def calm_level(i):
        place = known.index(i)
        if place < 2:
            return None
        near = known[place - 2 : place] + known[place + 1 : place + 3]
        if len(near) < 4 or any(abs(at_ms[k] - at_ms[i]) > REACH_MS for k in near):
            return None
        levels = [values[k] for k in near]
        height = values[i] - max(levels)
        calm = max(levels) - min(levels) <= RING_SHARE * height
        return max(levels) if calm and height > LONE_PCT and values[i] >= IMPOSSIBLE_PCT else None

    for second in {int(t) // 1000 for t in at_ms}:
        inside = [i for i in known if int(at_ms[i]) // 1000 == second]
        for i in inside if len(inside) < FEWEST else ():
            if (level := calm_level(i)) is not None:
                kept[i] = level
                aside += 1
                largest = max(largest, values[i] - level)
        for sign in (1, -1):
            ranked = sorted(inside, key=lambda i: (-sign * values[i], i))
            if len(inside) >= FEWEST:
                first, other = ranked[0], ranked[1]
                off = sign * (values[first] - values[other])
                if off > spike_pct and beyond(first, sign)[0] > spike_pct:
                    kept[first] = values[other]
                    aside += 1
                    largest = max(largest, off)
            else:
                for i in inside:
                    off, neighbours = beyond(i, sign)
                    if calm_level(i) is not None:
                        continue
                    if neighbours == 2 and off > LONE_PCT:
                        counted += 1
                        largest = max(largest, off)
    return kept, Spikes(aside, counted, largest)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_the_compiled_rule_is_the_rule_as_told(data):
    size = data.draw(st.integers(0, 40))
    steps = data.draw(st.lists(st.sampled_from([60, 200, 250, 1000, 3000]), min_size=size, max_size=size))
    at_ms = 1_700_000_000_000 + np.cumsum(steps, dtype=np.int64)
    level = st.sampled_from([0.0, 3.0, 3.0, 3.0, 15.0, 20.0, 55.0, 250.0, np.nan])
    values = np.array(data.draw(st.lists(level, min_size=size, max_size=size)), np.float32)
    kept, found = lasting(at_ms, values, 10.0)
    expected, told = plain(at_ms, values.tolist(), 10.0)
    np.testing.assert_array_equal(kept, np.array(expected, np.float32))
    assert found == told


def test_one_reading_up_and_one_down_in_a_second_are_set_aside():
    kept, found = lasting(np.arange(10) * 100, [50, 51, 250, 52, 51, -20, 50, np.nan, 52, 51])
    np.testing.assert_array_equal(kept, np.array([50, 51, 52, 52, 51, 50, 50, np.nan, 52, 51], np.float32))
    assert found == (2, 0, 198.0)


def test_a_peak_of_two_readings_lasts():
    values = [50, 50, 140, 140, 50, 50, 50, 50, 50, 50]
    kept, found = lasting(np.arange(10) * 100, values)
    assert kept.tolist() == values
    assert found == Spikes()


def test_a_peak_of_two_readings_lasts_over_the_border_of_two_seconds():
    values = [50.0] * 20
    values[9] = values[10] = 140.0
    kept, found = lasting(np.arange(20) * 100, values)
    assert kept.tolist() == values
    assert found == Spikes()


def test_a_step_between_two_seconds_is_no_spike():
    """The last reading of a second stands alone in it, and agrees with what follows."""
    values = [20.0] * 9 + [60.0] * 11
    kept, found = lasting(np.arange(20) * 100, values)
    assert kept.tolist() == values
    assert found == Spikes()


def test_vibration_within_the_threshold_stays_as_it_is():
    """A crane's own overshoot may fill a single reading: cutting it off would make duty too small."""
    values = 80 + 9 * np.cos(2 * np.pi * np.arange(50) / 5)
    kept, found = lasting(np.arange(50) * 200, values)
    np.testing.assert_array_equal(kept, values.astype(np.float32))
    assert found == Spikes()


def test_at_one_reading_a_second_only_what_no_crane_can_do_is_set_aside():
    """Far above every limiter, with nothing that swings before or after it."""
    values = [50.0, 50.4] * 30
    values[30] = 250.0
    kept, found = lasting(np.arange(60) * 1000, values)
    assert kept[30] == np.float32(50.4)
    assert found.set_aside == 1
    assert found.counted == 0
    assert found.largest_pct == pytest.approx(199.6, abs=1e-4)


@pytest.mark.parametrize(
    ("around", "peak"),
    [
        ([50, 50, 50, 50], 149.0),  # a short overload as cranes have it
        ([50, 54, 50, 50], 170.0),  # something moved before
        ([50, 50, 50, 54], 170.0),  # something moved after
        ([50, 50, 100, 75], 170.0),  # a load that swings after it was caught
        ([130, 130, 130, 130], 155.0),  # a load heavier than it should be, that sways
    ],
)
def test_a_short_overload_at_one_reading_a_second_stays(around, peak):
    values = [50.0] * 20
    values[8:10], values[10], values[11:13] = around[:2], peak, around[2:]
    kept, found = lasting(np.arange(20) * 1000, values)
    np.testing.assert_array_equal(kept, np.array(values, np.float32))
    assert found.set_aside == 0


@pytest.mark.parametrize("hz", [0.4, 0.5, 0.7, 0.9, 1.0, 1.1, 1.5, 1.9])
@pytest.mark.parametrize("phase_ms", [0, 300, 700])
def test_a_true_shock_leaves_a_swing_that_keeps_it(hz, phase_ms):
    """Booms that a short load comes off swing at 0.12 of critical damping: one of the next two readings shows it."""
    t = (np.arange(40) * 1000 + phase_ms) / 1000 - 20.0
    turning = 2 * np.pi * hz
    swing = np.exp(-0.12 * turning * np.abs(t)) * np.cos(turning * t) * (t >= -0.01)
    values = np.where(np.abs(t) < 0.5, 175.0, 40.0 + 135.0 * swing)
    assert lasting(np.arange(40) * 1000, values)[1].set_aside == 0


def test_a_spike_where_a_recorder_slows_down_is_set_aside():
    """Ten readings a second under load, one after it: the spike lies alone in its second."""
    at_ms = np.concatenate([np.arange(20) * 100, 2000 + np.arange(10) * 1000])
    values = np.full(30, 21.0)
    values[20] = 151.2
    kept, found = lasting(at_ms, values)
    assert kept.tolist() == [21.0] * 30
    assert (found.set_aside, found.counted) == (1, 0)


def test_a_load_swinging_at_one_reading_a_second_is_not_told_as_spikes():
    values = 70 + 14 * np.cos(2 * np.pi * np.arange(600) / 3.1)
    assert lasting(np.arange(600) * 1000, values)[1] == Spikes()


def test_what_is_not_asked_for_is_refused():
    for at_ms, values, spike_pct in (
        ([0, 0], [1, 2], 10),
        ([1, 0], [1, 2], 10),
        ([0, 1], [1], 10),
        ([[0]], [[1]], 10),
        ([0], [1], 0),
        ([0], [1], float("nan")),
    ):
        with pytest.raises(InvalidInput):
            lasting(at_ms, values, spike_pct)
