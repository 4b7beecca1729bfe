"""The near-limit share as it is stored by day: one kind of time above and below, adding up over any period."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from store.segments import to_ms
from tests.integration.analytics.crane_at_work import Yard, shuffled, working
from tests.integration.analytics.test_one_life_status import asked

MIDNIGHT = datetime(2026, 3, 9, 23, tzinfo=UTC)  # in Vienna: Tuesday 10 March, 00:00
HOUR = timedelta(hours=1)


def held(level: float, hours: float, mode: float = 2.0) -> dict[str, np.ndarray]:
    """Utilisation at a level all the time, without geometry."""
    n = round(hours * 3600)
    return {"utilisation_pct": np.full(n, level), "limit_pct": np.full(n, 100.0), "mode": np.full(n, mode)}


def by_day(yard: Yard) -> dict[str, tuple[int, int]]:
    return {
        row["day"].isoformat(): (row["near_limit_ms"], row["loaded_ms"]) for row in yard.rows("day_figure")
    }


def under_load(yard: Yard, parts: list) -> dict[str, tuple[int, int]]:
    """(near the limit, under load) of every local day, sample by sample from the stored lifts."""
    lifts = [(to_ms(row["started_at"]), to_ms(row["ended_at"])) for row in yard.rows("lift")]
    start, end = np.array(lifts, np.int64).T
    found: dict[str, list[int]] = {}
    for part in parts:
        used = part.values[part.channels.index("utilisation_pct")]
        begin = part.t0_ms + np.arange(used.size) * part.dt_ms
        parts_inside = np.minimum(end, begin[:, None] + part.dt_ms) - np.maximum(start, begin[:, None])
        inside = np.clip(parts_inside, 0, None).sum(axis=1)
        for at, value, loaded in zip(begin.tolist(), used.tolist(), inside.tolist(), strict=True):
            day = datetime.fromtimestamp(at / 1000, yard.zone).date().isoformat()
            sums = found.setdefault(day, [0, 0])
            sums[0] += part.dt_ms if value >= 90 else 0
            sums[1] += part.dt_ms if value >= 90 else loaded
    return {day: (near, loaded) for day, (near, loaded) in found.items()}


def test_days_hold_the_time_under_load_that_passed_in_them(yard: Yard) -> None:
    """Three days at random, a lift over each midnight, in random order: the same as sample by sample."""
    signals = working(30, seed=5)
    for hour in (2, 26):
        signals["utilisation_pct"][hour * 3600 - 900 : hour * 3600 + 900] = 60.0
    signals["utilisation_pct"][26 * 3600 : 26 * 3600 + 300] = 95.0
    parts = yard.messages(MIDNIGHT - 2 * HOUR, signals, per_message=600)
    for lot in shuffled(parts, seed=2, into=4):
        yard.store(lot)
        yard.count()
    assert len(yard.rows("lift")) > 100
    counted = by_day(yard)
    assert counted == under_load(yard, parts)
    assert all(0 < near < loaded for near, loaded in counted.values())


def test_a_sensor_stuck_at_100_percent_reads_100_percent(yard: Yard) -> None:
    yard.store(yard.messages(MIDNIGHT - 30 * HOUR, held(100.0, 72), per_message=3600))
    yard.count()
    assert all(near == loaded > 0 for near, loaded in by_day(yard).values())
    query = "day_from=2026-03-01&day_to=2026-03-31"
    fleet, near, days = asked(
        yard.url,
        f"/fleet?{query}",
        f"/cranes/{yard.crane.name}/near-limit?{query}",
        f"/cranes/{yard.crane.name}/days?{query}",
    )
    assert fleet["rows"][0]["near_limit_pct"] == near["crane"]["near_limit_pct"] == 100.0
    assert fleet["rows"][0]["loaded_s"] == 72 * 3600
    assert sum(row["loaded_ms"] for row in days["items"]) == 72 * 3_600_000


@pytest.mark.parametrize(("level", "share"), [(95.0, 100.0), (60.0, None)])
def test_in_transport_only_time_near_the_limit_is_under_load(
    yard: Yard, level: float, share: float | None
) -> None:
    yard.store(yard.messages(MIDNIGHT - 3 * HOUR, held(level, 2, mode=0.0)))
    yard.count()
    assert yard.rows("lift") == []
    (answer,) = asked(yard.url, f"/cranes/{yard.crane.name}/near-limit?day_from=2026-03-01&day_to=2026-03-31")
    assert answer["crane"]["near_limit_pct"] == share


def test_the_half_of_a_lift_before_midnight_may_come_late(yard: Yard) -> None:
    """What was a lift from midnight on becomes one that began before: each half counts for its own day."""
    signals = held(60.0, 2)
    signals["utilisation_pct"][:1800] = signals["utilisation_pct"][-1800:] = 3.0
    parts = yard.messages(MIDNIGHT - HOUR, signals)
    for lot, whole in ((parts[60:], parts[60:]), (parts[:60], parts)):
        yard.store(lot)
        yard.count()
        assert by_day(yard) == under_load(yard, whole)
    assert [loaded for _, loaded in by_day(yard).values()] == [1_800_000, 1_799_000]
