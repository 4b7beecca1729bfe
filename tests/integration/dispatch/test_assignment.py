"""A day's list over the yard through the api: no crane twice at once, never worse than the greedy list, explained."""

from typing import Any

import httpx
import pytest

pytestmark = pytest.mark.anyio


def listed(title: str, hours: tuple[int, int], travel_minutes: float = 0, **job: Any) -> dict[str, Any]:
    window = {"starts_at": f"2027-03-02T{hours[0]:02}:00:00Z", "ends_at": f"2027-03-02T{hours[1]:02}:00:00Z"}
    room = {"spread_left": "full", "spread_right": "full", "sectors": ["side", "rear"]}
    asked = {"mass_kg": 800.0, "rigging_kg": 60.0, "outreach_m": 6.0, "window": window, **room, **job}
    return {"title": title, "job": asked, "travel_minutes": travel_minutes}


async def test_a_list_over_the_yard(client: httpx.AsyncClient) -> None:
    held = {"crane": "yard-04", "window": listed("", (6, 20))["job"]["window"], "title": "away"}
    assert (await client.post("/reservations", json=held)).status_code == 201
    jobs = [listed(f"pallets {index}", (8, 10)) for index in range(6)]
    jobs += [
        listed("far trusses", (9, 11), outreach_m=12.0, mass_kg=1000.0),
        listed("afternoon", (12, 14)),
        listed("impossible", (8, 9), mass_kg=90_000.0),
    ]
    answer = await client.post("/dispatch/assignment", json={"jobs": jobs})
    assert answer.status_code == 200, answer.text
    body = answer.json()
    by_title = {job["title"]: job for job in body["jobs"]}
    morning = [by_title[one["title"]]["crane"] for one in jobs[:7]]
    assert None not in morning
    assert len(set(morning)) == 7
    assert "yard-04" not in [job["crane"] for job in body["jobs"]]
    assert by_title["impossible"]["crane"] is None
    assert "no crane fits" in by_title["impossible"]["explanation"]
    assert body["assigned"] == 8
    assert (-body["assigned"], body["points"]) <= (-body["greedy_assigned"], body["greedy_points"])
    assert body["points"] == pytest.approx(sum(job["points"] for job in body["jobs"] if job["crane"]))


async def test_travel_keeps_the_crane_busy(client: httpx.AsyncClient) -> None:
    # Windows that touch may share the one crane that reaches 15 m with 2 t; with travel between them they may not.
    far = {"outreach_m": 13.0, "mass_kg": 2000.0}
    for travel, assigned in ((0, 2), (15, 1)):
        jobs = [listed("one", (8, 10), travel, **far), listed("two", (10, 12), travel, **far)]
        body = (await client.post("/dispatch/assignment", json={"jobs": jobs})).json()
        fitting = {job["crane"] for job in body["jobs"]} - {None}
        assert body["assigned"] == assigned, body
        assert len(fitting) == 1


async def test_a_job_without_a_window_is_refused(client: httpx.AsyncClient) -> None:
    one = listed("no time", (8, 9))
    del one["job"]["window"]
    refused = await client.post("/dispatch/assignment", json={"jobs": [one]})
    assert refused.status_code == 422
    assert "window" in refused.json()["detail"]


async def test_levelling_names_cranes_it_knows_nothing_of(client: httpx.AsyncClient) -> None:
    body = (await client.get("/dispatch/levelling")).json()
    assert body["rows"] == []
    assert len(body["unknown"]) == 12
