"""Dated descriptions over http: who may, what is answered, what is refused, and whose cranes they are."""

from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.api.conftest import crane_type
from tests.api.test_exclusions import signed_in

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/descriptions"
FIRST = f"{PATH}/1970-01-01"


def changed(**more: Any) -> dict[str, Any]:
    """The crane's figures with some changed."""
    return {**crane_type().model_dump(mode="json"), **more}


@pytest.fixture
async def engineer(fresh_api: FastAPI) -> httpx.AsyncClient:
    return await signed_in(fresh_api, "engineer-north")


async def test_a_change_has_a_day_and_answers_with_what_is_counted_again(
    fresh_api: FastAPI, engineer: httpx.AsyncClient
) -> None:
    (first,) = (await engineer.get(PATH)).json()["items"]
    assert (first["valid_from"], first["valid_to"]) == ("1970-01-01", None)
    asked = {"valid_from": "2026-03-03", "type": changed(pivot_height_m=2.6), "note": "on another truck"}
    made = await engineer.post(PATH, json=asked)
    assert made.status_code == 201, made.text
    assert made.json()["counted_again"] == {"days": 1, "first_day": "2026-03-03", "last_day": "2026-03-03"}
    newest, first = (await engineer.get(PATH)).json()["items"]
    assert (newest["note"], newest["entered_by"], first["valid_to"]) == (
        "on another truck",
        "engineer-north",
        "2026-03-02",
    )
    assert (await engineer.get("/cranes/heron-3")).json()["crane"]["type"]["pivot_height_m"] == 2.6
    assert (await engineer.get("/crane-types/heron-120")).json()["pivot_height_m"] == 2.3
    assert (await engineer.get("/cranes/plover-2")).json()["crane"]["type"]["pivot_height_m"] == 2.3
    grab = [{"name": "grab", "mass_kg": 240}]
    hung = await engineer.put(f"{PATH}/2026-03-03", json={"attachments": grab})
    assert hung.json()["counted_again"]["days"] == 0
    assert hung.json()["description"]["type"]["pivot_height_m"] == 2.6
    gone = await engineer.delete(f"{PATH}/2026-03-03")
    assert gone.json()["counted_again"]["days"] == 1
    assert gone.json()["description"]["valid_from"] == "1970-01-01"
    assert (await engineer.get("/cranes/heron-3")).json()["crane"]["type"]["pivot_height_m"] == 2.3
    admin = await signed_in(fresh_api, "admin-all")
    noted = [
        row
        for row in (await admin.get("/audit?reads=false")).json()["items"]
        if "/descriptions" in row["target"]
    ]
    assert [row["action"].split()[0] for row in noted] == ["DELETE", "PUT", "POST"]
    assert noted[-1]["detail"]["note"] == "on another truck"


async def test_the_dispatch_of_today_takes_the_description_of_today(engineer: httpx.AsyncClient) -> None:
    dispatch = {"mass_kg": 300, "rigging_kg": 0, "outreach_m": 5}

    async def capacity() -> dict[str, Any]:
        found = await engineer.post("/dispatch", json=dispatch)
        assert found.status_code == 200, found.text
        return {row["crane"]: row.get("capacity_kg") for row in found.json()["candidates"]}

    before = await capacity()
    charts = [
        {
            **chart,
            "points": [{**point, "capacity_kg": point["capacity_kg"] * 0.9} for point in chart["points"]],
        }
        for chart in changed()["charts"]
    ]
    made = await engineer.post(PATH, json={"type": changed(charts=charts), "note": "rated lower"})
    assert made.json()["counted_again"]["days"] == 0, "charts are in no count"
    after = await capacity()
    assert after["heron-3"] == pytest.approx(0.9 * before["heron-3"])
    assert after["plover-2"] == before["plover-2"]


async def test_a_correction_upon_an_old_state_changes_nothing(engineer: httpx.AsyncClient) -> None:
    tag = (await engineer.get(FIRST)).headers["etag"]
    body = {"note": "plate read again"}
    assert (await engineer.put(FIRST, json=body, headers={"if-match": tag})).status_code == 200
    assert (await engineer.put(FIRST, json={"note": "other"}, headers={"if-match": tag})).status_code == 412
    assert (await engineer.get(FIRST)).json()["note"] == "plate read again"


async def test_what_is_refused(fresh_api: FastAPI, engineer: httpx.AsyncClient) -> None:
    for body, status in (
        ({"valid_from": "2199-01-01"}, 422),
        ({"type": "no-such-type"}, 404),
        ({"attachments": [{"name": "", "mass_kg": 1}]}, 422),
        ({"attachments": [{"name": "grab", "mass_kg": -1}]}, 422),
        ({"sensors_replaced": [{"channel": "load"}]}, 422),
        ({"rating": 1}, 422),
    ):
        answer = await engineer.post(PATH, json=body)
        assert answer.status_code == status, (body, answer.text)
    assert (await engineer.put(f"{PATH}/2026-03-03", json={})).status_code == 404
    assert (await engineer.put(FIRST, json={"valid_from": "2026-03-03"})).status_code == 422
    assert (await engineer.delete(FIRST)).status_code == 409
    assert len((await engineer.get(PATH)).json()["items"]) == 1
    for path in ("/cranes/crake-1/descriptions", "/cranes/crake-1/descriptions/1970-01-01"):
        assert (await engineer.get(path)).status_code == 404
    assert (await engineer.post("/cranes/crake-1/descriptions", json={})).status_code == 404


async def test_charts_that_nobody_would_read_are_refused(engineer: httpx.AsyncClient) -> None:
    csv = (await engineer.get("/cranes/heron-3/charts.csv")).text
    versions = {"csv": csv, "source": "plate"}
    path = "/cranes/heron-3/chart-versions"
    assert (await engineer.post(path, json={**versions, "valid_from": "2026-03-01"})).status_code == 200
    lower = [{**chart, "points": chart["points"][:2]} for chart in changed()["charts"]]
    asked = {"valid_from": "2026-03-03", "type": changed(charts=lower)}
    refused = await engineer.post(PATH, json=asked)
    assert refused.status_code == 409
    assert "enter the new ones there" in refused.json()["detail"]
    assert (await engineer.post(path, json={**versions, "valid_from": "2026-03-03"})).status_code == 200
    assert (await engineer.post(PATH, json=asked)).status_code == 201


async def test_charts_of_a_past_day_are_those_of_the_description_that_held(
    engineer: httpx.AsyncClient,
) -> None:
    lower = [{**chart, "points": chart["points"][:2]} for chart in changed()["charts"]]
    asked = {"valid_from": "2026-03-03", "type": changed(charts=lower)}
    assert (await engineer.post(PATH, json=asked)).status_code == 201
    points = []
    for day in ("2026-03-02", "2026-03-03"):
        found = (await engineer.get("/cranes/heron-3/charts", params={"on": day})).json()
        points.append(len(found["charts"][0]["points"]))
    assert points == [3, 2]
