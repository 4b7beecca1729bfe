"""Corrections of clocks over http and from the page: who may, what is answered, whose cranes they are."""

import json
import zlib
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson
import pytest
from fastapi import FastAPI
from plotly.utils import PlotlyJSONEncoder

from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client
from dashboard.pages.health import clocks  # noqa: F401 - registers the form
from dashboard.parts import form
from dashboard.router import draw
from domain.messages import Leaf, topic
from ingest.content import PLAIN, Content
from ingest.limits import Limits
from ingest.replay import apply_corrections
from ingest.writer import Incoming, Writer
from tests.api.test_exclusions import signed_in
from words.numbers import Units

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


def sent(
    crane: str, boot: int, ahead: timedelta, *, came: datetime, content: Content = PLAIN
) -> list[Incoming]:
    """Messages of 10 s of a crane whose clock is ahead, each as it was recorded."""
    found = []
    for seq in range(20):
        end = came + timedelta(seconds=10 * seq)
        t0 = end - timedelta(seconds=9) + ahead
        body = {
            "boot": boot,
            "seq": seq,
            "t0": t0,
            "dt_ms": 1000,
            "channels": {"utilisation_pct": [1.5] * 10},
        }
        payload = orjson.dumps(body)
        if content.encoding:
            payload = zlib.compress(payload)
        arrived = end + timedelta(milliseconds=200 + seq)
        found.append(Incoming(topic(crane, Leaf.SAMPLES), payload, arrived, content=content))
    return found


SUGGESTED = "/cranes/heron-3/clock-suggestions"


async def test_arrival_suggests_an_offset_and_one_that_is_corrected_gets_none(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    engineer = await signed_in(fresh_api, "engineer-north")
    assert (await engineer.get(SUGGESTED)).json()["items"] == []
    came = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    writer = Writer(fresh_yard_url, Limits(), alone=False)
    day = timedelta(days=1)
    packed = Content("application/json", "deflate")
    for messages in (
        sent("heron-3", 70, -timedelta(hours=5), came=came),
        sent("heron-3", 71, 400 * day, came=came + timedelta(minutes=10)),
        sent("heron-3", 72, 30 * day, came=came + timedelta(minutes=20), content=packed),
        sent("heron-3", 73, timedelta(0), came=came + timedelta(minutes=30)),
    ):
        writer.store(messages)
    writer.close()
    found = (await engineer.get(SUGGESTED)).json()["items"]
    told = [(row["boot"], row["offset_ms"], row["messages"], row["refused"]) for row in found]
    day_ms = 86_400_000
    assert told == [(72, -30 * day_ms, 20, 20), (71, -400 * day_ms, 20, 20), (70, 5 * 3_600_000, 20, 0)]
    assert [(row["seq_from"], row["seq_to"], row["others"], row["spread_ms"]) for row in found] == [
        (0, None, 0, 19)
    ] * 3
    viewer = await signed_in(fresh_api, "viewer-north")
    assert (await viewer.get(SUGGESTED)).status_code == 403

    asked = {"boot": 71, "offset_ms": found[1]["offset_ms"], "reason": "the job sheet says the same"}
    assert (await engineer.post(PATH, json=asked)).status_code == 202
    assert [row["boot"] for row in (await engineer.get(SUGGESTED)).json()["items"]] == [72, 70]
    apply_corrections(fresh_yard_url, Limits())
    (row,) = (await engineer.get("/clock-corrections")).json()["items"]
    assert row["problem"] == ""
    assert [row["boot"] for row in (await engineer.get(SUGGESTED)).json()["items"]] == [72, 70]


async def test_the_page_fills_a_suggestion_in_and_says_where_it_comes_from(fresh_yard_url: str) -> None:
    came = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    writer = Writer(fresh_yard_url, Limits(), alone=False)
    writer.store(sent("heron-3", 71, timedelta(days=400, hours=2), came=came))
    writer.close()
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), Client(app=app) as client:

        async def page(search: str) -> str:
            drawn, _ = await draw(client, "/data", search, Units.METRIC)
            return json.dumps(drawn, cls=PlotlyJSONEncoder, ensure_ascii=False)

        assert '"href": "/data?crane=heron-3"' in await page("")
        plain = await page("?crane=heron-3")
        assert '"href": "/data?crane=heron-3&boot=71#clocks"' in plain
        assert "-34567200" not in plain
        filled = await page("?crane=heron-3&boot=71")
        assert '"value": -34567200.0' in filled
        assert '"value": "71"' in filled
        said = filled.replace("\N{NO-BREAK SPACE}", " ")
        assert "400 days 2 h (about 1.1 years) ahead" in said
        assert "An engineer compares it" in said
