"""Exclusions over http: who may, what is answered, what stands in the audit, and whose cranes they are."""

from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from tests.api.conftest import PASSWORD, client_of

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/exclusions"
SPAN: dict[str, Any] = {
    "from_at": "2026-03-02T08:10:00Z",
    "to_at": "2026-03-02T08:40:00Z",
    "reason": "pressure sensor hung",
}


async def signed_in(app: FastAPI, account: str) -> httpx.AsyncClient:
    client = client_of(app)
    answer = await client.post("/login", json={"account": account, "password": PASSWORD})
    assert answer.is_success, answer.text
    return client


async def test_an_engineer_excludes_lists_and_withdraws(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    made = await engineer.post(PATH, json=SPAN)
    assert made.status_code == 201, made.text
    found = made.json()
    assert found["counted_again"] == {"days": 1, "first_day": "2026-03-02", "last_day": "2026-03-02"}
    entry = found["exclusion"]
    assert (entry["channel"], entry["entered_by"], entry["withdrawn_at"]) == (None, "engineer-north", None)
    again = await engineer.post(PATH, json=SPAN)
    assert again.json()["exclusion"] == entry
    other = await engineer.post(PATH, json={**SPAN, "channel": "slew_deg"})
    assert other.json()["exclusion"]["exclusion_id"] != entry["exclusion_id"]
    one = f"{PATH}/{entry['exclusion_id']}"
    gone = await engineer.delete(one)
    assert gone.status_code == 200
    assert gone.json()["exclusion"]["withdrawn_by"] == "engineer-north"
    assert gone.json()["counted_again"]["days"] == 1
    listed = (await engineer.get(PATH)).json()["items"]
    assert [(row["channel"], row["withdrawn_by"]) for row in listed] == [
        ("slew_deg", None),
        (None, "engineer-north"),
    ]
    assert (await engineer.get("/exclusions")).json()["items"] == listed
    admin = await signed_in(fresh_api, "admin-all")
    audit = (await admin.get("/audit?reads=false")).json()["items"]
    noted = [row for row in audit if "/exclusions" in row["target"]]
    assert [row["action"].split()[0] for row in noted] == ["DELETE", "POST", "POST", "POST"]
    assert noted[0]["detail"]["reason"] == SPAN["reason"]
    with psycopg.connect(fresh_yard_url) as conn:
        days = conn.execute("select day::text from touched_day").fetchall()
    assert days == [("2026-03-02",)]


async def test_a_withdrawal_upon_an_old_state_changes_nothing(fresh_api: FastAPI) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    entry = (await engineer.post(PATH, json=SPAN)).json()["exclusion"]
    one = f"{PATH}/{entry['exclusion_id']}"
    tag = (await engineer.get(one)).headers["etag"]
    assert (await engineer.delete(one, headers={"if-match": tag})).status_code == 200
    assert (await engineer.delete(one, headers={"if-match": tag})).status_code == 412
    assert (await engineer.delete(one)).json()["counted_again"]["days"] == 0


async def test_whose_cranes(fresh_api: FastAPI) -> None:
    everywhere = await signed_in(fresh_api, "engineer-all")
    north = await signed_in(fresh_api, "engineer-north")
    made = await everywhere.post("/cranes/crake-1/exclusions", json=SPAN)
    number = made.json()["exclusion"]["exclusion_id"]
    assert (await north.get("/exclusions")).json()["items"] == []
    assert (await north.post("/cranes/crake-1/exclusions", json=SPAN)).status_code == 404
    assert (await north.delete(f"/cranes/heron-3/exclusions/{number}")).status_code == 404
    assert (await north.get(f"/cranes/heron-3/exclusions/{number}")).status_code == 404


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"to_at": SPAN["from_at"]}, ""),
        ({"reason": ""}, "reason"),
        ({"reason": "   "}, "reason"),
        ({"reason": None}, "reason"),
        ({"channel": "utilisation"}, "channel"),
        ({"from_at": "1820-01-01T00:00:00Z"}, ""),
        ({"to_at": "2190-01-01T00:00:00Z"}, "to_at"),
    ],
)
async def test_what_is_refused(fresh_api: FastAPI, change: dict[str, Any], field: str) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    answer = await engineer.post(PATH, json={**SPAN, **change})
    assert answer.status_code == 422, answer.text
    assert field in answer.text
    assert (await engineer.get(PATH)).json()["items"] == []
