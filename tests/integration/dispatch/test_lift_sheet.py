"""The lift sheet: one page, tagged for screen readers, with the figures of the answer, and no lift plan."""

import io
import math
from typing import Any

import httpx
import pypdf
import pytest

pytestmark = pytest.mark.anyio

JOB: dict[str, Any] = {
    "mass_kg": 1900.0,
    "rigging_kg": 60.0,
    "outreach_m": 7.3,
    "hook_height_m": 4.0,
    "sector": "right",
    "pick": {"outreach_m": 5.0, "sector": "rear"},
    "way": "anticlockwise",
    "obstacle_height_m": 3.0,
    "spread_left": "part",
    "spread_right": "full",
    "ground_bearing_kpa": 3000.0,
}
WINDOW = {"starts_at": "2027-07-02T06:00:00Z", "ends_at": "2027-07-02T08:00:00Z"}
LATER = {"starts_at": "2027-07-02T09:00:00Z", "ends_at": "2027-07-02T10:00:00Z"}


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


async def test_the_sheet_shows_what_dispatch_answered(client: httpx.AsyncClient) -> None:
    answer = (await client.post("/dispatch", json=JOB)).json()
    row = next(one for one in answer["candidates"] if one["crane"] == "yard-04")
    printed = await client.post(
        "/dispatch/lift-sheet", json={"crane": "yard-04", "title": "Trusses & beams <4>", "job": JOB}
    )
    assert printed.status_code == 200, printed.text
    assert printed.headers["content-type"] == "application/pdf"
    text = text_of(printed.content)
    assert "This is no lift plan" in text
    assert "Headroom on a screen is not permission to lift" in text
    assert "Trusses & beams <4>" in text
    assert "Invented crane: for demonstration only" in text
    for figure in (
        "1960 kg",  # 1900 + 60 on the hook
        # What is allowed is cut, what is needed is rounded up.
        f"{math.floor(row['capacity_kg'])} kg",
        f"{math.ceil(10 * row['capacity_used_pct']) / 10:.1f} %",
        f"{math.ceil(row['pad_left_kn'])} kN",
        f"{math.ceil(row['pad_pressure_kpa'])} kPa",
        "over the right side and over the rear",
        "left part, right full",
        "Side view: what the booms reach",
        "picked up",
        "set down",
    ):
        assert figure in text, figure
    assert all(name in text for name in ("Prepared by", "Operator", "Competent person"))


async def test_a_reservation_prints_its_own_sheet_in_the_time_of_its_site(client: httpx.AsyncClient) -> None:
    asked = {"crane": "yard-04", "window": WINDOW, "title": "House 4", "job": JOB}
    held = (await client.post("/reservations", json=asked)).json()
    text = text_of((await client.get(f"/reservations/{held['reservation_id']}/lift-sheet")).content)
    # 06:00 UTC on a July day is 08:00 in the zone of the yard.
    assert "2027-07-02 08:00 to 2027-07-02 10:00 Europe/Vienna" in text
    bare = (
        await client.post("/reservations", json={**asked, "crane": "yard-04", "window": LATER, "job": None})
    ).json()
    refused = await client.get(f"/reservations/{bare['reservation_id']}/lift-sheet")
    assert refused.status_code == 404
    assert "without a job" in refused.json()["detail"]


async def test_no_figure_of_a_sheet_is_rounded_to_the_unsafe_side(client: httpx.AsyncClient) -> None:
    head = "spread_left,spread_right,outreach_m,capacity_kg\n"
    charts = {"csv": f"{head}full,full,2,2000.6\nfull,full,12,2000.6\n", "source": "invented plate"}
    entered = await client.post("/cranes/yard-04/chart-versions", json={**charts, "valid_from": "2026-01-01"})
    assert entered.status_code == 200, entered.text
    job = {
        "mass_kg": 1000.3, "rigging_kg": 60.2, "outreach_m": 6.0, "spread_left": "full", "spread_right": "full",
        "planning_limit_pct": 84.6, "ground_bearing_kpa": 4000.7, "wind_m_s": 9.01,
    }  # fmt: skip
    row = next(
        one
        for one in (await client.post("/dispatch", json=job)).json()["candidates"]
        if one["crane"] == "yard-04"
    )
    text = text_of(
        (
            await client.post("/dispatch/lift-sheet", json={"crane": "yard-04", "title": "x", "job": job})
        ).content
    )
    for figure in (
        "Rated capacity there 2000 kg",  # 2000.6
        "Load 1001 kg",
        "Rigging and attachment 61 kg",
        "On the hook 1061 kg",  # 1060.5
        "Capacity used 53.1 %",  # 1060.5 / 2000.6 = 53.009 %
        "Planning limit 84.6 %",
        "Headroom to it 31.5 %, 632 kg",  # 84.6 - 53.009 = 31.59; 0.846 * 2000.6 - 1060.5 = 632.007
        "Ground bears 4000 kPa",
        f"Left, at most {math.ceil(row['pad_left_kn'])} kN",
        f"Tipping line {math.floor(100 * row['stability_margin_m']) / 100:.2f} m",
        # What was not entered is said as well.
        "Picked up at NOT ENTERED, not checked",
        "Wind 9.1 m/s; NO LIMIT ENTERED, not compared",
        "Slope not stated, not compared",
    ):
        assert figure in text, figure
    assert "2001 kg" not in text


async def test_a_cancelled_reservation_has_no_sheet(client: httpx.AsyncClient) -> None:
    asked = {"crane": "yard-04", "window": WINDOW, "title": "House 4", "job": JOB}
    held = (await client.post("/reservations", json=asked)).json()["reservation_id"]
    assert (await client.get(f"/reservations/{held}/lift-sheet")).status_code == 200
    # Who asks for a sheet beside the calendar is told that the crane is kept for somebody.
    apart = {"crane": "yard-04", "title": "x", "job": {**JOB, "window": WINDOW}}
    text = text_of((await client.post("/dispatch/lift-sheet", json=apart)).content)
    assert "RESERVED until 2027-07-02 10:00" in text
    assert (await client.delete(f"/reservations/{held}")).status_code == 200
    refused = await client.get(f"/reservations/{held}/lift-sheet")
    assert refused.status_code == 409
    assert "is cancelled, so yard-04 is not kept for this lift" in refused.json()["detail"]
    text = text_of((await client.post("/dispatch/lift-sheet", json=apart)).content)
    assert "RESERVED" not in text


async def test_there_is_no_sheet_for_a_crane_that_does_not_fit(client: httpx.AsyncClient) -> None:
    job = {**JOB, "mass_kg": 50_000.0}
    refused = await client.post("/dispatch/lift-sheet", json={"crane": "yard-04", "title": "x", "job": job})
    assert refused.status_code == 422
    assert "cannot take this job" in refused.json()["detail"]


@pytest.mark.parametrize("crane", ["yard-01", "yard-09", "yard-11"])
@pytest.mark.parametrize("outreach_m", [7.9, 8.1])
async def test_every_kind_of_crane_prints_on_one_page(
    client: httpx.AsyncClient, crane: str, outreach_m: float
) -> None:
    job = {"mass_kg": 400.0, "rigging_kg": 0.0, "outreach_m": outreach_m}
    printed = await client.post("/dispatch/lift-sheet", json={"crane": crane, "title": "x" * 200, "job": job})
    assert printed.status_code == 200, printed.text
    text_of(printed.content)
