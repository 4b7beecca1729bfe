"""What the routes about life answer beside the used share: what if, factors, damage to draw."""

from typing import Any

import httpx
import numpy as np
import psycopg
import pytest
from fastapi import FastAPI

from duty.damage import COMPARISON
from tests.api.conftest import LEVELS
from tests.api.test_maintenance import DETAIL, engineer

pytestmark = pytest.mark.anyio


async def ask(http: httpx.AsyncClient, path: str, **query: Any) -> dict[str, Any]:
    response = await http.get(path, params=query)
    assert response.status_code == 200, response.text
    return response.json()


async def test_what_if_without_weeks_says_why(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/life/what-if", duty_factor=2)
    assert found["before"]["spent"] is None
    assert "too little data" in found["sentence"]
    assert found["pace_of_now"] == 2
    assert found["after"]["damage_a_year"] == pytest.approx(2 * found["before"]["damage_a_year"])


async def test_heavy_lifts_take_their_cycles_along(http: httpx.AsyncClient) -> None:
    """Of 6 lifts a day those at 95 and 92 % are heavy; both cranes are of one type, so damage moves whole."""
    query = {"heavy_from_pct": 90, "to": "crake-1"}
    found = await ask(http, "/cranes/heron-3/life/what-if", **query)
    days = 2  # from the Monday of the week up to the last recorded day
    assert found["heavy_lifts_a_year"] == pytest.approx(4 * 365.25 / days)
    assert found["too_heavy_lifts_a_year"] == 0
    before, after = found["before"]["damage_a_year"], found["after"]["damage_a_year"]
    gained = found["other_after"]["damage_a_year"]
    assert 0 < after < before
    assert found["other_before"]["damage_a_year"] is None  # no record of it: no year to reckon by
    assert gained is None
    half = await ask(http, "/cranes/heron-3/life/what-if", **query, moved_share=0.5)
    assert half["after"]["damage_a_year"] == pytest.approx((before + after) / 2)


async def test_what_if_without_a_design_class_says_what_it_assumes(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    """Of 6 lifts a day those at 95 and 92 % are heavy."""
    with psycopg.connect(fresh_yard_url) as conn:
        conn.execute("update crane set spec = spec - 'design' where name = 'heron-3'")
    client = await engineer(fresh_api)
    alone = await ask(client, "/cranes/heron-3/life/what-if", heavy_from_pct=90)
    cubes = [95.0**3, 92.0**3]
    heavy = sum(cubes) / float(np.sum(np.array(LEVELS) ** 3))
    assert alone["pace_of_now"] == pytest.approx(1 - heavy)
    assert any("no date can be given" in line["text"] for line in alone["assumptions"])
    assert alone["before"]["used_share"] is None
    found = await ask(client, "/cranes/heron-3/life/what-if", heavy_from_pct=90, to="crake-1")
    assert any("that of crake-1 is assumed for it" in line["text"] for line in found["assumptions"])
    assert "that of crake-1 is assumed for it" in found["sentence"], "not only where one has to open it"
    assert "It would use its life at" in alone["sentence"]
    assert "no date can be given (enter the design class from the crane's manual" in alone["sentence"]
    assert found["before"]["used_share"] is not None


async def test_what_if_refuses_half_a_question(http: httpx.AsyncClient) -> None:
    path = "/cranes/heron-3/life/what-if"
    assert (await http.get(path, params={"to": "crake-1"})).status_code == 422
    assert (await http.get(path, params={"to": "heron-3", "heavy_from_pct": 90})).status_code == 422
    assert (await http.get(path, params={"to": "no-such", "heavy_from_pct": 90})).status_code == 404
    assert (await http.get(path, params={"duty_factor": 0})).status_code == 422


async def test_factors_multiply_what_was_counted(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/life/factors")
    assert [row["f1"] for row in found["rows"]] == [1.0, 1.1, 1.2, 1.3, 1.5]
    first, second, *others = found["rows"]
    assert second["in_force"]
    assert not any(row["in_force"] for row in (first, *others))
    for row in others:
        assert row["used_share_counted"] == pytest.approx(row["f1"] * first["used_share_counted"])


async def test_damage_of_the_assumed_weld_adds_up(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/life/damage")
    life = await ask(http, "/cranes/heron-3/life")
    assert found["assumed"]
    assert [one["code"] for one in found["remarks"]] == ["damage.half", "damage.assumed"]
    assert found["damage"] == pytest.approx(life["details"][0]["damage"])
    for rows in (found["steps"], found["cells"]):
        assert sum(row["damage"] for row in rows) == pytest.approx(found["damage"])
        assert sum(row["share"] for row in rows) == pytest.approx(1)
    assert found["steps"][-1]["cumulative"] == pytest.approx(sum(row["cycles"] for row in found["cells"]))
    # category 71 of EN 1993-1-9: 2e6 cycles at 71 MPa, knee at 5e6, cut-off at 0.404713 of the category
    assert found["cut_off_mpa"] == pytest.approx(0.404713 * 71, rel=1e-5)
    knee = next(point for point in found["curve_points"] if point["cycles"] == 5e6)
    assert knee["range_mpa"] == pytest.approx(0.736806 * 71, rel=1e-5)
    assert knee["design_range_mpa"] == pytest.approx(knee["range_mpa"] / COMPARISON.gamma_mf)
    worst = max(found["around_base"], key=lambda row: row["damage"])
    assert worst["direction_deg"] == 90
    assert len(found["around_base"]) == 48


async def test_damage_of_an_entered_weld_by_name(fresh_api: FastAPI) -> None:
    client = await engineer(fresh_api)
    await client.put("/cranes/heron-3/details/column foot", json={**DETAIL, "direction": "worst"})
    found = await ask(client, "/cranes/heron-3/life/damage", detail="column foot")
    (life,) = (await ask(client, "/cranes/heron-3/life"))["details"]
    assert (found["damage"], found["direction_deg"]) == (pytest.approx(life["damage"]), 90)
    assert sum(row["damage"] for row in found["cells"]) == pytest.approx(found["damage"])
    assert found["cut_off_mpa"] is None
    gone = await client.get("/cranes/heron-3/life/damage", params={"detail": "no such"})
    assert gone.status_code == 404
    one_day = await ask(client, "/cranes/heron-3/life/damage", day_from="2026-03-02", day_to="2026-03-02")
    assert one_day["damage"] < found["damage"]


async def test_damage_without_telemetry_is_none(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/crake-1/life/damage")
    assert found["damage"] == 0
    assert found["steps"] == []
    assert found["around_base"] == []
