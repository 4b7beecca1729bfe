"""The dossier for the special assessment: figures of the api, frozen bytes, what changed, roles and sites."""

import hashlib
import io
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import httpx
import orjson
import psycopg
import pytest
from fastapi import FastAPI
from pypdf import PdfReader

from answers.dossier_changes import changes
from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client
from dashboard.pages.life import dossier as page
from dashboard.parts import form
from dashboard.visit import Visit
from domain.maintenance import DetailAsked
from duty.uncertainty import Source
from reports.dossier_pages import dossier_pdf
from store import access
from store.access import Role
from tests.api.conftest import PASSWORD, client_of
from tests.api.test_duty_report import text_of
from tests.api.test_maintenance import engineer
from tests.api.test_overloads import ASKED, AT, ONE, registered  # noqa: F401 - a fixture
from tests.api.test_site_scope import under_role
from tests.support import rows
from words.texts import english

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/dossiers"


async def finish(http: httpx.AsyncClient, note: str = "") -> dict[str, Any]:
    answer = await http.post(PATH, json={"note": note})
    assert answer.status_code == 201, answer.text
    return answer.json()


async def signed_in(app: FastAPI, account: str) -> httpx.AsyncClient:
    http = client_of(app)
    assert (await http.post("/login", json={"account": account, "password": PASSWORD})).status_code == 200
    return http


async def test_a_name_in_any_script_costs_nobody_the_document(http: httpx.AsyncClient) -> None:
    person = "Екатерина 検査 \U0001f600 e\u0489 \ufffe"
    entered = {
        "kind": "inspection",
        "happened_on": "2026-03-02",
        "person": person,
        "note": "invented; e and q stay",
    }
    assert (await http.post("/cranes/heron-3/life-records", json=entered)).status_code == 201
    document = await http.get("/cranes/heron-3/dossier/report")
    assert document.status_code == 200
    read = " ".join(text_of(document.content).split())
    assert all(one in read for one in ("Екатерина", "[U+691C]", "[U+67FB]", "[U+1F600]", "[U+FFFE]"))
    assert "e and q stay" in read


async def test_a_draft_has_the_answers_of_the_api(http: httpx.AsyncClient) -> None:
    draft = (await http.get("/cranes/heron-3/dossier")).json()
    assert (draft["state"], draft["number"], draft["since"]) == ("draft", None, None)
    assert draft["life"] == (await http.get("/cranes/heron-3/life")).json()
    assert draft["spectrum"] == (await http.get("/cranes/heron-3/spectrum")).json()
    assert draft["counters"] == (await http.get("/cranes/heron-3/counters")).json()
    known = (await http.get("/cranes/heron-3")).json()
    assert (draft["crane"], draft["site"]) == (known["crane"], known["site"])
    days = {"day_from": draft["life"]["recorded_from"], "day_to": draft["life"]["recorded_to"]}
    assert draft["coverage"] == (await http.get("/cranes/heron-3/coverage", params=days)).json()
    every = {"day_from": "1970-01-01", "day_to": "2199-12-31"}
    found = (await http.get("/cranes/heron-3/findings", params=every)).json()["items"]
    assert found
    assert draft["findings"] == found
    lists = {
        "details": "details",
        "exclusions": "exclusions",
        "descriptions": "descriptions",
        "services": "service-done",
    }
    for part, path in lists.items():
        assert draft[part] == (await http.get(f"/cranes/heron-3/{path}")).json()["items"], part
    assert draft["duty"]["lifts"] == draft["life"]["lifts"]
    assert draft["method"]["settings_hash"] == "test"


async def test_the_pages_say_that_they_are_a_draft_and_print_its_figures(http: httpx.AsyncClient) -> None:
    answer = await http.get("/cranes/heron-3/dossier/report")
    assert answer.headers["content-type"] == "application/pdf"
    text = text_of(answer.content)
    life = (await http.get("/cranes/heron-3/life")).json()
    assert "DRAFT, not finished" in text
    assert f"used share, whole life {100 * life['used_share']:.3g} %" in text
    assert "No counter of the crane supports the record" in text
    assert life["special_assessment_on"] in text
    for word in ("name", "function", "qualification", "place", "date", "signature"):
        assert f" {word} " in text + " ", word
    reader = PdfReader(io.BytesIO(answer.content))
    assert b"pdfuaid:part" in reader.trailer["/Root"]["/Metadata"].get_object().get_data()
    assert answer.content == (await http.get("/cranes/heron-3/dossier/report")).content


