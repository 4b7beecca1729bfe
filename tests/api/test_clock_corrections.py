"""Corrections of clocks over http and from the page: who may, what is answered, whose cranes they are."""

from typing import Any

import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client
from dashboard.pages.health import clocks  # noqa: F401 - registers the form
from dashboard.parts import form
from ingest.limits import Limits
from ingest.replay import apply_corrections
from tests.api.test_exclusions import signed_in

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/clock-corrections"
ASKED: dict[str, Any] = {"boot": 2**62, "seq_from": 3, "offset_ms": -60_000, "reason": "by the job sheet"}


async def test_an_engineer_corrects_lists_and_withdraws(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    made = await engineer.post(PATH, json=ASKED)
    assert made.status_code == 202, made.text
    one = f"{PATH}/{made.json()['correction_id']}"
    assert (made.json()["applied_at"], made.json()["entered_by"]) == (None, "engineer-north")
    assert (await engineer.post(PATH, json=ASKED)).json()["correction_id"] == made.json()["correction_id"]
    apply_corrections(fresh_yard_url, Limits())
    found = (await engineer.get(one)).json()
    assert (found["problem"], found["reverted_at"]) == ("", None)
    assert found["applied_at"] is not None
    gone = await engineer.delete(one)
    assert (gone.status_code, gone.json()["withdrawn_by"]) == (202, "engineer-north")
    apply_corrections(fresh_yard_url, Limits())
    (row,) = (await engineer.get("/clock-corrections")).json()["items"]
    assert row["reverted_at"] is not None
    admin = await signed_in(fresh_api, "admin-all")
    noted = [
        row
        for row in (await admin.get("/audit?reads=false")).json()["items"]
        if "clock-corr" in row["target"]
    ]
    assert [row["action"].split()[0] for row in noted] == ["DELETE", "POST", "POST"]


async def test_others_neither_correct_nor_see_it(fresh_api: FastAPI) -> None:
    everywhere, north = (
        await signed_in(fresh_api, "admin-all"),
        await signed_in(fresh_api, "engineer-north"),
    )
    made = await everywhere.post("/cranes/crake-1/clock-corrections", json=ASKED)
    number = made.json()["correction_id"]
    assert (await north.post("/cranes/crake-1/clock-corrections", json=ASKED)).status_code == 404
    assert (await north.get(f"{PATH}/{number}")).status_code == 404
    assert (await north.delete(f"{PATH}/{number}")).status_code == 404
    assert (await north.get("/clock-corrections")).json()["items"] == []


@pytest.mark.parametrize(
    ("change", "field"),
    [({"offset_ms": 0}, "offset_ms"), ({"seq_to": 2}, "seq_to"), ({"reason": "  "}, "reason")],
)
async def test_what_makes_no_sense_is_said_by_field(
    fresh_api: FastAPI, change: dict[str, Any], field: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    refused = await engineer.post(PATH, json=ASKED | change)
    assert (refused.status_code, refused.json()["fields"]) == (422, [field])


async def test_the_form_of_the_page_enters_it_and_says_what_is_missing(
    fresh_yard_url: str,
) -> None:
    typed = {
        "crane": "heron-3",
        "boot": str(2**62),
        "seq_from": "",
        "seq_to": "9",
        "reason": "by the job sheet",
    }
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), Client(app=app) as client:
        wrong = await form.send(client, "clock", typed, {})
        assert isinstance(wrong, form.Unreadable)
        assert list(wrong.problems) == ["offset_s"]
        assert isinstance(await form.send(client, "clock", {**typed, "offset_s": "-0.5"}, {}), form.Done)
        (row,) = (await client.clock_corrections()).items
    assert (row.boot, row.seq_to, row.offset_ms) == (2**62, 9, -500)
