"""Single readings that stand alone: set aside where the second tells, counted and told where it does not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty.peaks import FEWEST, LONE_PCT, REACH_MS, Spikes, lasting


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

    for second in {int(t) // 1000 for t in at_ms}:
        inside = [i for i in known if int(at_ms[i]) // 1000 == second]
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
    level = st.sampled_from([0.0, 3.0, 15.0, 20.0, 55.0, 250.0, np.nan])
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


def test_at_one_reading_a_second_a_spike_counts_and_is_told():
    values = [50.0] * 60
    values[30] = 250.0
    kept, found = lasting(np.arange(60) * 1000, values)
    assert kept.tolist() == values
    assert found == (0, 1, 200.0)


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
