"""Statistics of a crane-day: what they hold, and that parts cut at whole minutes merge to the whole."""

from functools import reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import InvalidInput
from duty import ledger
from duty.edges import DEFAULT_EDGES
from duty.geometry import pose
from duty.minutes import CHANNELS, POSE_LEAST, Readings
from duty.packing import pack, unpack
from duty.plausibility import (
    MINUTES,
    SUMS,
    ZERO_PCT,
    Plausibility,
    count,
    empty,
    from_bytes,
    merge,
    to_bytes,
)
from tests.support.readings import TYPE, changed, work

NO_CYCLES = ledger.empty(DEFAULT_EDGES)


def part(readings: Readings, first: int, past: int) -> Readings:
    """Samples [first, past)."""
    return Readings(
        readings.at_ms[first:past],
        readings.step_ms[first:past],
        {name: values[first:past] for name, values in readings.channels.items()},
    )


def rng_of(seed: int, n: int) -> np.ndarray:
    return np.random.default_rng(seed + 1).random(n)


def found(readings: Readings) -> Plausibility:
    return count(TYPE, readings, NO_CYCLES)


def test_a_stretch_without_samples_is_neutral() -> None:
    whole = found(work(20))
    assert merge(empty(), whole) == merge(whole, empty()) == whole
    assert found(part(work(1), 0, 0)) == empty()


@given(
    cuts=st.lists(st.integers(1, 59), max_size=6, unique=True),
    seed=st.integers(0, 1000),
    stuck=st.tuples(st.integers(0, 59), st.integers(1, 59)),
)
@settings(max_examples=60, deadline=None)
def test_parts_cut_at_whole_minutes_merge_to_the_whole(
    cuts: list[int], seed: int, stuck: tuple[int, int]
) -> None:
    readings = work(60, seed, step_ms=5000)
    main = readings.channels["main_boom_deg"].copy()
    main[12 * stuck[0] : 12 * (stuck[0] + stuck[1])] = 33.0
    main[np.random.default_rng(seed).random(main.size) < 0.05] = np.nan
    utilisation = np.where(rng_of(seed, main.size) < 0.1, np.nan, readings.channels["utilisation_pct"])
    utilisation = np.minimum(utilisation, 12.0)
    readings = changed(
        readings, utilisation_pct=utilisation, main_boom_deg=main, outreach_m=np.full(main.size, 5.0)
    )
    edges = [0, *sorted(12 * cut for cut in cuts), main.size]
    parts = [found(part(readings, a, b)) for a, b in zip(edges, edges[1:], strict=False)]
    assert reduce(merge, parts, empty()) == found(readings)


def test_days_that_were_counted_before_say_what_they_know() -> None:
    """Version 3 ended its sums before those of `duty.minutes.Doubtful` and `duty.movement`."""
    whole = found(work(30, seed=4))
    body, cut = unpack(b"plau", 4, to_bytes(whole)), 8 * SUMS.index(MINUTES[0])
    old = from_bytes(pack(b"plau", 3, body[:cut] + body[8 * len(SUMS) :]))
    known = SUMS.index(MINUTES[0])
    assert (old.sums[:known] == whole.sums[:known]).all()
    assert whole.sums[known:].any()
    assert not old.sums[known:].any()
    assert old.channels.tobytes() == whole.channels.tobytes()


def test_bytes_come_back_as_they_were_and_damage_is_told() -> None:
    whole = found(work(30, seed=4))
    assert from_bytes(to_bytes(whole)) == whole
    assert whole != found(work(30, seed=5))
    broken = bytearray(to_bytes(whole))
    broken[-1] ^= 1
    with pytest.raises(InvalidInput):
        from_bytes(bytes(broken))


def test_times_are_summed_by_what_is_known() -> None:
    readings = work(10)
    n = readings.at_ms.size
    utilisation = readings.channels["utilisation_pct"].copy()
    utilisation[:60] = np.nan
    limit = np.full(n, 100.0)
    limit[60:90], limit[90:100] = 0.0, np.nan
    main = readings.channels["main_boom_deg"].copy()
    main[100:140] = np.nan
    step = readings.step_ms.copy()
    step[200:210] = 4000
    whole = found(
        changed(
            readings._replace(step_ms=step), utilisation_pct=utilisation, limit_pct=limit, main_boom_deg=main
        )
    )
    assert whole.sum("recorded_ms") == 1000 * (n - 60 - 10) + 40_000
    assert whole.sum("limit_zero_ms") == 30_000
    assert whole.sum("limit_missing_ms") == 10_000
    assert whole.sum("pose_missing_ms") == 40_000
    assert (whole.sum("step_0_ms"), whole.sum("step_2_ms")) == (1000 * (n - 70), 40_000)
    assert sum(whole.sum(f"step_{number}_ms") for number in range(5)) == whole.sum("recorded_ms")


