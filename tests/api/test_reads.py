"""What the reading routes answer about the hand-made yard of conftest.py."""

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import psycopg
import pytest
from fastapi import FastAPI

from answers.fleet import PeriodFigures, fleet_row
from api.app import create_api, running
from api.settings import ApiSettings
from store.summary import FleetCrane, FleetPeriod
from tests.api.conftest import PASSWORD, client_of
from tests.support import rows

LEVELS = np.array([40.0, 60.0, 95.0, 80.0, 92.0, 30.0])
DAY = {"from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}

pytestmark = pytest.mark.anyio


async def ask(http: httpx.AsyncClient, path: str, **query: Any) -> dict[str, Any]:
    response = await http.get(path, params=query)
    assert response.status_code == 200, response.text
    return response.json()


async def test_cranes_come_in_pages_by_name(http: httpx.AsyncClient) -> None:
    first = await ask(http, "/cranes", limit=2)
    assert [row["name"] for row in first["items"]] == ["crake-1", "heron-3"]
    rest = await ask(http, "/cranes", limit=2, cursor=first["next_cursor"])
    assert [row["name"] for row in rest["items"]] == ["plover-2"]
    assert rest["next_cursor"] is None


async def test_a_crane_comes_with_its_type_design_and_site(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3")
    assert found["crane"]["type"]["rated_moment_kn_m"] == 150
    assert found["crane"]["design"]["edition"] == "EN 13001-1"
    assert found["site"]["time_zone"] == "Europe/Vienna"


async def test_live_values_say_their_age(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/live")
    assert found["values"] == {"utilisation_pct": 5.0}
    assert found["age_s"] > 3600
    assert (await ask(http, "/cranes/crake-1/live"))["at"] is None


async def test_few_samples_come_as_recorded(http: httpx.AsyncClient) -> None:
    found = await ask(
        http,
        "/cranes/heron-3/samples",
        **{
            "from": "2026-03-02T08:04:50Z",
            "to": "2026-03-02T08:05:10Z",
            "channels": "utilisation_pct,slew_deg",
        },
    )
    assert found["recorded_samples"] == 20
    assert not found["reduced"]
    assert found["series"]["utilisation_pct"]["low"] == [5.0] * 10 + [40.0] * 10
    assert found["series"]["slew_deg"]["high"] == [None] * 20


async def test_many_samples_keep_every_extreme_and_show_the_gap(http: httpx.AsyncClient) -> None:
    found = await ask(
        http,
        "/cranes/heron-3/samples",
        **{"from": "2026-03-02T08:00:00Z", "to": "2026-03-03T09:00:00Z", "points": 1000},
    )
    series = found["series"]["utilisation_pct"]
    assert found["reduced"]
    assert found["recorded_samples"] == 7200
    highs = [value for value in series["high"] if value is not None]
    assert set(highs) >= set(LEVELS.tolist())
    assert series["high"].count(None) == 1  # one gap, the night
    assert found["at_ms"] == sorted(found["at_ms"])


async def test_lifts_come_newest_first_and_page_on(http: httpx.AsyncClient) -> None:
    first = await ask(http, "/cranes/heron-3/lifts", **DAY, limit=4)
    rest = await ask(http, "/cranes/heron-3/lifts", **DAY, limit=4, cursor=first["next_cursor"])
    peaks = [lift["peak_structural_pct"] for lift in first["items"] + rest["items"]]
    assert peaks == LEVELS[::-1].tolist()
    assert rest["next_cursor"] is None


async def test_events_page_on_without_a_hole(http: httpx.AsyncClient) -> None:
    seen: list[str] = []
    cursor = None
    while True:
        query = {**DAY, "limit": 5} | ({"cursor": cursor} if cursor else {})
        found = await ask(http, "/events", **query)
        seen += [f"{row['crane']} {row['seq']}" for row in found["items"]]
        cursor = found["next_cursor"]
        if cursor is None:
            break
    assert len(seen) == len(set(seen)) == 12
    stops = await ask(http, "/cranes/heron-3/events", **DAY, kind=["limiter_stop"])
    assert [row["seq"] for row in stops["items"]] == [105, 100]


async def test_open_faults_come_first(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/faults", days=3660)
    assert found["items"][0]["code"] == "E-07"
    assert found["items"][0]["open_since"] == "2026-03-02T08:02:00Z"


async def test_quarantine_shows_unreadable_bytes_escaped(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/quarantine")
    assert len(found["items"]) == 3
    assert found["items"][0]["raw_start"] == "\\xff\x00{"


async def test_fleet_has_the_worst_near_limit_share_first(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/fleet", day_from="2026-03-01", day_to="2026-03-31")
    rows = found["rows"]
    assert [row["crane"] for row in rows] == ["heron-3", "crake-1", "plover-2"]
    assert rows[0]["near_limit_pct"] == pytest.approx(100 * 400 / 1200)
    assert rows[0]["lifts"] == 12
    assert rows[1]["near_limit_pct"] is None


async def test_the_fleet_comes_without_rates_where_they_are_not_wanted(http: httpx.AsyncClient) -> None:
    period = {"day_from": "2026-03-01", "day_to": "2026-03-31"}
    whole = (await ask(http, "/fleet", **period))["rows"]
    lean = (await ask(http, "/fleet", **period, rates="false"))["rows"]
    left_out = ("near_limit_lifts_share", "limiter_stops_per_hour", "limiter_overrides_per_hour")
    assert all(row[name] is not None for row in whole for name in left_out)
    blank = dict.fromkeys(left_out) | {"age_s": None}
    assert [{**row, **blank} for row in whole] == [{**row, "age_s": None} for row in lean]


async def test_the_weeks_of_the_fleet_hold_the_same_near_limit_share(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/fleet/weeks", weeks=2, day_to="2026-03-04")
    assert found["weeks"] == ["2026-02-23", "2026-03-02"]
    (row,) = found["rows"]
    assert row["crane"] == "heron-3"
    assert row["near_limit_pct"] == [None, pytest.approx(100 * 400 / 1200)]


def test_a_crane_without_a_live_reading_is_as_old_as_its_newest_counted_sample() -> None:
    newest, now = datetime(2026, 3, 3, 12, tzinfo=UTC), datetime(2026, 3, 3, 13, tzinfo=UTC)
    blank: dict[str, Any] = dict.fromkeys(field.name for field in fields(FleetCrane))
    words = dict.fromkeys(("crane", "title", "type", "site"), "heron-3")
    counted = {"crane_id": 1, "draft": False, "online": False, "open_faults": 0, "last_at": newest}
    entered = {"entries": {"commissioned_on": "2020-05-01"}, "review_at_share": 0.95, "assessment_reason": ""}
    row = FleetCrane(**{**blank, **words, **counted, **entered})
    figures = PeriodFigures.of(FleetPeriod(crane_id=1, counting_id=None, counted_at=None))
    assert (fleet_row(row, figures, now).last_at, fleet_row(row, figures, now).age_s) == (newest, 3600)
    later = replace(row, live_at=now)
    assert fleet_row(later, figures, now).age_s == 0


async def test_the_record_of_a_whole_life_is_that_of_its_days(
    fresh_yard_url: str, fresh_api: FastAPI
) -> None:
    async with client_of(fresh_api) as client:
        await client.post("/login", json={"account": "viewer-all", "password": PASSWORD})

        async def recorded() -> list[Any]:
            found = await ask(client, "/cranes/heron-3/spectrum")
            return [found[name] for name in ("day_from", "day_to", "days_recorded", "recorded_s", "lifts")]

        whole = ["2026-03-02", "2026-03-03", 2, 7200, 12]
        with psycopg.connect(fresh_yard_url, autocommit=True) as owner:
            rows.summarise(owner, "heron-3", days=2, recorded_ms=7_200_000)
            assert await recorded() == whole
            rows.summarise(owner, "heron-3", counting_id=None, days=0)  # made by no counting in use
            assert await recorded() == whole


async def test_spectrum_of_a_day_agrees_with_the_hand_count(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/spectrum", day_from="2026-03-02", day_to="2026-03-02")
    assert found["lifts"] == 6
    assert found["kq"] == pytest.approx(float(np.mean((LEVELS / 100) ** 3)))
    assert sum(row["cycles"] for row in found["ranges"]) == pytest.approx(6)  # up and down again six times
    assert found["q_class"] == "Q4"  # 0.368 lies above 0.25 and up to 0.5
    assert (found["u_class"], found["u_class_of_period"]) == ("U0", "U0")
    assert found["life_lifts"] == 12  # of both days
    assert not found["whole_life"]
    assert found["design_cycles"] == 250_000
    assert sum(row["value"] for row in found["time_at_level"]) == 3600
    above_90 = [row["value"] for row in found["time_at_level"] if row["low_pct"] >= 90]
    assert sum(above_90) == 200


async def test_the_spectrum_says_where_lifts_may_be_missing(http: httpx.AsyncClient) -> None:
    whole = await ask(http, "/cranes/heron-3/spectrum")
    day = await ask(http, "/cranes/heron-3/spectrum", day_from="2026-03-02", day_to="2026-03-02")
    assert (whole["days_without_pose"], day["days_without_pose"]) == (2, 1)
    assert whole["no_pose_s"] == 0.0


async def test_spectrum_of_the_whole_life_covers_both_days(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/spectrum")
    assert (found["day_from"], found["day_to"]) == ("2026-03-02", "2026-03-03")
    assert found["samples"] == 7200
    assert sum(row["cycles"] for row in found["ranges"]) == pytest.approx(12)


async def test_a_crane_without_telemetry_has_an_empty_spectrum(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/crake-1/spectrum")
    assert found["lifts"] == 0
    assert found["kq"] is None
    assert found["ranges"] == []


async def test_working_area_tells_where_the_limit_was_near(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/working-area")
    (cell,) = found["cells"]
    assert (cell["slew_from_deg"], cell["outreach_from_m"]) == (90, 5)
    assert (cell["recorded_s"], cell["near_limit_s"]) == (7200, 400)
    assert found["near_limit_place"] == {
        "crane": "heron-3", "near_limit_s": 400, "quarter": "right", "quarter_share_pct": 100,
        "outreach_from_m": 5, "outreach_to_m": 6,
    }  # fmt: skip


async def test_several_cranes_are_asked_about_at_once(http: httpx.AsyncClient) -> None:
    period = {"day_from": "2026-03-01", "day_to": "2026-03-31"}
    both = {"crane": ["heron-3", "crake-1"], **period}
    days = await ask(http, "/days", **both)
    alone = (await ask(http, "/cranes/heron-3/days", **period))["items"]
    assert alone
    assert days["items"] == [{**day, "crane": "heron-3"} for day in alone]
    places = await ask(http, "/near-limit/places", **both)
    assert places["rows"] == [(await ask(http, "/cranes/heron-3/working-area", **period))["near_limit_place"]]


@pytest.mark.parametrize("path", ["/days", "/near-limit/places"])
@pytest.mark.parametrize(
    ("query", "status", "word"),
    [
        ({"crane": ["heron-3", "nobody-1"]}, 404, "nobody-1"),
        ({}, 422, "crane"),
        ({"crane": [f"heron-{n}" for n in range(51)]}, 422, "crane"),
    ],
)
async def test_several_cranes_are_named_and_in_scope(
    http: httpx.AsyncClient, path: str, query: dict[str, Any], status: int, word: str
) -> None:
    response = await http.get(path, params=query)
    assert response.status_code == status
    assert word in response.text


async def test_days_of_several_cranes_are_bounded(http: httpx.AsyncClient) -> None:
    response = await http.get(
        "/days", params={"crane": "heron-3", "day_from": "2026-01-01", "day_to": "2026-12-31"}
    )
    assert response.status_code == 422
    assert "92 days" in response.text


async def test_health_and_version(http: httpx.AsyncClient) -> None:
    assert (await ask(http, "/healthz"))["status"] == "ok"
    assert (await ask(http, "/readyz"))["status"] == "ok"
    assert (await ask(http, "/version"))["api"] == "v1"


async def test_metrics_name_route_templates_and_no_crane(http: httpx.AsyncClient) -> None:
    await ask(http, "/cranes/heron-3")
    text = (await http.get("/metrics")).text
    assert 'route="/cranes/{name}"' in text
    assert "heron-3" not in text


async def test_ages_of_the_newest_work_are_those_of_the_database(fresh_yard_url: str) -> None:
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        now = datetime.now(UTC)
        rows.change(conn, "crane_summary", {"counted_at": now - timedelta(seconds=500)})
        for crane in rows.crane_ids(conn):
            rows.hear(conn, crane, None, now - timedelta(seconds=100))
        for process, seconds in (("ingest", 90), ("watch", 0)):
            at = now - timedelta(seconds=seconds)
            rows.insert(conn, "process_heartbeat", process=process, beat_at=at, working_at=at)
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app), client_of(app) as client:
        lines = dict(line.rsplit(" ", 1) for line in (await client.get("/metrics")).text.splitlines())
        assert 100 <= float(lines["boomledger_newest_commit_age_seconds"]) < 160
        assert 500 <= float(lines["boomledger_newest_count_age_seconds"]) < 560
        system = await ask(client, "/system")
        assert [one["part"] for one in system["troubles"]] == ["ingest"]
        assert "tells nothing" in system["troubles"][0]["text"]
        assert {one["part"] for one in system["parts"]} == {"ingest", "watch"}


async def test_life_is_counted_duty_over_the_design_period(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/life")
    cubes = 2 * float(np.sum((LEVELS / 100) ** 3))
    assert found["used_share"] == pytest.approx(1.1 * cubes / (250e3 * 0.125))  # U4, Q2 of EN 13001-1
    assert found["f1"] == 1.1  # it runs always, as stated; nothing independent says so
    (month,) = found["f1_by_month"]
    assert (month["month"], month["f1"], month["by_counter"]) == ("2026-03-01", 1.1, False)
    assert found["forecast"] is None
    assert "too little data" in found["forecast_reason"]["text"]
    assert found["special_assessment_on"] == "2030-05-01"


async def test_life_without_telemetry_says_so(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/crake-1/life")
    assert found["lifts"] == 0
    assert found["used_share"] is None  # nothing tells that it is unused
    assert "nothing is recorded" in found["used_share_reason"]["text"]
    assert found["f1"] == 1.5
    assert found["f1_reason"]["text"] == "coverage is not known"
