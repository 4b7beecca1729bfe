"""The fleet report: PDF/UA, the numbers of the api, the same bytes for the same answers, nothing of other sites."""

import io
from datetime import UTC, date, datetime, timedelta

import httpx
import psycopg
import pytest
from fastapi import FastAPI
from pypdf import PdfReader

from domain.fleet_answers import FleetRow
from reports.fleet_report import life_cells
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


async def test_special_assessments_and_unknown_years_are_listed(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/fleet/report", params=MARCH)).content)
    rows = (await http.get("/fleet", params=MARCH)).json()["rows"]
    today = datetime.now(UTC).date()
    late = sum(date.fromisoformat(row["assessment_on"]) < today for row in rows)
    assert f"special assessments overdue {late}" in text
    assert (
        f"cranes whose life before the record is not entered {sum(row['unknown_years'] > 0 for row in rows)}"
        in text
    )
    for row in rows:
        assert row["assessment_on"] in text
        assert f"{row['assessment_by']}: " in text


@pytest.mark.parametrize(("days", "state"), [(25, "in 25 days"), (0, "due today"), (-1, "overdue")])
def test_how_far_off_an_assessment_is(days: int, state: str) -> None:
    due = date(2026, 6, 15)
    blank = {name: 0 for name, field in FleetRow.model_fields.items() if field.is_required()}
    row = FleetRow.model_construct(
        **{**blank, "crane": "heron-3", "assessment_on": due, "assessment_by": "age", "unknown_years": 2.0,
           "used_share": 0.5, "used_share_unknown": 0.3, "assessment_reason": "10 years after manufacture"}
    )  # fmt: skip
    cells = life_cells(row, due - timedelta(days=days))
    assert cells[2] == "2.0 years: 30 % assumed"
    assert cells[4:6] == [f"2026-06-15, {state}", "age: 10 years after manufacture"]


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


async def test_the_report_keeps_to_the_sites_in_scope(api: FastAPI) -> None:
    async with client_of(api) as client:
        await client.post("/login", json={"account": "viewer-north", "password": PASSWORD})
        text = text_of((await client.get("/fleet/report", params=MARCH)).content)
    assert "north-yard" in text
    assert "crake-1" not in text
