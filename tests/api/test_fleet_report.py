"""The fleet report: PDF/UA, the numbers of the api, the same bytes for the same answers, nothing of other sites."""

import io

import httpx
import psycopg
import pytest
from fastapi import FastAPI
from pypdf import PdfReader

from tests.api.conftest import PASSWORD, client_of

pytestmark = pytest.mark.anyio
MARCH = {"day_from": "2026-03-01", "day_to": "2026-03-31"}


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


async def test_the_report_shows_the_numbers_of_the_api(http: httpx.AsyncClient) -> None:
    response = await http.get("/fleet/report", params=MARCH)
    assert response.headers["content-type"] == "application/pdf"
    text = text_of(response.content)
    fleet = (await http.get("/fleet", params=MARCH)).json()
    faults = (await http.get("/faults")).json()["items"]
    heron = next(row for row in fleet["rows"] if row["crane"] == "heron-3")
    assert "Fleet report, 2026-03-01 to 2026-03-31" in text
    assert heron["near_limit_pct"] == pytest.approx(100 / 3)
    line = (
        f"heron-3 * {heron['type']} (invented), {heron['site']} {heron['lifts']} {heron['loaded_s'] / 3600:,.1f}"
        f" {heron['near_limit_s'] / 3600:,.1f} {heron['near_limit_pct']:.3g} – {heron['limiter_stops']}"
        f" {heron['limiter_overrides']}"
    )
    assert line in text
    assert f"heron-3 * {100 * heron['used_share']:.3g} %" in text
    assert f"lifts {sum(row['lifts'] for row in fleet['rows'])}" in text
    assert f"faults raised, open now {sum(row['faults'] for row in fleet['rows'])}, {len(faults)}" in text
    assert "heron-3 E-07" in text
    assert f"messages set aside {fleet['quarantined']}" in text
    assert "Telemetry is no inspection and postpones none." in text
    assert "crake-1" in text


async def test_findings_are_listed_and_their_cranes_marked(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/fleet/report", params=MARCH)).content)
    assert "3 at 2 cranes" in text
    assert "heron-3 *" in text
    assert "Spikes (utilisation_pct)" in text
    assert "2026-03-02 to 2026-03-03, 2 days" in text
    later = text_of(
        (await http.get("/fleet/report", params={"day_from": "2026-04-01", "day_to": "2026-04-30"})).content
    )
    assert "no proof that readings are right" in later
    assert "heron-3 *" not in later
    rows = (await http.get("/fleet", params=MARCH)).json()["rows"]
    assert {row["crane"]: row["findings"] for row in rows} == {"heron-3": 2, "crake-1": 1, "plover-2": 0}


async def test_the_same_answers_give_the_same_bytes_and_the_file_is_accessible(
    http: httpx.AsyncClient,
) -> None:
    one, two = [(await http.get("/fleet/report", params=MARCH)) for _ in range(2)]
    assert one.content == two.content
    reader = PdfReader(io.BytesIO(one.content))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert b"pdfuaid:part" in reader.trailer["/Root"]["/Metadata"].get_object().get_data()


async def test_invented_types_are_marked(fresh_yard_url: str, fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as client:
        await client.post("/login", json={"account": "viewer-all", "password": PASSWORD})
        for invented in (True, False):
            with psycopg.connect(fresh_yard_url, autocommit=True) as owner:
                owner.execute(
                    "update crane_type set spec = spec || jsonb_build_object('invented', %s)", [invented]
                )
            text = text_of((await client.get("/fleet/report", params=MARCH)).content)
            assert ("heron-120 (invented), north-yard" in text) is invented


async def test_the_report_keeps_to_the_sites_in_sight(api: FastAPI) -> None:
    async with client_of(api) as client:
        await client.post("/login", json={"account": "viewer-north", "password": PASSWORD})
        text = text_of((await client.get("/fleet/report", params=MARCH)).content)
    assert "north-yard" in text
    assert "crake-1" not in text
