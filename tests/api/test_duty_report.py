"""The duty report: PDF/UA, the numbers of the screens, the same bytes for the same counts."""

import io

import httpx
import pytest
from pypdf import PdfReader

from api.app import create_api, running
from api.settings import ApiSettings
from tests.api.conftest import client_of
from tests.api.test_maintenance import DETAIL
from words.texts import t

pytestmark = pytest.mark.anyio


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


async def test_the_report_shows_the_numbers_of_the_screens(http: httpx.AsyncClient) -> None:
    response = await http.get("/cranes/heron-3/report")
    assert response.headers["content-type"] == "application/pdf"
    spectrum = (await http.get("/cranes/heron-3/spectrum")).json()
    life = (await http.get("/cranes/heron-3/life")).json()
    text = text_of(response.content)
    assert f"lifts in the period {spectrum['lifts']}" in text
    smallest = spectrum["smallest_lifts"]
    assert smallest[0]["outreach_m"] == 2.0
    assert smallest[0]["mass_kg"] > smallest[-1]["mass_kg"] > 0
    assert f"{smallest[0]['mass_kg']:.0f} kg at 2 m" in text
    assert f"lifts from percent alone {spectrum['days_without_pose']}" in text
    assert f"kQ {spectrum['kq']:.3g}" in text
    assert f"class of kQ {spectrum['q_class']} of {spectrum['edition']}" in text
    assert f"used share, whole life {100 * life['used_share']:.3g} %" in text
    assert life["special_assessment_on"] in text
    assert life["forecast_reason"]["text"] in text
    assert "limiter overrides 2" in text
    assert "E-07" in text


async def test_how_sure_the_figures_are_stands_as_a_table_with_what_matters_most_first(
    http: httpx.AsyncClient,
) -> None:
    text = text_of((await http.get("/cranes/heron-3/report")).content)
    life = (await http.get("/cranes/heron-3/life")).json()
    table = text[text.index("How sure these figures are") : text.index("Weld details")]
    found = life["used_share_unsure"]
    assert len(found["influences"]) > 1
    assert f"used share all together {100 * found['low']:.3g} % {100 * found['high']:.3g} %" in table
    places = [table.index(t(f"report.influence.{one['source']}")) for one in found["influences"]]
    assert places == sorted(places), "what matters most first"
    widths = [one["high"] - one["low"] for one in found["influences"]]
    assert widths == sorted(widths, reverse=True)
    for detail in life["details"]:
        assert f"damage: {detail['detail']} all together" in table


async def test_findings_of_the_period_stand_in_the_report(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/cranes/heron-3/report")).content)
    assert "2 at 1 crane" in text
    assert "Limit not sent (limit_pct)" in text
    assert "used share, damage, largest peak: too high" in text
    other = {"day_from": "2026-04-01", "day_to": "2026-04-30"}
    assert "Limit not sent" not in text_of((await http.get("/cranes/heron-3/report", params=other)).content)


async def test_the_report_carries_the_cautions_and_a_place_to_sign(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/cranes/heron-3/report")).content)
    assert "Telemetry is no inspection and postpones none." in text
    assert "A Miner sum compares, it does not predict." in text
    assert "signature of the expert engineer" in text


async def test_the_same_counts_give_the_same_bytes(http: httpx.AsyncClient) -> None:
    one, two = [(await http.get("/cranes/heron-3/report")) for _ in range(2)]
    assert one.content == two.content
    assert one.headers["etag"] == two.headers["etag"]


async def test_the_report_is_accessible(http: httpx.AsyncClient) -> None:
    reader = PdfReader(io.BytesIO((await http.get("/cranes/heron-3/report")).content))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"].startswith("en")
    assert b"pdfuaid:part" in reader.trailer["/Root"]["/Metadata"].get_object().get_data()


async def test_a_crane_without_telemetry_has_a_report_too(http: httpx.AsyncClient) -> None:
    response = await http.get("/cranes/crake-1/report")
    assert response.status_code == 200
    assert "coverage is not known" in text_of(response.content)


async def test_the_report_has_every_part(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), client_of(app) as http:
        foot = {**DETAIL, "direction": "worst"}
        assert (await http.put("/cranes/heron-3/details/column foot", json=foot)).status_code == 204
        await check_every_part(http)


async def test_the_report_lists_what_is_excluded_and_what_the_crane_was_like(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), client_of(app) as http:
        assert "Excluded spans" not in text_of((await http.get("/cranes/heron-3/report")).content)
        span = {"from_at": "2026-03-02T08:10:00Z", "to_at": "2026-03-02T08:40:00Z", "reason": "sensor hung"}
        assert (await http.post("/cranes/heron-3/exclusions", json=span)).status_code == 201
        grab = {"valid_from": "2026-03-03", "attachments": [{"name": "grab", "mass_kg": 240}]}
        assert (await http.post("/cranes/heron-3/descriptions", json=grab)).status_code == 201
        text = text_of((await http.get("/cranes/heron-3/report")).content)
    assert "Excluded spans" in text
    assert "sensor hung" in text
    assert "What the crane was like" in text
    assert "grab 240 kg" in text


async def test_the_report_lists_the_records_of_the_life(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), client_of(app) as http:
        crack = {
            "kind": "crack", "happened_on": "2026-03-02", "person": "A. Tester", "detail": "#column [foot]", "length_mm": 12,
        }  # fmt: skip
        gone = {**crack, "detail": "not this crane"}
        made = [(await http.post("/cranes/heron-3/life-records", json=one)).json() for one in (crack, gone)]
        path = f"/cranes/heron-3/life-records/{made[1]['record_id']}"
        assert (await http.delete(path, params={"reason": "another crane"})).status_code == 200
        text = text_of((await http.get("/cranes/heron-3/report")).content)
    assert "Records of its life" in text
    assert "#column [foot]; 12 mm long" in text
    assert "due by condition from 2 Mar 2026" in text
    assert "open crack of 12 mm at #column [foot]" in text  # why the special assessment is due
    assert "not this crane" not in text


async def check_every_part(http: httpx.AsyncClient) -> None:
    text = text_of((await http.get("/cranes/heron-3/report")).content)
    spectrum = (await http.get("/cranes/heron-3/spectrum")).json()
    life = (await http.get("/cranes/heron-3/life")).json()
    for heading in (
        "The crane", "The record", "Use against the design", "Share of the design working period", "Weld details",
        "Damage by direction", "Load spectrum", "Time at level", "Limiter, overrides, faults", "Method", "Assumptions",
    ):  # fmt: skip
        assert heading in text, heading
    assert f"lifts against the design {100 * spectrum['lifts'] / spectrum['design_cycles']:.3g} %" in text
    assert f"kQ against the design {spectrum['kq'] / spectrum['design_kq']:.3g} times" in text
    around = [
        row for detail in life["details"] for row in detail["by_direction"] if row["direction_deg"] < 180
    ]
    assert around
    for row in around:
        assert f"{row['direction_deg']:g}°" in text
    assert "coverage, whole record" in text
    assert "Duty before the record was stated by the owner" in text
