"""Lifts of days that hang together over idle days, nights and a change of what the crane sends: in whatever order counted."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import psycopg
import pytest

from analytics import rebuild
from store.segments import Segment
from tests.integration.analytics.crane_at_work import Yard

START = datetime(2026, 3, 9, 23, tzinfo=UTC)  # in Vienna: Tuesday 10 March, 00:00
STEP_MS = 4000
DAY = 86_400_000 // STEP_MS
BLIND = (3, 8)  # days without angles
EMPTY = 5  # a day without a record


def record(rng: np.random.Generator, days: int) -> dict[str, np.ndarray]:
    """Loads at random, hours of nothing, whole days of nothing, and two nights with a load on the hook."""
    utilisation = np.full(days * DAY, 20.0)
    for day in (0, 1, 3, 6, 7, 9):
        at = day * DAY + int(rng.integers(2000, 4000))
        for _ in range(int(rng.integers(1, 6))):
            length = int(rng.integers(5, 40))
            utilisation[at : at + length] = rng.uniform(40, 95)
            at += length + int(rng.integers(5, 900))
    utilisation[int(0.99 * DAY) : int(2.01 * DAY)] = 70.0  # over two midnights
    utilisation[int(6.98 * DAY) : int(7.02 * DAY)] = 50.0
    utilisation[days * DAY - 100 :] = 60.0
    still = dict.fromkeys(("main_boom_deg", "knuckle_boom_deg"), np.full(utilisation.size, 10.0))
    return {"utilisation_pct": utilisation, **still, "extension_m": np.full(utilisation.size, 1.0)}


def messages(yard: Yard, days: int, seed: int) -> list[list[Segment]]:
    """The messages of each day that has a record."""
    channels = record(np.random.default_rng(seed), days)
    found = []
    for day in range(days):
        if day == EMPTY:
            continue
        sent = {
            name: values[day * DAY : (day + 1) * DAY]
            for name, values in channels.items()
            if day not in BLIND or name == "utilisation_pct"
        }
        start = START + timedelta(days=day)
        found.append(yard.messages(start, sent, dt_ms=STEP_MS, per_message=900, first_seq=100 * day))
    return found


def lifts_of(yard: Yard) -> tuple[list[dict[str, Any]], list[tuple[Any, ...]]]:
    figures = [
        (row["day"], row["lifts"], row["peak_cubed_sum"], row["loaded_ms"]) for row in yard.rows("day_figure")
    ]
    return yard.rows("lift"), figures


@pytest.mark.parametrize("seed", [1, 2])
def test_days_counted_in_any_order_have_the_lifts_of_one_count_of_everything(yard: Yard, seed: int) -> None:
    lots = messages(yard, 11, seed)
    for place in np.random.default_rng(seed).permutation(len(lots)):
        yard.store(lots[place])
        yard.count()
    found, figures = lifts_of(yard)
    assert len(found) > 10
    with psycopg.connect(yard.url) as conn:
        conn.execute("delete from lift")
    assert rebuild.touch_recorded(yard.url) == len(lots)
    yard.count()
    assert lifts_of(yard) == (found, figures)
    over = [row for row in found if row["ended_at"] - row["started_at"] > timedelta(hours=23)]
    assert len(over) == 1  # from the evening of the first day to the morning of the third
    posed = {row["day"]: row["posed"] for row in yard.rows("day_figure")}
    assert [place for place, day in enumerate(sorted(posed)) if not posed[day]] == [3, 7]
    assert all(row["mass_kg"] is not None for row in found if posed[row["day"]])
