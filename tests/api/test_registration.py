"""Registering cranes: by role and site, never over what is on file by accident, the same as on the command line."""

import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI
from typer.testing import CliRunner

from boomledger.cli import app as commands
from domain.registration import EXAMPLE
from ingest.directory import Directory
from ingest.limits import Limits
from store import cranes
from store.site_scope import scope_in_thread
from tests.api.conftest import DAYS, PASSWORD, client_of, crane_type
from tests.support import rows

pytestmark = pytest.mark.anyio
NAMED = EXAMPLE["crane"]


async def as_(app: FastAPI, account: str) -> httpx.AsyncClient:
    client = client_of(app)
    assert (await client.post("/login", json={"account": account, "password": PASSWORD})).status_code == 200
    return client


def described(**changes: Any) -> dict[str, Any]:
    """A registration with everything in it, as the command line's example has it."""
    done = CliRunner().invoke(commands, ["crane", "example"])
    content: dict[str, Any] = json.loads(done.output)
    content["crane"] |= changes
    return content


async def test_a_crane_is_registered_whole_or_by_names_and_only_once(fresh_api: FastAPI) -> None:
    admin = await as_(fresh_api, "admin-all")
    whole = described()
    name = whole["crane"]["name"]
    key = {"idempotency-key": "one"}
    made = await admin.post("/cranes", json=whole, headers=key)
    assert made.status_code == 201, made.text
    assert (await admin.post("/cranes", json=whole, headers=key)).json() == made.json()
    assert (await admin.get(f"/cranes/{name}")).json() == made.json()
    assert name in {row["name"] for row in (await admin.get("/cranes")).json()["items"]}
    again = await admin.post("/cranes", json=whole)
    assert (again.status_code, "registered" in again.json()["detail"]) == (409, True)
    types = {row["name"]: row for row in (await admin.get("/crane-types")).json()["items"]}
    assert types[whole["crane"]["type"]["name"]]["cranes"] == 1
    assert types["heron-120"]["cranes"] == 3
    assert (await admin.get("/crane-types/heron-120")).json()["rated_moment_kn_m"] == 150

    named = await admin.post("/cranes", json=EXAMPLE)
    assert named.status_code == 201, named.text
    assert named.json()["crane"]["type"] == crane_type().model_dump(mode="json")
    assert named.json()["site"]["time_zone"] == "Europe/Vienna"
    job = {"mass_kg": 500, "rigging_kg": 0, "outreach_m": 5}
    found = {row["crane"] for row in (await admin.post("/dispatch", json=job)).json()["candidates"]}
    assert {"heron-4", name} <= found
    noted = [row["action"] for row in (await admin.get("/audit?reads=false")).json()["items"]]
    assert noted.count("POST /cranes") == 2


async def test_what_is_on_file_is_not_replaced_by_a_new_crane(fresh_api: FastAPI) -> None:
    admin = await as_(fresh_api, "admin-all")
    other_type = crane_type().model_copy(update={"rated_moment_kn_m": 90.0}).model_dump(mode="json")
    site = {"name": "north-yard", "title": "north-yard", "time_zone": "UTC"}
    for wrong, status, word in (
        ({"crane": {**NAMED, "type": other_type}}, 409, "other figures"),
        ({"site": site, "crane": NAMED}, 409, "on file otherwise"),
        ({"crane": {**NAMED, "type": "nothing-like-it"}}, 404, "nothing-like-it"),
        ({"crane": {**NAMED, "site": "nowhere"}}, 404, "nowhere"),
        ({"site": site, "crane": {**NAMED, "site": "south-yard"}}, 422, "let them agree"),
        ({"crane": {**NAMED, "type": {**other_type, "main_boom": {}}}}, 422, "main_boom.length_m"),
    ):
        answer = await admin.post("/cranes", json=wrong)
        assert (answer.status_code, word in answer.text) == (status, True), answer.text
    assert (await admin.get("/cranes/heron-4")).status_code == 404
    assert (await admin.get("/crane-types/heron-120")).json()["rated_moment_kn_m"] == 150