async def test_what_is_not_known_stands_before_any_figure(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/cranes/plover-2/dossier/report")).content)
    assert "Nothing is recorded of this crane" in text
    assert text.index("Nothing is recorded of this crane") < text.index("full structural rating")


async def test_a_dossier_of_before_whose_reasons_are_sentences_is_read(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    await finish(http)
    kept = (await http.get(f"{PATH}/1")).json()
    kept["life"]["f1_reason"] = kept["coverage"]["f1_reason"] = "a sentence of before, 42 % of it"
    kept["life"]["special_assessment_reason"] = "another one"
    data = orjson.dumps(kept)
    read = " ".join(text_of(dossier_pdf(data)).split())
    assert "a sentence of before, 42 % of it" in read
    assert "another one" in read


async def test_a_finished_dossier_is_kept_byte_for_byte(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    row = await finish(http, "ten *years* #(1 + 1) (invented)")
    assert (row["number"], row["finished_by"], row["note"]) == (
        1,
        "engineer-all",
        "ten *years* #(1 + 1) (invented)",
    )
    data = (await http.get(f"{PATH}/1")).content
    pdf = (await http.get(f"{PATH}/1/report")).content
    assert (len(data), hashlib.sha256(data).hexdigest()) == (row["data_bytes"], row["data_sha256"])
    assert (len(pdf), hashlib.sha256(pdf).hexdigest()) == (row["pdf_bytes"], row["pdf_sha256"])
    assert pdf == dossier_pdf(data), "the pages come from the data and nothing else"
    text = text_of(pdf)
    assert row["data_sha256"] in text
    assert "ten *years* #(1 + 1) (invented)" in text
    assert "DRAFT" not in text
    reading = {"kind": "operating_hours", "read_on": "2026-02-27", "value": 1000}
    assert (await http.post("/cranes/heron-3/counters", json=reading)).status_code == 201
    assert (await http.get(f"{PATH}/1")).content == data
    assert (await http.get(f"{PATH}/1/report")).content == pdf
    assert (await http.get(PATH)).json()["items"] == [row]
    finished = orjson.loads(data)
    assert (finished["state"], finished["number"], finished["finished_at"]) == (
        "finished",
        1,
        row["finished_at"],
    )


async def test_a_later_one_shows_what_changed(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    await finish(http)
    assert (await http.get(f"{PATH}/1/changes")).status_code == 404
    assert (await http.get("/cranes/heron-3/dossier")).json()["changes"] == []
    before = (await http.get("/cranes/heron-3/life")).json()
    for day, value in (("2026-02-27", 1000), ("2026-04-02", 1005)):
        reading = {"kind": "operating_hours", "read_on": day, "value": value}
        assert (await http.post("/cranes/heron-3/counters", json=reading)).status_code == 201
    weld = {"mpa_per_pct": 1.5, "curve": "IIW", "reference_mpa": 71.0}
    assert (await http.put("/cranes/heron-3/details/foot", json=weld)).status_code == 204
    after = (await http.get("/cranes/heron-3/life")).json()
    draft = (await http.get("/cranes/heron-3/dossier")).json()
    assert (await finish(http))["number"] == 2
    answer = (await http.get(f"{PATH}/2/changes")).json()
    assert (answer["since"], answer["number"]) == (1, 2)
    assert answer["changes"] == draft["changes"]
    found = {one["what"]: (one["part"], one["before"], one["after"]) for one in answer["changes"]}
    assert found["life: f1"] == ("figure", f"{before['f1']:.6g}", f"{after['f1']:.6g}")
    assert found["life: used share"] == (
        "figure",
        f"{before['used_share']:.6g}",
        f"{after['used_share']:.6g}",
    )
    assert found["counter reading operating_hours 2026-04-02 typed"][:2] == ("record", None)
    assert "value 1005" in str(found["counter reading operating_hours 2026-04-02 typed"][2])
    part, _, entry = found["weld detail foot"]
    assert part == "entry"
    assert "spec reference mpa 71" in str(entry)
    text = text_of((await http.get(f"{PATH}/2/report")).content)
    assert "What changed since dossier 1" in text
    assert f"figure, life: f1 {before['f1']:.6g} {after['f1']:.6g}" in text
    refused = await http.get(f"{PATH}/1/changes", params={"since": 2})
    assert refused.status_code == 422
    assert "earlier dossier" in refused.json()["detail"]


@pytest.mark.usefixtures("registered")
async def test_overloads_stand_in_it_with_what_was_decided(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    http = await engineer(fresh_api)
    await finish(http)
    assert (await http.put(ONE, json=ASKED)).status_code == 200
    draft = (await http.get("/cranes/heron-3/dossier")).json()
    assert draft["overloads"] == (await http.get("/cranes/heron-3/overloads")).json()["items"]
    assert any(
        line.startswith("2 lifts above 100 % structural without a decision") for line in draft["unknown"]
    )
    text = text_of((await http.get("/cranes/heron-3/dossier/report")).content)
    for row in draft["overloads"]:
        assert f"{row['peak_structural_pct']:.1f} %, {row['peak_utilisation_pct']:.1f} %" in text
    assert "OPEN" in text
    assert "moved out: bundle caught" in text
    assert "boom inspected, released (engineer-all" in text
    told = {one["what"]: (one["before"], one["after"]) for one in draft["changes"]}
    assert told[f"overload {AT}: state"] == ("open", "decided")
    with psycopg.connect(fresh_yard_url) as conn:
        rows.remove(conn, "overload", open=False)
        for started_at in rows.column(conn, "overload", "started_at", crane="heron-3"):
            later = {"day": started_at.date(), "peak_structural_pct": 140.25}
            rows.overload(conn, "heron-3", started_at + timedelta(days=9), 140.0, **later)
    draft = (await http.get("/cranes/heron-3/dossier")).json()
    told = {one["what"]: (one["before"], one["after"]) for one in draft["changes"]}
    assert told["overloads that came"] == (None, f"{len(draft['overloads']) // 2}, highest peak 140.3 %")


async def test_records_of_the_life_stand_in_it_with_their_effect(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    await finish(http)
    path = "/cranes/heron-3/life-records"
    crack = {
        "kind": "crack",
        "happened_on": "2026-03-04",
        "person": "I. Example",
        "detail": "column foot",
        "length_mm": 12.5,
    }
    made = await http.post(path, json=crack)
    assert made.status_code == 201, made.text
    record = made.json()
    note = {"file": ("sketch.txt", b"seen from the left side\n", "text/plain")}
    assert (await http.post(f"{path}/{record['record_id']}/files", files=note)).status_code == 201
    draft = (await http.get("/cranes/heron-3/dossier")).json()
    assert draft["records"] == (await http.get(path)).json()["items"]
    assert any(line.startswith("1 finding or crack of inspections still open") for line in draft["unknown"])
    text = text_of((await http.get("/cranes/heron-3/dossier/report")).content)
    assert "column foot; 12.5 mm" in text
    assert "by a condition open crack of 12.5 mm at column foot" in text
    assert draft["records"][0]["effect_remarks"][0]["text"] in text
    assert draft["records"][0]["files"][0]["sha256"] in text
    told = {one["what"]: one["after"] for one in draft["changes"]}
    assert "detail column foot; length mm 12.5" in told[f"life record crack {record['record_id']}"]
    assert told["life: special assessment by"] == "condition"


def test_changes_lose_no_row_and_no_digit() -> None:
    """Two details of one name, a figure that differs in its tenth digit, a figure that is new."""
    before = {"life": {"kq": 0.1234567891}, "details": [{"name": "foot", "spec": {"slope_m": 3.0}}]}
    after = {
        "life": {"kq": 0.1234567892, "f1": 1.1},
        "details": [*before["details"], {"name": "foot", "spec": {"slope_m": 5.0}}],
    }
    assert changes(before, before) == []
    found = {one.what: (one.part, one.before, one.after) for one in changes(before, after)}
    assert found == {
        "life: kq": ("figure", "0.1234567891", "0.1234567892"),
        "life: f1": ("figure", None, "1.1"),
        "weld detail foot (2)": ("entry", None, "spec slope m 5"),
    }


def test_every_influence_has_its_words() -> None:
    assert all(f"report.influence.{source}" in english().texts for source in Source)


async def test_the_database_refuses_to_change_one(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    await finish(await engineer(fresh_api))
    for statement in ("update dossier set note = 'x'", "delete from dossier", "truncate dossier"):
        for connected in (under_role(fresh_yard_url, "*"), psycopg.connect(fresh_yard_url)):
            with connected as conn, pytest.raises(psycopg.errors.InsufficientPrivilege):
                conn.execute(statement)
    with psycopg.connect(fresh_yard_url) as conn:
        made = "insert into dossier select crane_id, 2, finished_at, '', '', '', data, data_sha256, 'x'::bytea, pdf_sha256 from dossier"
        with pytest.raises(psycopg.errors.CheckViolation):
            conn.execute(made)


async def test_who_may_finish_and_see_one(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    await finish(await engineer(fresh_api))
    viewer = await signed_in(fresh_api, "viewer-north")
    assert (await viewer.post(PATH, json={})).status_code == 403
    assert (await viewer.get(f"{PATH}/1")).status_code == 200
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        access.create_user(conn, "engineer-south", PASSWORD, Role.ENGINEER, ["south-yard"])
    other = await signed_in(fresh_api, "engineer-south")
    for path in ("/cranes/heron-3/dossier", PATH, f"{PATH}/1", f"{PATH}/1/report"):
        assert (await other.get(path)).status_code == 404, path
    assert (await other.post(PATH, json={})).status_code == 404
    with under_role(fresh_yard_url, "south-yard") as conn:
        assert rows.count(conn, "dossier") == 0
    with psycopg.connect(fresh_yard_url) as conn:
        noted = rows.column(conn, "audit", "detail", action="POST /cranes/{name}/dossiers")
    assert [one["number"] for one in noted] == [1]


async def test_none_is_finished_while_past_days_wait_to_be_counted(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    http = await engineer(fresh_api)
    span = {"from_at": "2026-03-02T08:10:00Z", "to_at": "2026-03-02T08:40:00Z", "reason": "sensor hung"}
    assert (await http.post("/cranes/heron-3/exclusions", json=span)).status_code == 201
    assert "1 day of this crane still to be counted again" in (await http.get("/cranes/heron-3/dossier")).text
    refused = await http.post(PATH, json={})
    assert refused.status_code == 409
    assert "days of heron-3 that are over wait" in refused.json()["detail"]
    with psycopg.connect(fresh_yard_url) as conn:  # as a day that is not over
        rows.change(conn, "touched_day", {"day": date(2199, 1, 1)})
    assert (await finish(http))["number"] == 1


async def test_bad_input_is_refused_with_what_to_do(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    http = await engineer(fresh_api)
    assert (await http.post(PATH, json={"note": "x" * 501})).status_code == 422
    assert (await http.post(PATH, json={"signed": True})).status_code == 422
    missing = await http.get(f"{PATH}/7")
    assert missing.status_code == 404
    assert "list of dossiers" in missing.json()["detail"]
    with psycopg.connect(fresh_yard_url) as conn:
        rows.change(conn, "crane", {"draft": True}, name="heron-3")
    refused = await http.post(PATH, json={})
    assert refused.status_code == 409
    assert "complete its entries" in refused.json()["detail"]


async def test_the_page_finishes_one_and_shows_it(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), Client(app=app) as client:
        visit = Visit(client=client, path="/life/heron-3/dossier", place={"crane": "heron-3"})
        before = str(await page.render(visit))
        assert "None is finished yet." in before
        assert "nothing here confirms it" in before
        for note in ("first (invented)", "second (invented)"):
            sent = await form.send(client, "dossier", {"note": note}, {"crane": "heron-3"})
            assert isinstance(sent, form.Done)
            assert "is finished" in sent.said
        weld = DetailAsked.model_validate({"mpa_per_pct": 1.5, "curve": "IIW", "reference_mpa": 71.0})
        await client.write_detail("heron-3", "foot", weld)
        shown = str(await page.render(replace(visit, query={"changes": "2"})))
        rows = (await client.dossiers("heron-3")).items
        assert [row.number for row in rows] == [2, 1]
        for row in rows:
            assert row.pdf_sha256 in shown
            assert row.data_sha256 in shown
            assert f"/api/v1/cranes/heron-3/dossiers/{row.number}/report" in shown
        assert "What changed from dossier 1 to dossier 2" in shown
        assert "No figure, entry or record differs." in shown
        assert "weld detail foot" in shown
        assert (await client.dossier("heron-3", 1)).note == "first (invented)"
        assert (await client.dossier_changes("heron-3", 2, since=1)).changes == ()
