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
    assert "no crane fits" in by_title["impossible"]["explanation"]["text"]
    assert body["assigned"] == 8
    assert body["exact"]
    # Nobody is told that a crane would cost less where it would not.
    for job in body["jobs"]:
        dearer = job["crane"] is not None and job["points"] > job["cheapest_points"]
        assert ("would cost less" in job["explanation"]["text"]) == dearer, job
    assert by_title["pallets 5"]["explanation"]["text"] == "the cheapest crane for it"
    assert (-body["assigned"], body["points"]) <= (-body["greedy_assigned"], body["greedy_points"])
    assert body["points"] == pytest.approx(sum(job["points"] for job in body["jobs"] if job["crane"]))


async def test_a_list_worked_by_hand_says_why_each_job_has_its_crane(client: httpx.AsyncClient) -> None:
    # Two cranes with charts of their own; every other one is reserved for the day. Life is not known, so that a crane costs
    # the same for every job, and the distance of the place nothing.
    head = "spread_left,spread_right,sector,outreach_m,capacity_kg\n"
    strong, weak = "yard-01", "yard-02"
    for crane, kg in ((strong, 5000), (weak, 2000)):
        csv = head + f"full,full,,1,{kg}\nfull,full,,12,{kg}\n"
        asked = {"csv": csv, "valid_from": "2026-01-01", "source": "invented plate"}
        assert (await client.post(f"/cranes/{crane}/chart-versions", json=asked)).status_code == 200
    day = listed("", (5, 20))["job"]["window"]
    for row in (await client.post("/dispatch", json=listed("", (5, 20))["job"])).json()["candidates"]:
        if row["crane"] not in (strong, weak):
            held = {"crane": row["crane"], "window": day, "title": "away", "override_reason": "stands here"}
            assert (await client.post("/reservations", json=held)).status_code == 201

    async def said(*jobs: dict[str, Any]) -> tuple[dict[str, Any], list[tuple[str | None, str]]]:
        body = (await client.post("/dispatch/assignment", json={"jobs": list(jobs)})).json()
        return body, [(job["crane"], job["explanation"]["text"]) for job in body["jobs"]]

    # 1500 kg: 0.85 * 2000 = 1700 kg, so both may; 3000 kg only the strong one. From the top the light job, entered first, takes it.
    light, heavy = listed("light", (8, 10), mass_kg=1500.0), listed("heavy", (9, 11), mass_kg=3000.0)
    body, why = await said(light, heavy)
    assert [crane for crane, _ in why] == [weak, strong]
    assert (body["assigned"], body["greedy_assigned"], body["exact"]) == (2, 1, True)
    # Two heavy ones at once: one of them has no crane, and no list gives it one.
    body, why = await said(light, heavy, listed("heavy too", (10, 12), mass_kg=3000.0))
    assert (body["assigned"], body["most_assigned"], body["exact"]) == (2, 2, True)
    left = next(text for crane, text in why if crane is None)
    assert left == "every crane that could take it has another job of the list in that time"
    # Windows that only touch share it.
    body, why = await said(light, heavy, listed("heavy later", (11, 13), mass_kg=3000.0))
    assert [crane for crane, _ in why] == [weak, strong, strong]
    # Every crane that fits is reserved.
    held = {"crane": strong, "window": day, "title": "away"}
    assert (await client.post("/reservations", json=held)).status_code == 201
    fitting = (await client.post("/dispatch", json=heavy["job"])).json()["fit_count"]
    assert fitting > 1
    each = f"{fitting} cranes fit by chart and entries, and each is reserved or needs an override"
    assert (await said(heavy))[1] == [(None, each)]


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
