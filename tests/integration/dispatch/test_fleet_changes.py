"""The fleet that questions are answered from: what changes counts at once, and a list is answered page by page."""

from typing import Any

import httpx
import psycopg
import pytest

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


@pytest.mark.parametrize("table", ["crane", "crane_type", "site", "load_chart_version"])
async def test_every_change_of_the_fleet_is_noted(yard_database: str, table: str) -> None:
    with psycopg.connect(yard_database) as conn:
        before = conn.execute("select count(*) from fleet_change").fetchone()
        conn.execute(f"delete from {table} where false")
        after = conn.execute("select count(*) from fleet_change").fetchone()
    assert before is not None
    assert after is not None
    assert after[0] == before[0] + 1


async def test_a_crane_that_left_is_not_answered_any_more(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    assert await row_of(client, "yard-05")
    with psycopg.connect(yard_database) as conn:
        conn.execute("delete from crane where name = 'yard-05'")
    assert "yard-05" not in [row["crane"] for row in (await ask(client))["candidates"]]


async def test_a_fault_counts_from_the_next_question(client: httpx.AsyncClient, yard_database: str) -> None:
    assert (await row_of(client, "yard-05"))["open_faults"] == []
    with psycopg.connect(yard_database) as conn:
        conn.execute(
            "insert into fault_episode (crane_id, code, raised_at) select crane_id, 'H-207', now() from crane"
            " where name = 'yard-05'"
        )
    row = await row_of(client, "yard-05")
    assert (row["open_faults"], row["usable"]) == (["H-207"], False)


async def test_charts_put_there_past_the_checks_leave_a_crane_without_charts(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    rising = (
        '[{"spread_left": "full", "spread_right": "full", "sector": null, "jib_fitted": false, "stage": null,'
        ' "points": [{"outreach_m": 2, "capacity_kg": 500, "hook_height_m": null},'
        ' {"outreach_m": 8, "capacity_kg": 9000, "hook_height_m": null}]}]'
    )
    with psycopg.connect(yard_database) as conn:
        conn.execute(
            "insert into load_chart_version (crane_id, valid_from, charts, source, imported_by)"
            " select crane_id, '2026-01-01', %s, 'by hand', 'nobody' from crane where name = 'yard-03'",
            [rising],
        )
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
