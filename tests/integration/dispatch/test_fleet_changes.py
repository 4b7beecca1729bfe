"""The fleet that questions are answered from: what changes counts at once, and a list is answered page by page."""

from datetime import UTC, date, datetime
from typing import Any

import httpx
import psycopg
import pytest
from psycopg.types.json import Jsonb

from tests.support import rows

pytestmark = pytest.mark.anyio

JOB: dict[str, Any] = {"mass_kg": 500.0, "rigging_kg": 0.0, "outreach_m": 6.0}
CHARTS = "spread_left,spread_right,outreach_m,capacity_kg\nfull,full,2,900\nfull,full,6,300\n"


async def ask(client: httpx.AsyncClient, **more: Any) -> dict[str, Any]:
    answer = await client.post("/dispatch", json={**JOB, **more})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def row_of(client: httpx.AsyncClient, crane: str) -> dict[str, Any]:
    return next(row for row in (await ask(client))["candidates"] if row["crane"] == crane)


async def test_new_charts_count_from_the_next_question_and_for_that_crane_alone(
    client: httpx.AsyncClient,
) -> None:
    before = await ask(client)
    entered = {"csv": CHARTS, "valid_from": "2026-01-01", "source": "invented plate"}
    done = await client.post("/cranes/yard-03/chart-versions", json=entered)
    assert done.status_code == 200, done.text
    after = {row["crane"]: row for row in (await ask(client))["candidates"]}
    assert (after["yard-03"]["fit"], after["yard-03"]["capacity_kg"]) == (False, 300.0)
    assert before["candidates"]
    for row in before["candidates"]:
        assert row["crane"] == "yard-03" or after[row["crane"]] == row


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("crane", "crane_id"),
        ("crane_type", "type_id"),
        ("site", "site_id"),
        ("load_chart_version", "version_id"),
    ],
)
async def test_every_change_of_the_fleet_is_noted(yard_database: str, table: str, key: str) -> None:
    with psycopg.connect(yard_database) as conn:
        before = rows.count(conn, "fleet_change")
        rows.remove(conn, table, **{key: -1})
        assert rows.count(conn, "fleet_change") == before + 1


async def test_a_crane_that_left_is_not_answered_any_more(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    assert await row_of(client, "yard-05")
    with psycopg.connect(yard_database) as conn:
        rows.remove(conn, "crane", name="yard-05")
    assert "yard-05" not in [row["crane"] for row in (await ask(client))["candidates"]]


async def test_a_fault_counts_from_the_next_question(client: httpx.AsyncClient, yard_database: str) -> None:
    assert (await row_of(client, "yard-05"))["open_faults"] == []
    with psycopg.connect(yard_database) as conn:
        rows.fault(conn, "yard-05", datetime(2026, 3, 2, 8, tzinfo=UTC))
    row = await row_of(client, "yard-05")
    assert (row["open_faults"], row["usable"]) == (["H-207"], False)


async def test_charts_put_there_past_the_checks_leave_a_crane_without_charts(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    rising = [
        {"outreach_m": 2, "capacity_kg": 500, "hook_height_m": None},
        {"outreach_m": 8, "capacity_kg": 9000, "hook_height_m": None},
    ]
    of = {"spread_left": "full", "spread_right": "full", "sector": None, "jib_fitted": False, "stage": None}
    charts = Jsonb([{**of, "points": rising}])
    with psycopg.connect(yard_database) as conn:
        made = {"valid_from": date(2026, 1, 1), "source": "by hand", "imported_by": "nobody"}
        rows.insert(conn, "load_chart_version", crane="yard-03", charts=charts, **made)
    assert (await row_of(client, "yard-03"))["ruling"] == "no_chart"
    assert (await row_of(client, "yard-01"))["fit"]


async def test_pages_of_the_list_follow_each_other(client: httpx.AsyncClient) -> None:
    whole = await ask(client)
    assert whole["more_candidates"] == 0
    first = await ask(client, most_candidates=5)
    second = await ask(client, most_candidates=5, skip_candidates=5)
    assert (first["more_candidates"], second["more_candidates"]) == (7, 2)
    assert first["candidates"] + second["candidates"] == whole["candidates"][:10]
    for one in (first, second):
        assert (one["fit_count"], one["ruled_out"]) == (whole["fit_count"], whole["ruled_out"])


async def test_ruled_out_cranes_are_answered_by_their_ruling(client: httpx.AsyncClient) -> None:
    heavy = await ask(client, mass_kg=2500.0, outreach_m=9.0)
    assert heavy["ruled_out"].get("capacity", 0) > 0
    some = await ask(client, mass_kg=2500.0, outreach_m=9.0, rulings=["capacity"])
    assert len(some["candidates"]) == heavy["ruled_out"]["capacity"]
    assert {row["ruling"] for row in some["candidates"]} == {"capacity"}
    assert some["ruled_out"] == heavy["ruled_out"]
    refused = await client.post("/dispatch", json={**JOB, "rulings": ["tired"]})
    assert refused.status_code == 422
    assert "rulings" in " ".join(refused.json()["fields"])
