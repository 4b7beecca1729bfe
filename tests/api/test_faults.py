"""Faults, their catalogue and coverage, on the hand-made yard."""

from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from tests.api.conftest import client_of
from tests.api.test_maintenance import PASSWORD, engineer

pytestmark = pytest.mark.anyio
RANGE = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-05T00:00:00Z"}


async def ask(http: httpx.AsyncClient, path: str, **query: Any) -> dict[str, Any]:
    response = await http.get(path, params=query)
    assert response.status_code == 200, response.text
    return response.json()


async def test_episodes_with_their_age(http: httpx.AsyncClient) -> None:
    (row,) = (await ask(http, "/cranes/heron-3/fault-episodes", **RANGE))["items"]
    assert (row["code"], row["raised_times"], row["cleared_at"], row["repeats"]) == ("E-07", 2, None, 0)
    assert row["open_s"] > 0
    assert row["mode"] is None
    assert (await ask(http, "/cranes/crake-1/fault-episodes", **RANGE))["items"] == []


async def test_pareto_by_code_and_crane(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/faults/pareto", **RANGE)
    (code,) = found["codes"]
    assert (code["code"], code["count"], code["cranes"], code["open"], code["running_share"]) == (
        "E-07",
        1,
        1,
        1,
        1,
    )
    first, *others = found["cranes"]
    assert (first["crane"], first["count"], first["working_hours"], first["hours_between"]) == (
        "heron-3",
        1,
        2,
        2,
    )
    assert not first["per_hour"]["enough"]
    assert [row["hours_between"] for row in others] == [None, None]
    one = await ask(http, "/faults/pareto", **RANGE, crane="crake-1")
    assert (one["codes"], [row["crane"] for row in one["cranes"]]) == ([], ["crake-1"])


async def test_the_fleet_of_a_viewer_is_that_of_their_sites(api: FastAPI) -> None:
    async with client_of(api) as client:
        await client.post("/login", json={"account": "viewer-north", "password": PASSWORD})
        found = await ask(client, "/faults/pareto", **RANGE)
        assert {row["crane"] for row in found["cranes"]} == {"heron-3", "plover-2"}


async def test_two_days_do_not_tell_of_overloads(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/faults/overloads", day_from="2026-03-01", day_to="2026-03-31")
    assert (found["days_with"], found["days_without"], found["enough"]) == (2, 0, False)
    assert "too few" in found["remark"]["text"]
    assert "no cause" in found["caution"]
    assert (await http.get("/faults/overloads", params={"crane": "no-such"})).status_code == 404


async def test_a_catalogue_is_imported_whole_or_not_at_all(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    client = await engineer(fresh_api)
    asked = {"csv": "code,meaning,advice\nE-07,oil hot (invented),let it cool\n", "source": "test"}
    bad = await client.post("/status-codes", json={**asked, "csv": asked["csv"] + "E-07,again,\n,none,\n"})
    assert bad.status_code == 422
    assert "line 3: E-07 stands there twice; line 4: the code is empty" in bad.json()["detail"]
    checked = await client.post("/status-codes", json={**asked, "check_only": True})
    assert checked.json() == {"codes": 1, "stored": False}
    assert (await ask(client, "/status-codes"))["items"] == []
    assert (await client.post("/status-codes", json={**asked, "type": "no-such"})).status_code == 404
    assert (await client.post("/status-codes", json=asked)).json() == {"codes": 1, "stored": True}
    (row,) = (await ask(client, "/status-codes"))["items"]
    assert (row["type"], row["code"], row["meaning"], row["source"]) == (
        None,
        "E-07",
        "oil hot (invented)",
        "test",
    )
    (episode,) = (await ask(client, "/cranes/heron-3/fault-episodes", **RANGE))["items"]
    assert (episode["meaning"], episode["advice"]) == ("oil hot (invented)", "let it cool")
    await client.post(
        "/status-codes", json={**asked, "csv": "code,meaning\nE-07,oil hot here\n", "type": "heron-120"}
    )
    (episode,) = (await ask(client, "/cranes/heron-3/fault-episodes", **RANGE))["items"]
    assert episode["meaning"] == "oil hot here"  # the crane type's own meaning goes before the general one
    with psycopg.connect(fresh_yard_url) as conn:
        assert conn.execute("select count(*) from status_code").fetchone() == (2,)


async def test_the_catalogue_is_for_who_sees_every_site(api: FastAPI) -> None:
    async with client_of(api) as client:
        await client.post("/login", json={"account": "engineer-north", "password": PASSWORD})
        answer = await client.post("/status-codes", json={"csv": "code,meaning\nX,y", "source": "s"})
        assert answer.status_code == 403


async def test_coverage_of_a_whole_record(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/coverage", day_from="2026-03-01", day_to="2026-03-31")
    assert (found["recorded_s"], found["missing_s"], found["coverage"], found["f1"]) == (7200, 0, 1, 1.1)
    assert (found["days_recorded"], found["days_without_record"]) == (2, 0)
    assert found["estimated"] is None
    empty = await ask(http, "/cranes/crake-1/coverage")
    assert (empty["coverage"], empty["f1"], empty["f1_reason"]["code"]) == (None, 1.5, "f1.coverage_unknown")