async def test_an_administrator_of_some_sites_registers_there_and_changes_nothing_elsewhere(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    north = await as_(fresh_api, "admin-north")
    assert [row["name"] for row in (await north.get("/sites")).json()["items"]] == ["north-yard"]
    assert (await north.post("/cranes", json=EXAMPLE)).status_code == 201
    (row,) = (await north.get("/crane-types")).json()["items"]
    assert row["cranes"] == 3, "the crane of the other site is not counted"
    elsewhere = {"crane": {**NAMED, "name": "heron-5", "site": "south-yard"}}
    new_site = {"name": "new-yard", "time_zone": "UTC"}
    assert (await north.post("/cranes", json=elsewhere)).status_code == 404
    added = {"site": new_site, "crane": {**elsewhere["crane"], "site": "new-yard"}}
    assert (await north.post("/cranes", json=added)).status_code == 404
    taken = await north.post("/cranes", json={"crane": {**NAMED, "name": "crake-1"}})
    assert (taken.status_code, "taken" in taken.json()["detail"]) == (409, True)
    assert (
        await north.put("/cranes/crake-1", json={"crane": {**NAMED, "name": "crake-1"}})
    ).status_code == 404
    heron = (await north.get("/cranes/heron-3")).json()
    heron["crane"]["type"]["rated_moment_kn_m"] = 90
    assert (await north.put("/cranes/heron-3", json=heron)).status_code == 403
    for role in ("engineer-all", "viewer-all"):
        assert (await (await as_(fresh_api, role)).post("/cranes", json=EXAMPLE)).status_code == 403

    # Behind it: the database itself refuses what the code would let through.
    with scope_in_thread(fresh_yard_url, ["north-yard"]) as conn:
        ours = cranes.get_crane(conn, "heron-3").crane
        assert cranes.find_crane(conn, "crake-1") is None
        assert cranes.find_site(conn, "south-yard") is None
        # Last: on a cluster the whole block is one transaction, which a refusal ends.
        with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
            cranes.save_crane(conn, ours.model_copy(update={"name": "crake-1"}))


async def test_a_draft_is_completed_and_what_was_counted_is_counted_anew(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        Directory(Limits(draft_unknown_cranes=True)).prepare(conn, ["wader-1"])
        for day in DAYS:
            rows.count_day(conn, "wader-1", day)
    admin = await as_(fresh_api, "admin-all")
    seen = await admin.get("/cranes/wader-1")
    assert seen.json()["crane"]["draft"]
    asked = {**NAMED, "name": "wader-1", "registered_at": None}
    tag = {"if-match": seen.headers["etag"]}
    done = await admin.put("/cranes/wader-1", json={"crane": asked}, headers=tag)
    assert done.status_code == 200, done.text
    crane = done.json()["crane"]
    assert (crane["draft"], crane["type"]["name"], crane["site"]) == (False, "heron-120", "north-yard")
    assert crane["registered_at"] == seen.json()["crane"]["registered_at"], (
        "data from before would be refused"
    )
    assert (await admin.put("/cranes/wader-1", json={"crane": asked}, headers=tag)).status_code == 412
    other = await admin.put("/cranes/wader-1", json={"crane": {**asked, "name": "wader-2"}})
    assert (other.status_code, other.json()["fields"]) == (422, ["crane.name"])
    assert [one["pointer"] for one in other.json()["errors"]] == ["#/crane/name"]
    two = await admin.put(
        "/cranes/wader-1", json={"crane": {**asked, "review_at_share": 2.0, "assess_because": "a crack"}}
    )
    found = {one["pointer"]: one["detail"] for one in two.json()["errors"]}
    assert set(found) == {"#/crane/review_at_share"}, (
        "a rule between fields is looked at when each of them can be"
    )
    between = await admin.put("/cranes/wader-1", json={"crane": {**asked, "assess_because": "a crack"}})
    found = {one["pointer"]: one["detail"] for one in between.json()["errors"]}
    assert "belong together" in found["#/crane/assess_because"]

    def waiting() -> set[tuple[str, date]]:
        with psycopg.connect(fresh_yard_url) as conn:
            names = {key: name for name, key in rows.crane_ids(conn).items()}
            return {(names[crane], day) for crane, day in rows.rows(conn, "touched_day", "crane_id", "day")}

    days = (date(2026, 3, 2), date(2026, 3, 3))
    assert waiting() == {("wader-1", day) for day in days}
    heron = (await admin.get("/cranes/heron-3")).json()
    assert (await admin.put("/cranes/heron-3", json=heron)).status_code == 200
    assert waiting() == {("wader-1", day) for day in days}, "nothing changed"
    heron["crane"]["type"]["pivot_height_m"] = 2.5
    done = await admin.put("/cranes/heron-3", json=heron)
    assert done.status_code == 200
    assert done.json()["counted_again"]["days"] == 0
    assert waiting() == {("wader-1", day) for day in days}, "the past stays as it was counted"
    heron["crane"]["type"]["pivot_height_m"] = 2.6
    done = await admin.put("/cranes/heron-3", json={**heron, "valid_from": "2026-03-03"})
    assert done.json()["counted_again"] == {"days": 1, "first_day": "2026-03-03", "last_day": "2026-03-03"}
    heron["crane"]["type"]["pivot_height_m"] = 2.4
    wrong = {**heron, "valid_from": "2026-03-02", "correct_past": True}
    done = await admin.put("/cranes/heron-3", json=wrong)
    assert done.json()["counted_again"] == {"days": 1, "first_day": "2026-03-02", "last_day": "2026-03-02"}
    assert waiting() == {(name, day) for name in ("wader-1", "heron-3") for day in days}


def test_the_command_line_takes_the_same_file(
    fresh_yard_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", fresh_yard_url)
    file = tmp_path / "crane.json"
    for content in (EXAMPLE, described(), described(title="Renamed (invented)")):
        file.write_text(json.dumps(content))
        done = CliRunner().invoke(commands, ["crane", "add", str(file)])
        assert done.exit_code == 0, done.output
    with psycopg.connect(fresh_yard_url) as conn:
        assert cranes.get_crane(conn, "heron-4").crane.registered_at == datetime(2026, 3, 1, tzinfo=UTC)
        assert cranes.get_crane(conn, described()["crane"]["name"]).crane.title == "Renamed (invented)"
