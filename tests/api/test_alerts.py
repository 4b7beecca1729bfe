"""Alerts through the api: the list, who has them, the shelf, rules within one's sites, targets without secrets."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from alerts.delivery import Delivery
from alerts.rounds import judge_all
from alerts.service import run as run_watch
from answers.alerts import alert_row
from store.alerts import AlertListing
from tests.api.conftest import PASSWORD, client_of
from tests.support import rows

pytestmark = pytest.mark.anyio
FAULT = {"kind": "fault_code", "priority": "high", "clear_after_min": 0}


async def signed_in(app: FastAPI, account: str) -> httpx.AsyncClient:
    client = client_of(app)
    assert (await client.post("/login", json={"account": account, "password": PASSWORD})).status_code == 200
    return client


async def enter(client: httpx.AsyncClient, name: str, **spec: Any) -> None:
    answer = await client.put(f"/alert-rules/{name}", json=spec)
    assert answer.status_code == 204, answer.text


def judge(url: str) -> None:
    with psycopg.connect(url, autocommit=True) as conn:
        judge_all(conn)


def heard(url: str) -> None:
    """Have every crane heard once, when it was registered: one that was never heard raises no alert of silence."""
    with psycopg.connect(url, autocommit=True) as conn:
        for crane, at in rows.rows(conn, "crane", "name", "registered_at"):
            if not rows.count(conn, "live", crane=crane):
                rows.hear(conn, crane, at, at)


async def test_from_raised_to_acknowledged_shelved_and_cleared(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    await enter(engineer, "faults", **FAULT)
    judge(fresh_yard_url)
    (alert,) = (await engineer.get("/alerts", params={"open_only": True})).json()["items"]
    assert (alert["crane"], alert["subject"], alert["state"]) == ("heron-3", "E-07", "open")
    assert alert["text"] == "status code E-07 open"
    assert alert["cause"]
    assert alert["consequence"]
    assert alert["action"]
    path = f"/alerts/{alert['alert_id']}"
    summary = (await engineer.get("/alerts/summary")).json()
    assert (summary["unacknowledged"], summary["cranes"][0]["high"]) == (1, 1)

    dispatcher = await signed_in(fresh_api, "dispatcher-all")
    taken = (await dispatcher.post(f"{path}/acknowledgement", json={"note": "I look after it"})).json()
    assert (taken["alert"]["state"], taken["alert"]["acknowledged_by"]) == ("acknowledged", "dispatcher-all")
    again = (await engineer.post(f"{path}/acknowledgement", json={})).json()
    assert again["alert"]["acknowledged_by"] == "dispatcher-all", "whoever was first keeps it"

    until = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    shelved = await engineer.put(f"{path}/shelf", json={"until": until, "reason": "part ordered"})
    assert shelved.json()["alert"]["state"] == "shelved"
    assert (await engineer.get("/alerts/summary")).json()["cranes"][0]["shelved"] == 1
    for wrong in (datetime.now(UTC) - timedelta(hours=1), datetime.now(UTC) + timedelta(days=91)):
        refused = await engineer.put(f"{path}/shelf", json={"until": wrong.isoformat(), "reason": "for ever"})
        assert refused.status_code == 422
    assert (await engineer.delete(f"{path}/shelf")).status_code == 204
    assert (await engineer.delete(f"{path}/shelf")).status_code == 404

    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        rows.change(conn, "fault_episode", {"cleared_at": datetime.now(UTC)})
    judge(fresh_yard_url)
    found = (await engineer.get(path)).json()
    assert found["alert"]["state"] == "cleared"
    assert [row["what"] for row in found["history"]] == [
        "raised", "acknowledged", "noted", "shelved", "unshelved", "cleared",
    ]  # fmt: skip
    assert found["history"][1]["note"] == "I look after it"
    assert (await engineer.put(f"{path}/shelf", json={"until": until, "reason": "late"})).status_code == 409
    assert (await engineer.get("/alerts", params={"open_only": True})).json()["items"] == []


async def test_alerts_of_other_sites_are_out_of_scope(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    every = await signed_in(fresh_api, "engineer-all")
    await enter(every, "silent", kind="offline", raise_at=1)
    heard(fresh_yard_url)
    judge(fresh_yard_url)
    cranes = {row["crane"]: row["alert_id"] for row in (await every.get("/alerts")).json()["items"]}
    assert set(cranes) == {"heron-3", "plover-2", "crake-1"}
    north = await signed_in(fresh_api, "engineer-north")
    listed = (await north.get("/alerts")).json()["items"]
    assert {row["crane"] for row in listed} == {"heron-3", "plover-2"}
    assert {row["crane"] for row in (await north.get("/alerts/summary")).json()["cranes"]} == {
        "heron-3",
        "plover-2",
    }
    path = f"/alerts/{cranes['crake-1']}"
    assert (await north.get(path)).status_code == 404
    assert (await north.post(f"{path}/acknowledgement", json={})).status_code == 404
    until = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    body = {"until": until, "reason": "not mine"}
    assert (await north.put(f"{path}/shelf", json=body)).status_code == 404


async def test_one_alert_of_the_fleet_names_the_cranes_in_scope_and_no_others(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    """Of heron-3 and plover-2 in the north yard and crake-1 in the south yard the life before the record is not entered."""
    every, north = await signed_in(fresh_api, "engineer-all"), await signed_in(fresh_api, "engineer-north")
    await enter(every, "history", kind="history_unknown", raise_at=1, clear_after_min=0)
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        for crane in rows.crane_ids(conn):
            rows.summarise(conn, crane, unknown_years=2)
    judge(fresh_yard_url)

    async def one(client: httpx.AsyncClient) -> dict[str, Any]:
        alert = await one_of(client)
        summary = (await client.get("/alerts/summary")).json()
        assert [row["low"] + row["medium"] for row in summary["cranes"]] == [1]
        assert (await client.get(f"/alerts/{alert['alert_id']}")).json()["alert"] == alert
        return alert

    words = "cranes whose life before the record is not entered: "
    assert (await one(every))["text"] == f"{words}3 (crake-1, heron-3, plover-2)"
    assert (await one(north))["text"] == f"{words}2 (heron-3, plover-2)"
    assert "crake" not in str(await one(north))
    # who sees a part has that part; the other one is still open for who sees all
    path = f"/alerts/{(await one(north))['alert_id']}"
    assert (await north.post(f"{path}/acknowledgement", json={})).json()["alert"]["state"] == "acknowledged"
    assert (await one(every))["state"] == "open"
    path = f"/alerts/{(await one(every))['alert_id']}"
    assert (await every.post(f"{path}/acknowledgement", json={})).json()["alert"]["state"] == "acknowledged"
    assert (await one(north))["acknowledged_by"] == "engineer-north", "whoever was first keeps it"
    until = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    shelved = await every.put(f"{path}/shelf", json={"until": until, "reason": "being entered"})
    assert shelved.json()["alert"]["state"] == (await one_of(north))["state"] == "shelved"
    assert (await every.delete(f"{path}/shelf")).status_code == 204
    assert (await one_of(north))["state"] == "acknowledged"
    # the last unknown crane of the north yard is entered: only there it is over
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        for crane in ("heron-3", "plover-2"):
            rows.summarise(conn, crane, unknown_years=0)
    judge(fresh_yard_url)
    assert (await one(every))["text"] == f"{words}1 (crake-1)"
    assert (await north.get("/alerts", params={"open_only": True})).json()["items"] == []


async def one_of(client: httpx.AsyncClient) -> dict[str, Any]:
    (alert,) = (await client.get("/alerts", params={"open_only": True})).json()["items"]
    return dict(alert)


async def test_pages_of_alerts_join_without_gap_or_overlap(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    every = await signed_in(fresh_api, "engineer-all")
    await enter(every, "silent", kind="offline", raise_at=1)
    heard(fresh_yard_url)
    judge(fresh_yard_url)
    seen, cursor = [], None
    while True:
        query = {"limit": 1} | ({"cursor": cursor} if cursor else {})
        answer = (await every.get("/alerts", params=query)).json()
        seen += [row["alert_id"] for row in answer["items"]]
        cursor = answer["next_cursor"]
        if cursor is None:
            break
    assert seen == sorted(seen, reverse=True)
    assert len(set(seen)) == len(seen) == 3


async def test_rules_stay_within_the_sites_of_who_enters_them(fresh_api: FastAPI) -> None:
    north, every = await signed_in(fresh_api, "engineer-north"), await signed_in(fresh_api, "engineer-all")
    assert (await north.put("/alert-rules/fleet", json=FAULT)).status_code == 403
    assert (await north.put("/alert-rules/other", json={**FAULT, "site": "south-yard"})).status_code == 404
    assert (await north.put("/alert-rules/other", json={**FAULT, "crane": "crake-1"})).status_code == 404
    await enter(north, "mine", **FAULT, site="north-yard")
    await enter(every, "fleet", **FAULT)
    await enter(every, "theirs", **FAULT, crane="crake-1")
    assert [row["name"] for row in (await north.get("/alert-rules")).json()["items"]] == ["fleet", "mine"]
    for name in ("fleet", "theirs"):
        assert (
            await north.put(f"/alert-rules/{name}", json={**FAULT, "site": "north-yard"})
        ).status_code == 403
        assert (await north.delete(f"/alert-rules/{name}")).status_code == 403
    assert (await north.delete("/alert-rules/mine")).status_code == 204
    assert (await north.delete("/alert-rules/mine")).status_code == 404
    wrong = await every.put("/alert-rules/x", json={"kind": "offline", "raise_at": 5, "clear_at": 6})
    assert wrong.status_code == 422


async def test_a_dropped_rule_clears_its_alerts_and_keeps_their_history(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-all")
    await enter(engineer, "faults", **FAULT)
    judge(fresh_yard_url)
    assert (await engineer.delete("/alert-rules/faults")).status_code == 204
    (alert,) = (await engineer.get("/alerts")).json()["items"]
    assert alert["state"] == "cleared"
    await enter(engineer, "faults", **FAULT)
    judge(fresh_yard_url)
    assert len((await engineer.get("/alerts")).json()["items"]) == 2


async def test_targets_are_tried_and_never_point_at_the_server(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    admin = await signed_in(fresh_api, "admin-all")
    for wrong in ("http://127.0.0.1:5432/", "http://[::1]/", "http://localhost/", "http://169.254.169.254/"):
        assert (await admin.put("/alert-targets/x", json={"web_address": wrong})).status_code == 422
    good = {"web_address": "https://receiver.example/alerts", "quiet_from": "20:00", "quiet_to": "06:00"}
    assert (await admin.put("/alert-targets/office", json=good)).status_code == 204
    (target,) = (await admin.get("/alert-targets")).json()["items"]
    assert (target["name"], target["quiet_to"], target["entered_by"]) == ("office", "06:00:00", "admin-all")
    assert (await admin.post("/alert-targets/office/trial")).status_code == 202
    assert (await admin.post("/alert-targets/nobody/trial")).status_code == 404
    run_watch(fresh_yard_url, Event(), Delivery(), once=True)
    (sent,) = (await admin.get("/alert-deliveries")).json()["items"]
    assert (sent["state"], sent["tries"]) == ("waiting", 1)
    assert "webhook_secret" in sent["last_error"], "it says what to set"
    assert (await admin.delete("/alert-targets/office")).status_code == 204
    assert (await admin.get("/alert-deliveries")).json()["items"] == []


async def test_a_cleared_alert_says_what_was_found_and_not_at_what_it_cleared() -> None:
    when = datetime(2026, 11, 25, tzinfo=UTC)
    nobody = dict.fromkeys(
        ("acknowledged_at", "acknowledged_by", "shelved_until", "shelved_by", "shelved_reason")
    )
    listed = AlertListing(
        alert_id=1, crane="heron-3", site="north", rule="silent", spec={"kind": "offline", "raise_at": 1}, subject="",
        value=0.0, worst_value=47.0, raised_at=when, cleared_at=None, **nobody,
    )  # fmt: skip
    assert alert_row(listed).text == "nothing heard for 0 h"
    assert alert_row(replace(listed, cleared_at=when)).text == "nothing heard for 47 h"


async def test_alerts_about_tokens_are_for_administrators_of_every_site(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    admin = await signed_in(fresh_api, "admin-all")
    await enter(admin, "tokens", kind="token_expiry", raise_at=14, clear_after_min=0)
    made = (await admin.post("/tokens", json={"title": "nightly export", "days": 10})).json()
    judge(fresh_yard_url)
    alert = await one_of(admin)
    assert (alert["crane"], alert["site"], alert["subject"]) == ("", "", str(made["token_id"]))
    assert alert["text"] == "days to the expiry of a token: 10 (nightly export, admin-all)"
    assert (await admin.get("/alerts/summary")).json()["cranes"][0]["crane"] == ""
    path = f"/alerts/{alert['alert_id']}"
    until = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    for account in ("engineer-all", "viewer-all", "admin-north"):
        other = await signed_in(fresh_api, account)
        assert (await other.get("/alerts")).json()["items"] == [], account
        assert (await other.get("/alerts/summary")).json() == {"unacknowledged": 0, "cranes": []}
        assert (await other.get(path)).status_code == 404
    engineer = await signed_in(fresh_api, "engineer-all")
    assert (await engineer.post(f"{path}/acknowledgement", json={})).status_code == 404
    assert (await engineer.put(f"{path}/shelf", json={"until": until, "reason": "mine"})).status_code == 404
    assert (await admin.post(f"{path}/acknowledgement", json={})).json()["alert"]["state"] == "acknowledged"
    for _ in range(2):  # again replaces it
        shelved = await admin.put(f"{path}/shelf", json={"until": until, "reason": "renewed on Monday"})
        assert shelved.json()["alert"]["state"] == "shelved"
    assert (await admin.delete(f"{path}/shelf")).status_code == 204
    await admin.delete(f"/tokens/{made['token_id']}")
    judge(fresh_yard_url)
    history = (await admin.get(path)).json()["history"]
    assert history[-1]["note"].startswith("the token was revoked")
