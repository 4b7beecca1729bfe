"""Findings over the api: by crane and of the fleet, in scope, over a period, in pages."""

import httpx
import pytest
from fastapi import FastAPI

from dashboard.client import Client
from domain.findings import MOVES_AND_UNIT, FindingCode
from tests.api.conftest import DAYS, PASSWORD, client_of
from words.alerts import finding_words

pytestmark = pytest.mark.anyio
PERIOD = {"day_from": "2026-03-01", "day_to": "2026-03-31"}


async def test_a_crane_tells_each_code_once_with_its_worst_stretch(http: httpx.AsyncClient) -> None:
    items = (await http.get("/cranes/heron-3/findings", params=PERIOD)).json()["items"]
    assert [(row["code"], row["channel"], row["days"]) for row in items] == [
        ("limit_missing", "limit_pct", 1),
        ("spikes", "utilisation_pct", 2),
    ]
    spikes = items[1]
    assert (spikes["day_from"], spikes["day_to"]) == (str(DAYS[0]), str(DAYS[1]))
    assert (spikes["size"], spikes["unit"]) == (250.0, "%")
    assert (spikes["from_at"], spikes["to_at"]) == ("2026-03-03T08:00:00Z", "2026-03-03T09:00:00Z")
    assert spikes["moves"] == "too high"
    assert all(spikes[name] for name in ("title", "next_step", "consequence"))
    assert "used share" in spikes["figures"]
    first = {"day_from": str(DAYS[0]), "day_to": str(DAYS[0])}
    items = (await http.get("/cranes/heron-3/findings", params=first)).json()["items"]
    assert [(row["code"], row["size"]) for row in items] == [("spikes", 180.0)]


async def test_the_fleet_comes_in_pages_and_by_code(http: httpx.AsyncClient) -> None:
    found, cursor = [], {}
    while True:
        answer = (await http.get("/findings", params={**PERIOD, **cursor, "limit": 1})).json()
        assert len(answer["items"]) == 1
        found += [(row["crane"], row["code"]) for row in answer["items"]]
        if answer["next_cursor"] is None:
            break
        cursor = {"cursor": answer["next_cursor"]}
    assert found == [("crake-1", "clock_behind"), ("heron-3", "limit_missing"), ("heron-3", "spikes")]
    only = (await http.get("/findings", params={**PERIOD, "code": "spikes"})).json()["items"]
    assert [row["crane"] for row in only] == ["heron-3"]


async def test_bounds_and_unknown_codes_are_refused(http: httpx.AsyncClient) -> None:
    for wrong in ({"day_from": "2020-01-01", "day_to": "2026-01-01"}, {"code": "odd"}, {"cursor": "odd"}):
        assert (await http.get("/findings", params=wrong)).status_code == 422
    assert (await http.get("/cranes/nobody-1/findings")).status_code == 404


async def test_only_cranes_in_scope_are_told(api: FastAPI) -> None:
    async with client_of(api) as http:
        assert (await http.get("/findings", params=PERIOD)).status_code == 401
        login = await http.post("/login", json={"account": "viewer-north", "password": PASSWORD})
        assert login.status_code in (200, 204), login.text
        items = (await http.get("/findings", params=PERIOD)).json()["items"]
        assert {row["crane"] for row in items} == {"heron-3"}
        assert (await http.get("/cranes/crake-1/findings")).status_code == 404


async def test_the_client_reads_both(open_api: FastAPI) -> None:
    async with Client(app=open_api) as client:
        of_crane = await client.findings("heron-3", day_from=DAYS[0], day_to=DAYS[1])
        of_all = await client.findings_of_all(day_from=DAYS[0], day_to=DAYS[1], code=FindingCode.SPIKES)
    assert [row.code for row in of_crane.items] == [FindingCode.LIMIT_MISSING, FindingCode.SPIKES]
    assert [row.crane for row in of_all.items] == ["heron-3"]


def test_every_code_has_words_that_say_what_moves_and_what_to_do() -> None:
    assert set(MOVES_AND_UNIT) == set(FindingCode)
    for words in map(finding_words, FindingCode):
        assert all((words.title, words.figures))
        assert all(text.endswith(".") for text in (words.consequence, words.next_step))
