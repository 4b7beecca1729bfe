"""Excluding never helps: used share and forecast of a crane, from its readings to the api, before and after."""

from datetime import timedelta
from typing import Any

import psycopg
import pytest

from domain.exclusion import ExclusionAsked
from store import exclusions
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import MONDAY, WEEKS, asked, worked

HEAVY = 6  # of WEEKS, with an hour of hard work more
WEEK = timedelta(weeks=1)


def life_of(yard: Yard) -> dict[str, Any]:
    """The life of the crane, which the fleet agrees with."""
    fleet, found = asked(yard.url, "/fleet", f"/cranes/{yard.crane.name}/life")
    (row,) = fleet["rows"]
    assert row["used_share"] == found["used_share"]
    return found


def exclude(yard: Yard, first: timedelta, past: timedelta, **more: Any) -> None:
    asked_for = ExclusionAsked(from_at=MONDAY + first, to_at=MONDAY + past, reason="sensor drifts", **more)
    with psycopg.connect(yard.url) as conn:
        exclusions.exclude(conn, yard.crane_id, yard.zone, asked_for, "ida")
    yard.count()


@pytest.fixture
def busy(yard: Yard) -> Yard:
    """A crane with 16 weeks of work, one of them heavy."""
    worked(yard)
    hard = working(1, seed=99)
    hard["utilisation_pct"] = hard["utilisation_pct"] * 1.15
    yard.store(yard.messages(MONDAY + HEAVY * WEEK + timedelta(days=1), hard, boot=500))
    yard.count()
    return yard


@pytest.mark.parametrize(
    ("first", "past"),
    [
        (HEAVY * WEEK, (HEAVY + 1) * WEEK),
        (HEAVY * WEEK, HEAVY * WEEK + timedelta(days=1)),
        (HEAVY * WEEK + timedelta(days=1, minutes=10), HEAVY * WEEK + timedelta(days=1, minutes=30)),
        (timedelta(0), 8 * WEEK),
        (timedelta(0), 30 * WEEK),
    ],
    ids=("the heaviest week", "a day", "twenty minutes", "eight weeks", "everything"),
)
def test_excluding_never_lowers_the_used_share(busy: Yard, first: timedelta, past: timedelta) -> None:
    before = life_of(busy)
    assert before["used_share_unrecorded"] == 0
    exclude(busy, first, past)
    after = life_of(busy)
    assert after["used_share"] >= before["used_share"] * (1 - 1e-9)
    assert after["used_share"] <= before["used_share"] * 2.5  # and it is no punishment either
    assert after["used_share_unrecorded"] > 0
    assert after["unrecorded_s"] > 0
    assert after["used_share_counted"] + after["used_share_unrecorded"] + after["used_share_prior"] + after[
        "used_share_unknown"
    ] == pytest.approx(after["used_share"])
    assert "not recorded" in after["sentence"]
    assert after["coverage"] < before["coverage"]
    assert after["forecast"]["middle_on"] <= before["forecast"]["middle_on"]
    assert after["forecast"]["weeks_used"] == before["forecast"]["weeks_used"]


def test_false_readings_leave_the_used_share(busy: Yard) -> None:
    before = life_of(busy)
    stuck = working(1, seed=7)
    stuck["utilisation_pct"] = stuck["utilisation_pct"] * 2.5
    at = 3 * WEEK + timedelta(days=3)
    busy.store(busy.messages(MONDAY + at, stuck, boot=600))
    busy.count()
    wrong = life_of(busy)
    assert wrong["used_share"] > 1.5 * before["used_share"]
    exclude(busy, at, at + timedelta(hours=2))
    assert life_of(busy)["used_share"] >= wrong["used_share"]
    exclude(busy, at, at + timedelta(hours=2), readings_false=True)
    mended = life_of(busy)
    # its hour is at the pace of the 90th-percentile week, which is one of 16
    assert before["used_share"] * 1.05 < mended["used_share"] < wrong["used_share"]


def test_with_everything_false_there_is_no_used_share(busy: Yard) -> None:
    exclude(busy, timedelta(0), (WEEKS[-1] + 2) * WEEK, readings_false=True)
    found = life_of(busy)
    assert found["used_share"] is None
    assert "withdraw an exclusion" in found["used_share_reason"]["text"]
