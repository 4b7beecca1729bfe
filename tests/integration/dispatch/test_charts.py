"""Load charts on a real database: versions by day, a crane's own before its type's, and what an import refuses."""

from typing import Any

import httpx
import pytest

pytestmark = pytest.mark.anyio

HEAD = "spread_left,spread_right,outreach_m,capacity_kg\n"
WEAK = HEAD + "full,full,2,900\nfull,full,6,300\n"
STRONG = HEAD + "full,full,2,9000\nfull,full,8,2500\n"
JOB = {"mass_kg": 500.0, "rigging_kg": 0.0, "outreach_m": 6.0}


def asked(csv: str, valid_from: str, **more: Any) -> dict[str, Any]:
    return {"csv": csv, "valid_from": valid_from, "source": "invented plate", **more}


async def capacity(client: httpx.AsyncClient, crane: str, day: str) -> float | None:
    window = {"starts_at": f"{day}T08:00:00Z", "ends_at": f"{day}T09:00:00Z"}
    answer = (await client.post("/dispatch", json={**JOB, "window": window})).json()
    found: float | None = next(row["capacity_kg"] for row in answer["candidates"] if row["crane"] == crane)
    return found


async def test_a_version_holds_from_its_day_and_its_own_comes_first(client: httpx.AsyncClient) -> None:
    before = await capacity(client, "yard-01", "2027-01-10")
    for csv, day, more in (
        (WEAK, "2027-02-01", {}),
        (STRONG, "2027-03-01", {}),
        (HEAD + "full,full,2,800\nfull,full,6,200\n", "2027-01-15", {"whole_type": True}),
    ):
        done = await client.post("/cranes/yard-01/chart-versions", json=asked(csv, day, **more))
        assert done.status_code == 200, done.text
    assert await capacity(client, "yard-01", "2027-01-10") == before
    assert await capacity(client, "yard-01", "2027-01-20") == 200.0
    assert await capacity(client, "yard-01", "2027-02-01") == 300.0
    assert await capacity(client, "yard-01", "2027-03-05") == 2500.0
    # Another crane of the type keeps to the type's version; one of another type to its own entry.
    assert await capacity(client, "yard-02", "2027-03-05") == 200.0
    versions = (await client.get("/cranes/yard-01/chart-versions")).json()
    assert [(row["valid_from"], row["own"]) for row in versions] == [
        ("2027-03-01", True),
        ("2027-02-01", True),
        ("2027-01-15", False),
    ]
    on = (await client.get("/cranes/yard-01/charts", params={"on": "2027-02-10"})).json()
    assert [point["capacity_kg"] for point in on["charts"][0]["points"]] == [900.0, 300.0]


async def test_what_is_exported_can_be_imported(client: httpx.AsyncClient) -> None:
    csv = (await client.get("/cranes/yard-11/charts.csv")).text
    checked = await client.post(
        "/cranes/yard-11/chart-versions", json=asked(csv, "2027-01-01", check_only=True)
    )
    assert checked.status_code == 200
    assert checked.json()["version_id"] is None
    entered = (await client.get("/cranes/yard-11/charts")).json()["charts"]
    assert checked.json()["charts"] == entered
    assert (await client.get("/cranes/yard-11/chart-versions")).json() == []


async def test_a_bad_file_is_refused_whole_with_its_lines(client: httpx.AsyncClient) -> None:
    bad = HEAD + "full,full,2,3000\nfull,full,4,3500\nfull,wide,6,1000\n"
    refused = await client.post("/cranes/yard-01/chart-versions", json=asked(bad, "2027-01-01"))
    assert refused.status_code == 422
    assert "line 3: capacity" in refused.json()["detail"]
    assert "line 4: spread_right" in refused.json()["detail"]
    checked = await client.post(
        "/cranes/yard-01/chart-versions", json=asked(bad, "2027-01-01", check_only=True)
    )
    assert checked.status_code == 200
    assert [one["line"] for one in checked.json()["problems"]] == [3, 4]
    assert (checked.json()["version_id"], checked.json()["charts"]) == (None, [])
    assert (await client.get("/cranes/yard-01/chart-versions")).json() == []
    assert (
        await client.post("/cranes/nobody/chart-versions", json=asked(WEAK, "2027-01-01"))
    ).status_code == 404
