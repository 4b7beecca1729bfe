"""Excluded spans: their readings are missing in every count, their time is in use and not recorded, and back they come."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import psycopg
import pytest

from domain.exclusion import ExclusionAsked
from duty import ledger
from store import exclusions
from tests.integration.analytics.crane_at_work import Yard, hours, working

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
HOUR_MS = 3_600_000
WHY = "pressure sensor hung"


def exclude(yard: Yard, first: float, past: float, **more: Any) -> int:
    """Excludes hours of the record, counted from START."""
    asked = ExclusionAsked(from_at=START + hours(first), to_at=START + hours(past), reason=WHY, **more)
    with psycopg.connect(yard.url) as conn:
        row, _ = exclusions.exclude(conn, yard.crane_id, yard.zone, asked, "ida")
    return row.exclusion_id


def withdraw(yard: Yard, number: int) -> None:
    with psycopg.connect(yard.url) as conn:
        exclusions.withdraw(conn, yard.crane_id, yard.zone, number, "ida")


def cubes(rows: list[dict[str, Any]]) -> float:
    return sum((row["peak_structural_pct"] / 100) ** 3 for row in rows)


def test_an_excluded_span_is_in_use_and_not_recorded(yard: Yard) -> None:
    yard.store(yard.messages(START, working(6)))
    yard.count()
    (before,), lifts = yard.rows("day_figure"), yard.rows("lift")
    inside = [
        row for row in lifts if row["started_at"] < START + hours(3) and row["ended_at"] > START + hours(1)
    ]
    exclude(yard, 1, 3)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["excluded_ms"], day["recorded_ms"]) == (2 * HOUR_MS, before["recorded_ms"] - 2 * HOUR_MS)
    assert day["sensor_gap_ms"] == before["sensor_gap_ms"] == 0
    assert day["excluded_cubed_sum"] == pytest.approx(cubes(inside))
    assert not [
        row
        for row in yard.rows("lift")
        if row["started_at"] > START + hours(1) and row["ended_at"] < START + hours(3)
    ]
    (gap,) = yard.rows("gap")
    assert (gap["cause"], gap["from_at"], gap["to_at"]) == ("excluded", START + hours(1), START + hours(3))
    (counted,) = [row for row in yard.rows("span_ledger") if row["span"] == "day"]
    assert ledger.from_bytes(counted["ledger"]).samples == 4 * 3600
    (summary,) = yard.rows("crane_summary")
    assert summary["coverage"] == pytest.approx(4 / 6)
    assert summary["missing_ms"] == 2 * HOUR_MS
    assert summary["f1"] >= 1.5


def test_withdrawn_it_counts_as_before_and_overlaps_do_no_harm(yard: Yard) -> None:
    yard.store(yard.messages(START, working(30)))
    yard.count()
    before = yard.counted()
    numbers = [exclude(yard, 1, 3), exclude(yard, 2, 20), exclude(yard, 2, 20, channel="slew_deg")]
    assert exclude(yard, 1, 3) == numbers[0]  # asked again it is the one that is there
    yard.count()
    assert sum(row["excluded_ms"] for row in yard.rows("day_figure")) == 19 * HOUR_MS
    for number in numbers:
        withdraw(yard, number)
    withdraw(yard, numbers[0])
    yard.count()
    assert yard.counted() == before
    with psycopg.connect(yard.url) as conn:
        listed = exclusions.listed(conn, yard.crane_id)
    assert [(row.exclusion_id, row.withdrawn_by) for row in listed] == [
        (number, "ida") for number in reversed(numbers)
    ]


def test_data_that_comes_after_the_exclusion_is_excluded_too(yard: Yard, database_server: str) -> None:
    parts = yard.messages(START, working(6))
    yard.store(parts[::2])
    exclude(yard, 1, 3)
    yard.count()
    yard.store(parts[1::2])
    yard.count()
    late = yard.counted()
    with psycopg.connect(yard.url) as conn:
        for part in (touched for touched in exclusions.listed(conn, yard.crane_id)):
            exclusions.touch_between(conn, yard.crane_id, part.from_at.date(), part.to_at.date())
    yard.count()
    assert yard.counted() == late
    assert sum(row["excluded_ms"] for row in yard.rows("day_figure")) == 2 * HOUR_MS


def test_false_readings_are_no_lower_bound(yard: Yard) -> None:
    channels = working(6)
    channels["utilisation_pct"][3600:7200] = 250.0
    yard.store(yard.messages(START, channels))
    number = exclude(yard, 1, 2)
    yard.count()
    (doubted,) = yard.rows("day_figure")
    assert doubted["excluded_cubed_sum"] >= 8  # one lift of 250 % of a limit of 80 %
    withdraw(yard, number)
    exclude(yard, 1, 2, readings_false=True)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["excluded_ms"], day["excluded_cubed_sum"]) == (HOUR_MS, 0.0)
    assert max(row["peak_utilisation_pct"] for row in yard.rows("lift")) < 130


def test_an_angle_that_is_excluded_leaves_the_pose_unknown_and_the_duty_counted(yard: Yard) -> None:
    channels = {
        name: values for name, values in working(4).items() if name not in ("outreach_m", "hook_height_m")
    }
    n = channels["utilisation_pct"].size
    angles = {"main_boom_deg": 40.0, "knuckle_boom_deg": -10.0, "extension_m": 1.0}
    channels |= {name: np.full(n, value) for name, value in angles.items()}
    yard.store(yard.messages(START, channels))
    yard.count()
    (before,) = yard.rows("day_figure")
    assert all(row["peak_outreach_m"] is not None for row in yard.rows("lift"))
    exclude(yard, 0, 4, channel="main_boom_deg")
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["excluded_ms"], day["recorded_ms"]) == (0, before["recorded_ms"])
    assert yard.rows("lift")
    assert all(row["peak_outreach_m"] is None for row in yard.rows("lift"))


def test_lifts_that_an_unknown_pose_hides_are_duty_not_on_record(yard: Yard) -> None:
    channels = {
        name: values
        for name, values in working(4).items()
        if name not in ("outreach_m", "hook_height_m", "mode")
    }
    n = channels["utilisation_pct"].size
    angles = {"main_boom_deg": 40.0, "knuckle_boom_deg": -10.0, "extension_m": 1.0}
    channels |= {name: np.full(n, value) for name, value in angles.items()}
    yard.store(yard.messages(START, channels))
    yard.count()
    before = sum(row["peak_cubed_sum"] for row in yard.rows("day_figure"))
    exclude(yard, 1, 2, channel="main_boom_deg")
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["posed"], day["no_pose_ms"], day["excluded_ms"]) == (True, HOUR_MS, 0)
    assert 0 < day["peak_cubed_sum"] < before - 1e-9
    assert day["peak_cubed_sum"] + day["excluded_cubed_sum"] >= before - 1e-9
    (summary,) = yard.rows("crane_summary")
    assert (summary["unrecorded_ms"], summary["missing_ms"]) == (HOUR_MS, HOUR_MS)
    assert summary["coverage"] == pytest.approx(4 / 5)


def test_a_missing_reading_inside_is_excluded_and_not_a_gap_of_the_sensor(yard: Yard) -> None:
    channels = working(2)
    channels["utilisation_pct"][1000:1100] = np.nan
    channels["utilisation_pct"][5000:5100] = np.nan
    yard.store(yard.messages(START, channels))
    exclude(yard, 0, 1)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["excluded_ms"], day["sensor_gap_ms"]) == (HOUR_MS, 100_000)
    assert sorted(row["cause"] for row in yard.rows("gap")) == ["excluded", "sensor"]


def test_a_day_that_is_excluded_whole_keeps_its_time(yard: Yard) -> None:
    yard.store(yard.messages(START, working(6)))
    exclude(yard, -6, 12)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["recorded_ms"], day["excluded_ms"], day["lifts"]) == (0, 6 * HOUR_MS, 0)
    assert day["excluded_cubed_sum"] > 0
    (summary,) = yard.rows("crane_summary")
    assert summary["coverage"] == 0


def test_only_days_on_record_are_queued(yard: Yard) -> None:
    yard.store(yard.messages(START, working(6)))
    yard.count()
    asked = ExclusionAsked(from_at=START - timedelta(days=400), to_at=START + timedelta(days=400), reason=WHY)
    with psycopg.connect(yard.url) as conn:
        _, days = exclusions.exclude(conn, yard.crane_id, yard.zone, asked, "ida")
    assert [str(day) for day in days] == ["2026-03-09"]


def test_what_two_boxes_told_is_missing_once_when_it_is_excluded(yard: Yard) -> None:
    yard.store(yard.messages(START, working(3)))
    yard.store(yard.messages(START + timedelta(milliseconds=500), working(3, seed=1), boot=2))
    yard.count()
    (before,) = yard.rows("day_figure")
    assert before["overlap_ms"] > 2.9 * HOUR_MS
    exclude(yard, 0, 2)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert day["excluded_ms"] == 2 * HOUR_MS
    assert day["overlap_ms"] == pytest.approx(before["overlap_ms"] - 2 * HOUR_MS, abs=2000)
    exclude(yard, 0, 4)
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["overlap_ms"], day["recorded_ms"]) == (0, 0)
