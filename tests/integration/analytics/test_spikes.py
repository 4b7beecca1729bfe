"""Spikes of a sensor in a whole day: no figure of duty moves, and the day says how many there were."""

from datetime import UTC, datetime

import numpy as np
import psycopg
import pytest

from duty import damage, ledger
from duty.damage import COMPARISON
from tests.integration.analytics.crane_at_work import Yard, working

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
DUTY = ("lifts", "peak_cubed_sum", "kq", "damage", "used_share", "near_limit_ms", "over_limit_ms")


def spiked(values: np.ndarray, apart: int, level: float = 250.0) -> np.ndarray:
    """28 readings at a level, evenly spread."""
    found = values.copy()
    found[apart // 2 :: apart][:28] = level
    return found


def duty_of(yard: Yard) -> dict[str, float]:
    (summary,) = yard.rows("crane_summary")
    ledgers = [ledger.from_bytes(row["ledger"]) for row in yard.rows("span_ledger") if row["span"] == "day"]
    of_weld = damage.of_ledger(COMPARISON, ledger.merge_all(ledgers)).total
    return {**{name: summary[name] for name in DUTY}, "of_weld": of_weld}


def forget(yard: Yard) -> None:
    with psycopg.connect(yard.url) as conn:
        conn.execute(
            "truncate segment, event, touched_day, crane_summary, day_figure, span_ledger, lift cascade"
        )


def test_28_spikes_in_8_hours_move_nothing(yard: Yard) -> None:
    clean = working(8, dt_ms=200)
    yard.store(yard.messages(START, clean, dt_ms=200, per_message=300))
    yard.count()
    before, (day,) = duty_of(yard), yard.rows("day_figure")
    assert before["damage"] > 0
    assert before["peak_cubed_sum"] > 1
    assert (day["spikes"], day["spikes_counted"]) == (0, 0)

    forget(yard)
    dirty = {**clean, "utilisation_pct": spiked(clean["utilisation_pct"], apart=5143)}
    yard.store(yard.messages(START, dirty, dt_ms=200, per_message=300))
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["spikes"], day["spikes_counted"]) == (28, 0)
    assert 130 < day["largest_spike_pct"] <= 250
    after = duty_of(yard)
    # What stands in a spike's place is another reading of its second: ranges of a few percent may end a class aside.
    for name, value in before.items():
        assert after[name] == pytest.approx(value, rel=1e-3 if name in ("damage", "of_weld") else 0), name


def test_where_readings_come_once_a_second_they_count_and_are_told(yard: Yard) -> None:
    clean = working(8)
    dirty = {**clean, "utilisation_pct": spiked(clean["utilisation_pct"], apart=1000, level=145.0)}
    yard.store(yard.messages(START, dirty))
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["spikes"], day["spikes_counted"]) == (0, 28)
    (summary,) = yard.rows("crane_summary")
    assert summary["over_limit_ms"] >= 28_000


def test_what_is_set_aside_is_no_overload_and_what_counts_is_one(yard: Yard) -> None:
    """Spikes beyond what a crane can do: set aside while nothing else moves, counted and told where the load moves too."""
    clean = working(8)
    still = spiked(np.full(clean["utilisation_pct"].size, 20.0), apart=1000)
    for readings, aside, codes in (
        (still, 28, {"spikes"}),
        (spiked(clean["utilisation_pct"], apart=1000), 17, {"spikes", "overload"}),
    ):
        yard.store(yard.messages(START, {**clean, "utilisation_pct": readings}))
        yard.count()
        (day,) = yard.rows("day_figure")
        assert (day["spikes"], day["spikes_counted"]) == (aside, 28 - aside)
        found = {row["code"] for row in yard.rows("finding")}
        assert found & {"spikes", "overload"} == codes
        forget(yard)


def test_a_limit_that_drops_out_for_one_reading_makes_no_cycle(yard: Yard) -> None:
    """Structural percent is made of both percents: each loses its own spikes."""
    clean = working(2, dt_ms=200)
    yard.store(yard.messages(START, clean, dt_ms=200, per_message=300))
    yard.count()
    before = duty_of(yard)
    forget(yard)
    dirty = {**clean, "limit_pct": spiked(clean["limit_pct"], apart=1286, level=0.0)}
    yard.store(yard.messages(START, dirty, dt_ms=200, per_message=300))
    yard.count()
    (day,) = yard.rows("day_figure")
    assert day["spikes"] == 28
    assert duty_of(yard) == before
