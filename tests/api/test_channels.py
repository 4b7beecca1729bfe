"""Further channels over http: who may, what is answered, whose cranes they are, and their readings with their unit."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import psycopg
import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client
from dashboard.pages.health import channels
from dashboard.parts import form
from store import cranes, segments
from tests.api.test_exclusions import signed_in

pytestmark = pytest.mark.anyio
BAR: dict[str, Any] = {"unit": "bar", "low": 0, "high": 400, "meaning": "pump"}
OWN = "/cranes/heron-3/channels/oil_pressure_bar"
FLEET = "/channels/oil_pressure_bar"
T0 = datetime(2026, 3, 5, 6, 0, tzinfo=UTC)


def keep(url: str, crane: str) -> None:
    """A message with a further channel, long after the others of the yard."""
    with psycopg.connect(url, autocommit=True) as conn:
        segments.prepare(conn)
        segments.make_ranges(conn, T0, T0)
        row = segments.Segment(
            crane_id=cranes.get_crane(conn, crane).crane_id,
            t0_ms=segments.to_ms(T0),
            boot=5,
            seq=0,
            dt_ms=1000,
            channels=("utilisation_pct", "oil_pressure_bar"),
            values=np.array([[10, 20, 30], [180.5, np.nan, 200]], dtype=np.float32),
            received_ms=segments.to_ms(T0),
        )
        with conn.transaction():
            segments.keep(conn, [row])


async def test_an_engineer_registers_changes_and_withdraws(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    made = await engineer.put(OWN, json=BAR)
    assert made.status_code == 200, made.text
    assert (made.json()["crane"], made.json()["registered_by"]) == ("heron-3", "engineer-north")
    changed = await engineer.put(OWN, json={**BAR, "high": 500})
    assert (changed.json()["channel_id"], changed.json()["high"]) == (made.json()["channel_id"], 500)
    keep(fresh_yard_url, "heron-3")
    span = {"from": "2026-03-05T06:00:00Z", "to": "2026-03-05T06:00:10Z"}
    for asked in ({"channels": "oil_pressure_bar"}, {"further": "true"}):
        found = (await engineer.get("/cranes/heron-3/samples", params={**span, **asked})).json()
        assert found["series"]["oil_pressure_bar"] == {
            "unit": "bar",
            "low": [180.5, None, 200.0],
            "high": [180.5, None, 200.0],
        }
    for crane, names in (("heron-3", "hydraulic_bar"), ("plover-2", "oil_pressure_bar")):
        wrong = await engineer.get(f"/cranes/{crane}/samples", params={**span, "channels": names})
        assert (wrong.status_code, names in wrong.json()["detail"]) == (422, True)
    gone = await engineer.delete(OWN)
    assert gone.json()["withdrawn_by"] == "engineer-north"
    # Withdrawn: still read by its name, and no longer one of those that hold.
    asked = {**span, "channels": "utilisation_pct,oil_pressure_bar"}
    assert len((await engineer.get("/cranes/heron-3/samples", params=asked)).json()["series"]) == 2
    asked = {**span, "further": "true"}
    assert len((await engineer.get("/cranes/heron-3/samples", params=asked)).json()["series"]) == 1
    admin = await signed_in(fresh_api, "admin-all")
    noted = [row for row in (await admin.get("/audit")).json()["items"] if row["target"].endswith(OWN)]
    assert [row["action"].split()[0] for row in noted] == ["DELETE", "PUT", "PUT"]


async def test_who_sees_one_site_registers_for_its_cranes_alone(fresh_api: FastAPI) -> None:
    north = await signed_in(fresh_api, "engineer-north")
    everywhere = await signed_in(fresh_api, "admin-all")
    assert (await north.put(FLEET, json=BAR)).status_code == 403
    assert (await north.put("/cranes/crake-1/channels/oil_pressure_bar", json=BAR)).status_code == 404
    assert (await everywhere.put("/cranes/crake-1/channels/oil_pressure_bar", json=BAR)).is_success
    assert (await north.get("/channels")).json()["items"] == []
    assert (await everywhere.put(FLEET, json={**BAR, "high": 300})).is_success
    assert (await north.delete(FLEET)).status_code == 403
    assert [row["high"] for row in (await north.get("/channels")).json()["items"]] == [300]
    assert len((await everywhere.get("/channels")).json()["items"]) == 2
    first = (await everywhere.get("/channels", params={"limit": 1})).json()
    rest = await everywhere.get("/channels", params={"limit": 1, "cursor": first["next_cursor"]})
    assert [row["crane"] for row in (*first["items"], *rest.json()["items"])] == ["crake-1", None]
    own = (await everywhere.get("/cranes/crake-1/channels")).json()["items"]
    assert [(row["crane"], row["high"]) for row in own] == [("crake-1", 400)]
    assert (await everywhere.delete("/cranes/heron-3/channels/oil_pressure_bar")).status_code == 404


@pytest.mark.parametrize(
    ("name", "body", "field"),
    [
        ("slew_deg", {**BAR, "unit": "deg"}, "taken"),
        ("oil_pressure", BAR, "oil_pressure_bar"),
        ("Oil_bar", BAR, "channel"),
        ("oil_pressure_bar", {**BAR, "high": 0}, "above the smallest"),
        ("oil_pressure_bar", {**BAR, "unit": "b r"}, "unit"),
    ],
)
async def test_what_cannot_be_one_is_told(
    fresh_api: FastAPI, name: str, body: dict[str, Any], field: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    answer = await engineer.put(f"/cranes/heron-3/channels/{name}", json=body)
    assert (answer.status_code, field in answer.text) == (422, True), answer.text


async def test_the_form_of_the_page_registers_and_withdraws(fresh_yard_url: str) -> None:
    typed = {
        "crane": "heron-3",
        "name": "oil_pressure_bar",
        "unit": "bar",
        "low": "0",
        "high": "400",
        "meaning": "",
    }
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), Client(app=app) as client:
        for change, field in (({"name": "oil"}, "name"), ({"high": ""}, "high"), ({"high": "-1"}, "high")):
            wrong = await form.send(client, "further", {**typed, **change}, {})
            assert isinstance(wrong, form.Unreadable)
            assert list(wrong.problems) == [field]
        for crane in ("heron-3", channels.EVERY):
            assert isinstance(await form.send(client, "further", {**typed, "crane": crane}, {}), form.Done)
        found = await client.channels()
        drawn = str(channels.section(found, ["heron-3"], "", ZoneInfo("UTC")))
        assert drawn.count("oil_pressure_bar") == 2 * 2 + 1  # strong, context; and the note of the form
        for row in found.items:
            context = {"crane": row.crane or channels.EVERY, "name": row.name}
            assert isinstance(await form.send(client, "further-withdraw", {}, context), form.Done)
        assert all(row.withdrawn_at for row in (await client.channels()).items)
        assert len((await client.crane_channels("heron-3")).items) == 1
