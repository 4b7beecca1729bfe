"""The life before the record: entered for many cranes at once, all of it or nothing."""

from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from domain.history import COLUMNS
from tests.api.conftest import PASSWORD, client_of

pytestmark = pytest.mark.anyio
HEAD = ",".join(COLUMNS) + "\n"


async def sign_in(http: httpx.AsyncClient, account: str) -> None:
    answer = await http.post("/login", json={"account": account, "password": PASSWORD})
    assert answer.status_code == 200, answer.text


async def rows(http: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    answer = await http.get("/life-history")
    assert answer.status_code == 200, answer.text
    return {row["crane"]: row for row in answer.json()["items"]}


async def test_many_histories_are_entered_at_once(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as http:
        await sign_in(http, "engineer-all")
        before = await rows(http)
        assert before["heron-3"]["unknown_years"] == 0  # an entry without years covers all
        csv = HEAD + (
            "heron-3,2018-03-02,,always,3000,0.1,1.2,5,work sheets (invented)\n"
            "# the next one lacks its prior duty\n"
            "crake-1,2019-01-01,12,,,,,,\n"
        )
        checked = await http.post("/life-history", json={"csv": csv, "check_only": True})
        assert checked.json() == {"cranes": 2, "stored": False}
        assert await rows(http) == before
        assert (await http.post("/life-history", json={"csv": csv})).json() == {"cranes": 2, "stored": True}
        after = await rows(http)
        heron = after["heron-3"]
        assert heron["unknown_years"] == pytest.approx(2922 / 365.25 - 5)  # 2018-03-02 to 2026-03-02
        assert heron["assumed_share"] == pytest.approx(1.5 * (2922 / 365.25 - 5) / 10)
        assert heron["recorder_runs"] == "always"
        assert after["crake-1"]["design_years"] == 12
        assert after["crake-1"]["prior_duty"] is None
        life = (await http.get("/cranes/heron-3/life")).json()
        assert life["used_share_unknown"] == pytest.approx(heron["assumed_share"])
        assert life["used_share_prior"] == pytest.approx(1.2 * 300 / (250e3 * 0.125))
        parts = ("counted", "prior", "unknown", "unrecorded")
        assert life["used_share"] == pytest.approx(sum(life[f"used_share_{part}"] for part in parts))
        assert "3.0 years before the record of which nothing is known" in life["sentence"]
        assert "since the manual's are not entered" in life["sentence"]
        named = {"entries": [{"crane": "heron-3", "prior_duty": {"lifts": 1, "kq": 0.1, "f1": 1.5}}]}
        assert (await http.post("/life-history", json=named)).status_code == 200
        assert (await rows(http))["heron-3"]["unknown_years"] == 0


@pytest.mark.parametrize(
    ("csv", "told"),
    [
        ("crane\nheron-3\n", "must name the column crane and some of"),
        (HEAD + "heron-3,2027-01-01,,,,,,,\n", "but recorded from 2 Mar 2026"),
        (HEAD + "heron-3,,,,3000,0.1,1.2,9,\n", "would count twice"),
        (HEAD + "heron-3,,,sometimes,,,,,\n", "line 2: recorder_runs"),
        (HEAD + "heron-3,,,,3000,,1.2,3,\n", "line 2: prior_kq"),
        (HEAD + "heron-3,,,,,,,,\n", "nothing is entered for heron-3"),
        (HEAD + "no-such,,12,,,,,,\n", "no such crane"),
        (HEAD + "heron-3,2099-01-01,,,,,,,\n", "lies ahead"),
        (HEAD + "heron-3,2021-01-01,,,,,,,\n", "in service since 1 May 2020: correct one of the two"),
        (HEAD + "heron-3,,0,,,,,,\n", "line 2: design_years"),
        (HEAD + "heron-3,,0.01,,,,,,\n", "line 2: design_years"),
        (HEAD + "heron-3,,1000,,,,,,\n", "line 2: design_years"),
        (HEAD + "heron-3,,nan,,,,,,\n", "line 2: design_years"),
        (HEAD + "heron-3,,,,inf,0.1,1.2,3,\n", "line 2: prior_lifts"),
        (HEAD + "heron-3,,,,-5,0.1,1.2,3,\n", "line 2: prior_lifts"),
        (HEAD + "heron-3,,,,3000,0,1.2,3,\n", "is no duty"),
        (HEAD + "heron-3,,,,3000,1.5,1.2,3,\n", "line 2: prior_kq"),
        (HEAD + "heron-3,,,,3000,0.1,0.9,3,\n", "line 2: prior_f1"),
        (HEAD + "heron-3,,,,3000,0.1,1.2,0,\n", "line 2: prior_years"),
        (HEAD + "heron-3,02.03.2018,,,,,,,\n", "line 2: manufactured_on"),
        (HEAD + "heron-3,,12,,,,,,\nheron-3,,12,,,,,,\n", "stands there twice"),
    ],
)
async def test_a_problem_in_any_line_keeps_nothing(fresh_api: FastAPI, csv: str, told: str) -> None:
    async with client_of(fresh_api) as http:
        await sign_in(http, "engineer-all")
        before = await rows(http)
        good = "crake-1,,20,,,,,,\n" if csv.startswith(HEAD) else ""
        answer = await http.post("/life-history", json={"csv": csv + good})
        assert answer.status_code == 422
        assert told in answer.json()["detail"]
        assert await rows(http) == before


async def test_histories_keep_to_sites_and_roles(fresh_api: FastAPI) -> None:
    entry = {"entries": [{"crane": "crake-1", "design_years": 9}]}
    async with client_of(fresh_api) as http:
        await sign_in(http, "engineer-north")
        assert set(await rows(http)) == {"heron-3", "plover-2"}
        assert (await http.post("/life-history", json=entry)).status_code == 422
        await sign_in(http, "dispatcher-all")
        assert (await http.post("/life-history", json=entry)).status_code == 403
        await sign_in(http, "engineer-all")
        assert (await http.post("/life-history", json={})).status_code == 422
        assert (await rows(http))["crake-1"]["design_years"] is None


async def test_a_single_crane_refuses_what_contradicts_its_record(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    async with client_of(fresh_api) as http:
        await sign_in(http, "admin-all")
        found = (await http.get("/cranes/heron-3")).json()
        late = {**found, "crane": {**found["crane"], "manufactured_on": "2026-04-01"}}
        answer = await http.put("/cranes/heron-3", json=late)
        assert answer.status_code == 422
        assert "in service since 1 May 2020" in answer.json()["detail"]
        wrong = {
            "manufactured_on": {"manufactured_on": "2099-01-01"},
            "commissioned_on": {"commissioned_on": "2026-03-03"},
            "design_years": {"design_years": 0},
            "assessed_on": {"assessed_on": "2010-01-01"},
            "assess_by": {"assessed_on": "2025-01-01", "assess_by": "2024-01-01"},
            "prior_duty": {"prior_duty": {"lifts": 10, "kq": 0.1, "f1": 1.2, "years": 50}},
        }
        for field, entry in wrong.items():
            answer = await http.put("/cranes/heron-3", json={**found, "crane": {**found["crane"], **entry}})
            assert answer.status_code == 422, field
            assert field in str(answer.json().get("errors") or answer.json()), answer.text
    # one that was entered before the record began is told on every answer about its life
    with psycopg.connect(fresh_yard_url) as conn:
        conn.execute(
            """update crane set spec = jsonb_set(spec, '{manufactured_on}', '"2026-04-01"') where name = 'heron-3'"""
        )
    async with client_of(fresh_api) as http:
        await sign_in(http, "viewer-all")
        life = (await http.get("/cranes/heron-3/life")).json()
        assert len(life["contradictions"]) == 2
        assert "Entries contradict each other" in life["sentence"]
