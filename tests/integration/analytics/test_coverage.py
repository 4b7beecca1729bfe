"""Coverage on counted telemetry: causes, the factor, and an estimate that stays apart."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from domain.crane import DesignClass
from duty import life
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import asked

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
DAYS = (0, 1, 2, 3, 4, 7, 8, 9, 10, 11, 14, 15)


def test_gaps_lower_the_coverage_and_are_estimated_beside_it(yard: Yard) -> None:
    """12 days of an hour; a quarter of an hour of three of them never came."""
    for day in DAYS:
        parts = yard.messages(START + timedelta(days=day), working(1, seed=day), boot=day + 1)
        lost = range(20, 35) if day in {1, 8, 15} else range(0)
        yard.store([part for part in parts if part.seq not in lost])
    yard.count()
    period = "day_from=2026-03-01&day_to=2026-03-31"
    found, whole = asked(
        yard.url, f"/cranes/{yard.crane.name}/coverage?{period}", f"/cranes/{yard.crane.name}/life"
    )
    assert (found["recorded_s"], found["missing_s"]) == (12 * 3600 - 2700, 2700)
    assert found["coverage"] == pytest.approx(1 - 0.75 / 12)
    assert found["f1"] == found["life_f1"] == whole["f1"] == 1.1
    assert found["coverage"] == found["life_coverage"] == whole["coverage"]
    (cause,) = found["causes"]
    assert (cause["cause"], cause["missing_s"], cause["gaps"]) == ("offline", 2700, 3)
    assert [gap["missing_ms"] for gap in found["gaps"]] == [900_000] * 3
    assert (found["days_recorded"], found["days_without_record"]) == (12, 4)
    estimated = found["estimated"]
    days = yard.rows("day_figure")
    lifts, cubes = sum(row["lifts"] for row in days), sum(row["peak_cubed_sum"] for row in days)
    assert estimated["lifts"] == pytest.approx(lifts * 0.75 / 11.25)
    assert estimated["lifts_low"] < estimated["lifts"] < estimated["lifts_high"]
    design = yard.crane.design
    assert isinstance(design, DesignClass)
    assert estimated["design_share"] == pytest.approx(life.share_of_design(design, cubes * 0.75 / 11.25))
    assert whole["used_share_counted"] == pytest.approx(
        life.share_of_design(design, cubes, 1.1)
    )  # nothing of it in there


def test_a_hole_within_a_boot_is_missing_time_in_whatever_order_messages_come(yard: Yard) -> None:
    """An hour with a pause of ten minutes that no new boot announces, and ten minutes that come late."""
    messages = yard.messages(START, working(1), boot=1)
    half = len(messages) // 2
    paused = [*messages[:half], *(replace(part, t0_ms=part.t0_ms + 600_000) for part in messages[half:])]
    yard.store([part for part in reversed(paused) if not 5 <= part.seq < 15])
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["hole_ms"], day["offline_gap_ms"]) == (600_000, 600_000)
    yard.store(paused)  # what was missing, and all the others once more
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["hole_ms"], day["offline_gap_ms"], day["uncounted_ms"]) == (600_000, 0, 0)
    (found,) = asked(yard.url, f"/cranes/{yard.crane.name}/coverage?day_from=2026-03-01&day_to=2026-03-31")
    assert (found["coverage"], found["f1"]) == (pytest.approx(6 / 7), 1.2)
    assert found["coverage"] == found["life_coverage"]
    (gap,) = found["gaps"]
    assert (gap["cause"], gap["missing_ms"], gap["messages"]) == ("hole", 600_000, 0)


def test_time_without_a_boom_position_is_missing_in_a_period_as_in_the_life(yard: Yard) -> None:
    """Of an hour with a pose a quarter has none: 1 / 1.25 of it is on record, 1.3 by the steps."""
    channels = working(1)
    swing = np.sin(np.arange(3600) / 50)
    channels["main_boom_deg"] = np.where(np.arange(3600) < 2700, 40 + 5 * swing, np.nan)
    channels["knuckle_boom_deg"], channels["extension_m"] = -10 + 3 * swing, 1 + swing / 2
    yard.store(yard.messages(START, channels))
    yard.count()
    (day,) = yard.rows("day_figure")
    assert (day["posed"], day["no_pose_ms"]) == (True, 900_000)
    period = "day_from=2026-03-01&day_to=2026-03-31"
    found, whole = asked(
        yard.url, f"/cranes/{yard.crane.name}/coverage?{period}", f"/cranes/{yard.crane.name}/life"
    )
    assert found["coverage"] == found["life_coverage"] == whole["coverage"] == pytest.approx(1 / 1.25)
    assert found["f1"] == found["life_f1"] == whole["f1"] == 1.3
    assert [(one["cause"], one["missing_s"]) for one in found["causes"]] == [("pose", 900)]


def test_a_clock_years_behind_makes_no_crane_younger_before_its_record(yard: Yard) -> None:
    yard.store(yard.messages(START, working(1), boot=1))
    yard.count()
    (before,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    behind = timedelta(days=400)
    wrong = yard.messages(START - behind, working(0.5, seed=1), boot=2)
    arrived = [part.t0_ms + 60_000 + int(behind.total_seconds() * 1000) for part in wrong]
    yard.store([replace(part, received_ms=at) for part, at in zip(wrong, arrived, strict=True)])
    yard.count()
    assert yard.rows("day_figure")[0]["clock_ms"] > 0
    (after,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    assert after["unknown_years"] == before["unknown_years"] > 0
    assert after["used_share"] >= before["used_share"]


def test_what_a_boot_lost_at_its_beginning_is_missing_within_a_day_and_between_days(yard: Yard) -> None:
    """Three boots of an hour, the second on the same day; ten minutes of the second and twenty of the third never came."""
    starts = (START, START + timedelta(hours=3), START + timedelta(days=1))
    for number, (start, lost) in enumerate(zip(starts, (0, 11, 21), strict=True)):
        messages = yard.messages(start, working(1, seed=number), boot=number + 1)
        yard.store([part for part in messages if part.seq >= lost])
    yard.count()
    period = "day_from=2026-03-01&day_to=2026-03-31"
    found, whole = asked(
        yard.url, f"/cranes/{yard.crane.name}/coverage?{period}", f"/cranes/{yard.crane.name}/life"
    )
    gaps = [(gap["cause"], gap["missing_ms"], gap["messages"]) for gap in found["gaps"]]
    assert gaps == [("offline", 1_200_000, 20), ("offline", 600_000, 10)]  # the longest first
    # a number 0 that never came cannot be told from a boot that begins with 1
    assert found["coverage"] == whole["coverage"] == pytest.approx(148 / 178)
    assert found["f1"] == whole["f1"] == 1.3
