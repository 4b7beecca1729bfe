"""The fleet and the life of a crane say the same about it: one definition of what counted duty means."""

import asyncio
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from api.app import create_api, running
from api.settings import ApiSettings
from domain.crane import DesignClass, Edition
from duty import life
from duty.damage import COMPARISON
from store import cranes
from tests.integration.analytics.crane_at_work import Yard, working

MONDAY = datetime(2025, 9, 1, 6, tzinfo=UTC)
WEEKS = (0, 1, 2, 3, 6, 7, 8, 9, 10, 12, 13, 14, 15, 16, 17, 18)  # the crane stood still in the others


def asked(url: str, *paths: str) -> list[dict[str, Any]]:
    """Answers of the api."""

    async def ask() -> list[dict[str, Any]]:
        app = create_api(url, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
        transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40_000))
        async with running(app), httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as http:
            return [(await http.get(path)).json() for path in paths]

    return asyncio.run(ask())


def worked(yard: Yard) -> None:
    small = DesignClass(
        edition=Edition.EN_13001_1, u_class="U0", q_class="Q0"
    )  # so that a date comes in scope
    with psycopg.connect(yard.url) as conn:
        cranes.save_crane(conn, yard.crane.model_copy(update={"design": small}))
    for week in WEEKS:
        signals = working(0.3, seed=week)
        yard.store(yard.messages(MONDAY + timedelta(weeks=week), signals, boot=week + 1))
    yard.count()


def test_fleet_and_life_agree(yard: Yard) -> None:
    worked(yard)
    fleet, found = asked(yard.url, "/fleet", f"/cranes/{yard.crane.name}/life")
    (row,) = fleet["rows"]
    assert found["used_share"] == row["used_share"] > 0
    assert found["forecast"]["middle_on"] == row["spent_on"]
    assert found["forecast"]["threshold"] == life.SPENT_SHARE
    assert found["review_forecast"]["threshold"] == found["review_at_share"] == 0.95
    assert found["review_forecast"]["middle_on"] < found["forecast"]["middle_on"]
    (detail,) = found["details"]
    assert (detail["detail"], detail["damage"]) == (row["damage_detail"], row["damage"])
    assert detail["detail"] == COMPARISON.name
    assert detail["damage"] > 0
    assert detail["assumed"]
    assert row["damage_assumed"]


def test_weeks_without_a_record_are_left_out_and_the_last_one_only_when_it_is_over(yard: Yard) -> None:
    """First and last week are cut by the record: of 17 whole weeks between, 3 have no record and are not known."""
    worked(yard)
    (found,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    last_day = date(2025, 9, 1) + timedelta(weeks=18)
    assert found["forecast_from"] == str(last_day + timedelta(days=1))
    assert found["forecast"]["weeks_used"] == 14
    yard.store(yard.messages(MONDAY + timedelta(weeks=19), working(0.1), boot=90))
    yard.count()
    (later,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    assert later["forecast"]["weeks_used"] == 15


def test_the_review_share_is_an_entry_of_the_crane(yard: Yard) -> None:
    worked(yard)
    (before,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    with psycopg.connect(yard.url) as conn:
        conn.execute("""update crane set spec = jsonb_set(spec, '{review_at_share}', '0.5')""")
    (after,) = asked(yard.url, f"/cranes/{yard.crane.name}/life")
    assert after["review_forecast"]["middle_on"] < before["review_forecast"]["middle_on"]
    assert after["forecast"] == before["forecast"]
    assert after["special_assessment_by_calendar_on"] == before["special_assessment_by_calendar_on"]


def test_heavy_lifts_moved_to_a_stronger_crane_prolong_the_life_of_both_together(yard: Yard) -> None:
    """The other crane has twice the full rating: the same lifts cost it an eighth."""
    worked(yard)
    strong_type = yard.crane.type.model_copy(
        update={"name": "strong", "rated_moment_kn_m": 2 * yard.crane.type.rated_moment_kn_m}
    )
    with psycopg.connect(yard.url) as conn:
        small = conn.execute("select spec -> 'design' from crane").fetchone()
        assert small is not None
        other = yard.crane.model_copy(
            update={
                "name": "strong-1",
                "type": strong_type,
                "design": DesignClass.model_validate(small[0]),
            }
        )
        other_id = cranes.save_crane(conn, other)
    second = replace(yard, crane=other, crane_id=other_id)
    for week in WEEKS:
        second.store(
            second.messages(MONDAY + timedelta(weeks=week), working(0.2, seed=50 + week), boot=week + 1)
        )
    second.count()
    base = f"/cranes/{yard.crane.name}/life/what-if?heavy_from_pct=80"
    nobody, found = asked(yard.url, base, f"{base}&to=strong-1")
    assert found["before"] == nobody["before"]
    assert found["too_heavy_lifts_a_year"] == 0
    assert found["moved_lifts_a_year"] == found["heavy_lifts_a_year"] > 0
    given = found["before"]["share_a_year"] - found["after"]["share_a_year"]
    gained = found["other_after"]["share_a_year"] - found["other_before"]["share_a_year"]
    assert gained == pytest.approx(given / 8, rel=0.02)  # both records have 14 known weeks
    assert found["after"]["spent"]["middle_on"] > found["before"]["spent"]["middle_on"]
    assert found["other_after"]["spent"]["middle_on"] < found["other_before"]["spent"]["middle_on"]
    assert found["after"]["damage_a_year"] < found["before"]["damage_a_year"]
    assert found["other_after"]["damage_a_year"] > found["other_before"]["damage_a_year"]
    twice = asked(yard.url, f"/cranes/{yard.crane.name}/life/what-if?duty_factor=2")[0]
    assert twice["after"]["share_a_year"] == pytest.approx(2 * twice["before"]["share_a_year"])