def test_gaps_are_counted_by_the_level_at_which_they_begin() -> None:
    readings = work(2)
    utilisation = np.full(readings.at_ms.size, 5.0)
    utilisation[10:30], utilisation[40:50] = 65.0, 35.0
    utilisation[[5, 20, 21, 45, 60]] = np.nan  # the last begins with its minute, and is left out
    whole = found(changed(readings, utilisation_pct=utilisation))
    assert [whole.sum(f"gaps_above_{level}") for level in (0, 30, 40, 60, 70)] == [3, 2, 1, 1, 0]
    assert [whole.sum(f"above_{level}_ms") for level in (0, 30, 60, 70)] == [115_000, 27_000, 18_000, 0]


def test_minutes_up_to_the_same_largest_reading_are_counted() -> None:
    readings = work(4)
    utilisation = np.tile([1.1, 40.0], readings.at_ms.size // 2)
    utilisation[120:180] = 40.0  # holds still
    utilisation[180:] = 3.3
    row = found(changed(readings, utilisation_pct=utilisation)).channel("utilisation_pct")
    assert (int(row["tops"]), int(row["fine"])) == (2, 1)


def test_a_run_knows_how_long_others_moved() -> None:
    readings = work(30)
    main = readings.channels["main_boom_deg"].copy()
    main[5 * 60 : 17 * 60] = 12.3
    row = found(changed(readings, main_boom_deg=main)).channel("main_boom_deg")
    run = row["longest"]
    assert (float(run["value"]), int(run["first"]), int(run["last"])) == (np.float32(12.3), 5, 16)
    assert (int(run["minutes"]), int(run["others"])) == (12, 12)
    assert int(row["begin"]["minutes"]) == int(row["end"]["minutes"]) == 0
    assert int(row["moved"]) >= 16


def test_a_run_goes_on_over_time_without_a_record() -> None:
    readings = work(30)
    main = np.full(readings.at_ms.size, 12.3)
    main[600:900] = np.nan
    row = found(changed(readings, main_boom_deg=main)).channel("main_boom_deg")
    assert (int(row["longest"]["minutes"]), int(row["longest"]["first"]), int(row["longest"]["last"])) == (
        25,
        0,
        29,
    )


def test_extremes_are_those_of_several_minutes() -> None:
    readings = work(30)
    extension = np.full(readings.at_ms.size, 2.0)
    extension[100], extension[700], extension[1300] = 50.0, 40.0, 30.0
    row = found(changed(readings, extension_m=extension)).channel("extension_m")
    assert row["high"].tolist() == [50.0, 40.0, 30.0]
    assert row["low"].tolist() == [2.0, 2.0, 2.0]


def test_the_zero_is_read_from_the_load_part() -> None:
    for zero_pct in (0.0, 3.0, -2.0):
        histogram = found(work(60, zero_pct=zero_pct)).zero[0]
        middle = ZERO_PCT[0] + ZERO_PCT[2] * (
            np.searchsorted(np.cumsum(histogram), histogram.sum() / 2) + 0.5
        )
        assert histogram.sum() == 3600
        assert middle == pytest.approx(zero_pct, abs=0.25)


def test_only_folded_booms_are_parked() -> None:
    readings = work(10)
    n = readings.at_ms.size
    folded = changed(
        readings, main_boom_deg=np.full(n, 80.0), knuckle_boom_deg=np.full(n, -85.0), extension_m=np.zeros(n)
    )
    assert found(folded).zero[1].sum() == 600
    reaching = changed(
        readings,
        main_boom_deg=np.full(n, 10.0),
        knuckle_boom_deg=np.full(n, 0.0),
        extension_m=np.full(n, 3.0),
    )
    assert found(reaching).zero[1].sum() == 0


def test_sent_outreach_is_held_against_the_boom_position() -> None:
    readings = work(10)
    true = pose(TYPE, *(readings.channels[name].astype(float) for name in POSE_LEAST)).outreach_m
    right, wrong = (found(changed(readings, outreach_m=true + off)) for off in (0.1, 1.5))
    names = [name for name in SUMS if name.startswith("misfit")]
    assert [right.sum(name) for name in names] == [600, 0, 0, 0, 0, 0]
    assert [wrong.sum(name) for name in names] == [0, 0, 0, 600, 0, 0]


def test_cycles_are_counted_by_least_range() -> None:
    lifts = np.tile([5.0, 55.0, 5.0, 17.0], 10)
    whole = count(TYPE, work(1), ledger.count(np.append(lifts, 5.0), DEFAULT_EDGES))
    assert whole.half_cycles.tolist() == [40, 20, 20, 20, 20, 0]


def test_wrong_times_of_messages_are_kept() -> None:
    whole = count(TYPE, work(1), NO_CYCLES, (1, 2, 3, 4))
    assert [whole.sum(name) for name in ("overlap_ms", "set_back_ms", "behind_ms", "ahead_ms")] == [
        1,
        2,
        3,
        4,
    ]
    assert merge(whole, whole).sum("behind_ms") == 6


def test_samples_out_of_order_are_refused() -> None:
    readings = work(1)
    with pytest.raises(InvalidInput):
        found(readings._replace(at_ms=readings.at_ms[::-1]))


def test_a_channel_that_was_never_sent_has_no_minutes() -> None:
    whole = found(work(5))
    assert {name for name in CHANNELS if whole.channel(name)["minutes"]} == set(work(1).channels)
