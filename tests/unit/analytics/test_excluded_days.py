"""Whatever is excluded of a day, what is left of its lifts and what is kept beside them is never less than what was there."""

from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analytics import day, exclusions
from analytics.counting import CountingSettings
from analytics.day import DayCount
from analytics.samples import DaySamples, LocalDay
from duty import lifts
from simulator.yard import load_yard
from store.exclusions import Excluded
from store.segments import from_ms, to_ms
from tests.integration.analytics.crane_at_work import working

START_MS = to_ms(datetime(2026, 3, 9, 6, tzinfo=UTC))
LOCAL_DAY = LocalDay(date(2026, 3, 9), ZoneInfo("Europe/Vienna"))
SETTINGS = CountingSettings()
LENGTHS_MS = (20e3, 300e3, 3e6)  # a lift, some lifts, most of the day


def samples(seed: int, pose: bool) -> DaySamples:
    channels = {name: values.astype(np.float32) for name, values in working(2, seed=seed).items()}
    n = channels["utilisation_pct"].size
    time = np.arange(n)
    if pose:
        del channels["outreach_m"], channels["hook_height_m"]
        channels["main_boom_deg"] = (40 + 15 * np.sin(time / 97)).astype(np.float32)
        channels["knuckle_boom_deg"] = (-10 + 20 * np.sin(time / 61)).astype(np.float32)
        channels["extension_m"] = (1 + 0.5 * np.sin(time / 33)).astype(np.float32)
    at_ms = START_MS + time * 1000
    return DaySamples(
        at_ms=at_ms,
        step_ms=np.full(n, 1000),
        channels=channels,
        message_start_ms=at_ms[::60],
        message_end_ms=at_ms[::60] + 60_000,
        boot=np.ones(n // 60, np.int64),
        seq=np.arange(n // 60),
        received_ms=at_ms[::60],
    )


def cubes(counted: DayCount) -> float:
    found = lifts.lifts(lifts.from_bytes(counted.lift_part))
    return float(sum(max(lift.peak_structural_pct, 0.0) ** 3 / 1e6 for lift in found))


@pytest.mark.parametrize("pose", [False, True], ids=("percent alone", "pose known"))
def test_nothing_is_lost_by_excluding(pose: bool) -> None:
    crane_type = load_yard(healthy=True).cranes[0].crane.type
    rng = np.random.default_rng(5)

    def count(these: DaySamples) -> DayCount:
        return day.count(LOCAL_DAY, crane_type, these, [], frozenset, SETTINGS, turned=False)

    for seed in range(3):
        whole = samples(seed, pose)
        before = cubes(count(whole))
        for _ in range(8):
            spans = []
            for _ in range(rng.integers(1, 4)):
                first = START_MS + int(rng.uniform(0, 7.2e6))
                past = first + 1 + int(rng.exponential(rng.choice(LENGTHS_MS)))
                channel = rng.choice([None, "main_boom_deg", "utilisation_pct"])
                spans.append(
                    Excluded(
                        channel=channel, from_at=from_ms(first), to_at=from_ms(past), readings_false=False
                    )
                )
            counted = exclusions.count_without(whole, spans, count)
            assert cubes(counted) + counted.figures["excluded_cubed_sum"] >= before - 1e-9


def test_excluding_the_empty_hook_between_like_loads_loses_no_lift() -> None:
    crane_type = load_yard(healthy=True).cranes[0].crane.type
    whole = samples(0, pose=False)
    at_ms, seconds = whole.at_ms, np.arange(whole.at_ms.size)
    loaded = (seconds % 120 >= 20) & (seconds % 120 < 100)
    channels = {"utilisation_pct": np.where(loaded, 60.0, 5.0).astype(np.float32)}
    pallets = replace(whole, channels=channels)

    def count(these: DaySamples) -> DayCount:
        return day.count(LOCAL_DAY, crane_type, these, [], frozenset, SETTINGS, turned=False)

    before = cubes(count(pallets))
    empty = zip(
        np.flatnonzero(loaded[:-1] & ~loaded[1:]), np.flatnonzero(~loaded[:-1] & loaded[1:])[1:], strict=False
    )
    spans = [
        Excluded(
            channel=None,
            from_at=from_ms(int(at_ms[end]) + 1),
            to_at=from_ms(int(at_ms[start]) + 1),
            readings_false=False,
        )
        for end, start in empty
    ]
    counted = exclusions.count_without(pallets, spans, count)
    assert cubes(counted) < 0.1 * before
    assert cubes(counted) + counted.figures["excluded_cubed_sum"] == pytest.approx(before)


def test_a_limit_that_is_missing_here_and_there_counts_no_more() -> None:
    crane_type = load_yard(healthy=True).cranes[0].crane.type
    whole = samples(1, pose=False)
    n = whole.at_ms.size
    steady = {**whole.channels, "limit_pct": np.full(n, 60, np.float32)}
    lossy = {**steady, "limit_pct": np.where(np.arange(n) % 7 == 2, np.float32(np.nan), np.float32(60))}
    before, after = (
        day.count(
            LOCAL_DAY, crane_type, replace(whole, channels=channels), [], frozenset, SETTINGS, turned=False
        )
        for channels in (steady, lossy)
    )
    assert cubes(before) > 0
    assert (cubes(after), after.ledger) == (cubes(before), before.ledger)
