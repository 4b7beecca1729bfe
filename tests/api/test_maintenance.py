"""The record by day, weld details and service."""

import math

import httpx
import pytest
from fastapi import FastAPI

from duty.damage import COMPARISON

PASSWORD = "a long enough password"
DETAIL = {"mpa_per_pct": 1.2, "curve": "EN 13001-3-1", "reference_mpa": 80, "gamma_mf": 1.0}

pytestmark = pytest.mark.anyio


async def engineer(app: FastAPI) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40_000))
    client = httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1")
    response = await client.post("/login", json={"account": "engineer-all", "password": PASSWORD})
    assert response.status_code == 200
    return client


async def test_days_and_gaps(http: httpx.AsyncClient) -> None:
    rows = (await http.get("/cranes/heron-3/days")).json()["items"]
    assert [(row["day"], row["lifts"], row["near_limit_ms"]) for row in rows] == [
        ("2026-03-02", 6, 200_000),
        ("2026-03-03", 6, 200_000),
    ]
    query = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-05T00:00:00Z"}
    assert (await http.get("/cranes/heron-3/gaps", params=query)).json()["items"] == []


async def test_open_faults_of_the_fleet(http: httpx.AsyncClient) -> None:
    (row,) = (await http.get("/faults")).json()["items"]
    assert (row["crane"], row["code"], row["raised_times"]) == ("heron-3", "E-07", 2)


async def test_intervals_of_the_whole_fleet_come_in_one_answer(fresh_api: FastAPI) -> None:
    client = await engineer(fresh_api)
    for crane in ("heron-3", "plover-2"):
        assert (
            await client.put(f"/cranes/{crane}/service/yearly", json={"every_days": 365})
        ).status_code == 204
    rows = (await client.get("/service")).json()["items"]
    assert {(row["crane"], row["plan"]) for row in rows} >= {("heron-3", "yearly"), ("plover-2", "yearly")}
    assert rows == [
        row
        for crane in sorted({row["crane"] for row in rows})
        for row in (await client.get(f"/cranes/{crane}/service")).json()["items"]
    ]


async def test_the_fleet_knows_the_assessment_by_the_calendar(http: httpx.AsyncClient) -> None:
    row = next(one for one in (await http.get("/fleet")).json()["rows"] if one["crane"] == "heron-3")
    life = (await http.get("/cranes/heron-3/life")).json()
    assert (row["assessment_on"], row["assessment_by"]) == (life["special_assessment_on"], "age")


async def test_damage_of_a_detail_follows_its_entry_at_once(fresh_api: FastAPI) -> None:
    client = await engineer(fresh_api)
    path = "/cranes/heron-3/details/boom root"
    assert (await client.put(path, json=DETAIL)).status_code == 204
    (row,) = (await client.get("/cranes/heron-3/details")).json()["items"]
    assert (row["name"], row["entered_by"]) == ("boom root", "engineer-all")
    (found,) = (await client.get("/cranes/heron-3/life")).json()["details"]
    spectrum = (await client.get("/cranes/heron-3/spectrum")).json()
    # One slope without end: D = sum n (1.2 range / 80)^3 / 2e6; the spectrum's bins bound each range.
    low, high = (
        sum(row["cycles"] * (1.2 * row[end] / 80) ** 3 for row in spectrum["ranges"]) / 2e6
        for end in ("low_pct", "high_pct")
    )
    assert low <= found["damage"] <= high
    assert found["damage_low"] == pytest.approx(found["damage"] / 3)
    assert (await client.delete(path)).status_code == 204
    assert (await client.delete(path)).status_code == 404
    (instead,) = (await client.get("/cranes/heron-3/life")).json()["details"]
    assert instead["assumed"]
    assert instead["detail"] == COMPARISON.name
    assert not found["assumed"]


async def test_damage_around_the_base_is_worst_where_the_boom_pointed(fresh_api: FastAPI) -> None:
    client = await engineer(fresh_api)
    await client.put("/cranes/heron-3/details/column foot", json={**DETAIL, "direction": "worst"})
    (found,) = (await client.get("/cranes/heron-3/life")).json()["details"]
    assert found["direction_deg"] == 90  # the boom stood at slew 90 the whole time
    across = next(row["damage"] for row in found["by_direction"] if row["direction_deg"] == 0)
    assert across < 1e-3 * found["damage"]
    path = "/cranes/heron-3/life/what-if"
    more = (await client.get(path, params={"duty_factor": 3})).json()
    assert more["before"]["damage_a_year"] == pytest.approx(
        found["damage"] * 365.25 / 2
    )  # two days of record
    assert more["after"]["damage_a_year"] == pytest.approx(3 * more["before"]["damage_a_year"])
    moved = (await client.get(path, params={"heavy_from_pct": 90})).json()
    assert moved["before"] == more["before"]
    assert moved["after"]["damage_a_year"] is None  # nobody counted where the heavy lifts pointed
    assert any("around the base" in one["text"] for one in moved["assumptions"])


@pytest.mark.parametrize(
    "wrong",
    [{"mpa_per_pct": 0}, {"reference_mpa": -1}, {"curve": "made up"}, {"direction": 400}, {"more": 1}],
)
async def test_a_detail_that_makes_no_sense_is_refused(fresh_api: FastAPI, wrong: dict[str, object]) -> None:
    client = await engineer(fresh_api)
    response = await client.put("/cranes/heron-3/details/x", json={**DETAIL, **wrong})
    assert response.status_code == 422


async def test_service_falls_due_and_begins_anew(fresh_api: FastAPI) -> None:
    client = await engineer(fresh_api)
    plan = "/cranes/heron-3/service/lubrication"
    assert (await client.put(plan, json={"every_hours": 1.5, "every_days": 3650})).status_code == 204
    (row,) = (await client.get("/cranes/heron-3/service")).json()["items"]
    assert math.isclose(row["hours_since"], 2.0)
    assert (row["overdue"], row["due_by"]) == (True, "hours")
    done = {"plan_id": row["plan_id"], "done_at": "2026-03-05T08:00:00Z"}
    made = await client.post("/cranes/heron-3/service-done", json=done)
    assert (made.status_code, made.json()["done_by"]) == (201, "engineer-all")
    (row,) = (await client.get("/cranes/heron-3/service")).json()["items"]
    assert (row["overdue"], row["hours_since"]) == (False, 0)
    life = (await client.get("/cranes/heron-3/life")).json()
    assert life["service_due_on"] == row["due_on"]
    early = await client.post(
        "/cranes/heron-3/service-done", json={**done, "done_at": "2020-01-01T00:00:00Z"}
    )
    assert early.status_code == 422
    unknown = await client.post("/cranes/heron-3/service-done", json={**done, "plan_id": 4_000})
    assert unknown.status_code == 404
    assert (await client.put(plan, json={})).status_code == 422
