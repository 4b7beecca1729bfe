"""Rejected messages that are to be judged again: who may ask, for which cranes, and what is answered."""

import psycopg
import pytest
from fastapi import FastAPI

from domain.errors import QuarantineReason
from ingest.limits import Limits
from ingest.replay import replaying
from store import quarantine
from store.quarantine import Rejected
from tests.api.test_exclusions import signed_in
from tests.support.ingesting import wait_until
from tests.support.telemetry import START, message

pytestmark = pytest.mark.anyio
PATH = "/quarantine/replays"


def reject(url: str, crane: str) -> None:
    topic, raw = message(crane, 0)
    with psycopg.connect(url) as conn:
        one = Rejected(
            received_at=START,
            topic=topic,
            crane_name=crane,
            reason=QuarantineReason.UNKNOWN_CRANE,
            detail="",
            raw=raw,
        )
        quarantine.keep(conn, [one])


async def test_an_engineer_has_messages_of_a_crane_judged_again(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    reject(fresh_yard_url, "heron-3")
    asked = {"crane": "heron-3", "reason": "unknown_crane"}
    made = await engineer.post(PATH, json=asked)
    assert made.status_code == 202, made.text
    assert (made.json()["done_at"], made.json()["asked_by"]) == (None, "engineer-north")
    again = await engineer.post(PATH, json=asked)
    assert again.json()["replay_id"] == made.json()["replay_id"]
    with replaying(fresh_yard_url, Limits()), psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        wait_until(
            lambda: conn.execute("select 1 from quarantine_replay where done_at is not null").fetchone(),
            "done",
        )
        left = conn.execute("select count(*) from quarantine where reason = 'unknown_crane'").fetchone()
    (row,) = (await engineer.get(PATH)).json()["items"]
    assert (row["stored"], row["kept"], row["problem"]) == (1, 0, "")
    assert left == (0,)
    admin = await signed_in(fresh_api, "admin-all")
    noted = [row for row in (await admin.get("/audit?reads=false")).json()["items"] if PATH in row["target"]]
    assert [row["account"] for row in noted] == ["engineer-north", "engineer-north"]


async def test_only_cranes_in_scope_and_only_who_sees_every_site_asks_for_all(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    north = await signed_in(fresh_api, "engineer-north")
    everywhere = await signed_in(fresh_api, "admin-all")
    refused = await north.post(PATH, json={})
    assert (refused.status_code, refused.json()["fields"]) == (422, ["crane"])
    assert (await north.post(PATH, json={"crane": "crake-1"})).status_code == 404
    for asked in ({}, {"crane": "crake-1"}):
        assert (await everywhere.post(PATH, json=asked)).status_code == 202
    assert (await north.get(PATH)).json()["items"] == []
    assert [row["crane"] for row in (await everywhere.get(PATH)).json()["items"]] == ["crake-1", None]
