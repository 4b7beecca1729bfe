"""Days are independent exactly when their lifts do not depend on each other."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from duty import lifts
from duty.lifts import LiftPart, LiftRule, LiftSignals
from duty.midnight import independent

RULE = LiftRule()
LEVELS = {"empty": 5.0, "between": 20.0, "loaded": 60.0}


def part(runs: list[tuple[str, int]], start_s: int) -> LiftPart:
    """Runs of (level, seconds) from a start."""
    values = np.concatenate([np.full(seconds, LEVELS[level]) for level, seconds in runs] or [np.empty(0)])
    at = (start_s + np.arange(values.size)) * 1000
    return lifts.find(LiftSignals(at, values, values), RULE)


runs = st.lists(st.tuples(st.sampled_from(sorted(LEVELS)), st.integers(1, 12)), max_size=6)


@settings(max_examples=300)
@given(before=runs, after=runs, apart_s=st.sampled_from([0, 1, 2, 5, 59, 60, 61, 3600]))
def test_independent_parts_have_the_lifts_of_each_alone(
    before: list[tuple[str, int]], after: list[tuple[str, int]], apart_s: int
) -> None:
    earlier = part(before, 1000)
    later = part(after, 1000 + sum(seconds for _, seconds in before) + apart_s)
    if independent(earlier, later):
        assert lifts.lifts(lifts.merge(earlier, later)) == lifts.lifts(earlier) + lifts.lifts(later)


def test_what_hangs_over_midnight_is_not_independent() -> None:
    assert not independent(part([("loaded", 20)], 0), part([("loaded", 20)], 20))
    assert not independent(part([("empty", 20)], 0), part([], 20))


def test_an_ordinary_night_is_independent() -> None:
    assert independent(part([("loaded", 20), ("empty", 9)], 0), part([("loaded", 20)], 40_000))
    assert independent(part([("loaded", 20), ("empty", 9)], 0), part([("empty", 5), ("loaded", 20)], 29))
