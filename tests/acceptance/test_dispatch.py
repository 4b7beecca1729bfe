"""A dispatcher's day, through the api over the invented yard: ask, look at the reasons, hold, print, compare afterwards."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from api.app import create_api, running
from api.settings import ApiSettings
from domain.crane import Sector, Spread
from duty.capacity import capacity_kg
from simulator.yard import load_yard
from store import cranes

pytestmark = pytest.mark.anyio
YARD = load_yard()
JOB = {"mass_kg": 900.0, "rigging_kg": 60.0, "outreach_m": 7.3}


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
async def client(database: str) -> AsyncIterator[httpx.AsyncClient]:
    with psycopg.connect(database) as conn:
        cranes.save_site(conn, YARD.site)
        for one in YARD.cranes:
            cranes.save_crane(conn, one.crane)
    api = create_api(database, ApiSettings(open_access=True))
    async with (
        running(api),
        httpx.AsyncClient(transport=httpx.ASGITransport(api), base_url="http://127.0.0.1") as asking,
    ):
        yield asking


async def ask(client: httpx.AsyncClient, **more: Any) -> dict[str, Any]:
    answer = await client.post("/dispatch", json={**JOB, **more})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def test_dispatch_answers_for_every_crane_with_reasons(client: httpx.AsyncClient) -> None:
    body = await ask(client)
    rows = {row["crane"]: row for row in body["candidates"]}
    assert set(rows) == {one.name for one in YARD.cranes}
    assert body["fit_count"] == sum(row["fit"] for row in rows.values())
    assert body["fit_count"] + sum(body["ruled_out"].values()) == len(rows)
    assert "Headroom on a screen is not permission to lift." in body["cautions"]
    assert body["question"]["planning_limit_pct"] == 85.0
    assert body["question"]["weights"]["not_free"] == 1000.0
    for row in rows.values():
        assert row["fit"] != bool(row["reasons"])
        if row["fit"]:
            assert row["headroom_pct"] == pytest.approx(85.0 - 100 * 960 / row["capacity_kg"])
            assert row["headroom_kg"] == pytest.approx(0.85 * row["capacity_kg"] - 960)
            assert row["points"] == pytest.approx(sum(row["terms"].values()))
    order = [(not row["fit"], row["points"] if row["fit"] else 0) for row in body["candidates"]]
    assert order == sorted(order)


async def test_dispatch_reads_each_cranes_own_chart_on_the_safe_side(client: httpx.AsyncClient) -> None:
    body = await ask(client, sectors=["side"])
    for row in body["candidates"]:
        charts = YARD.crane(row["crane"]).crane.type.charts
        side = [
            chart
            for chart in charts
            if chart.sector is Sector.SIDE and chart.spread_left is chart.spread_right is Spread.FULL
        ]
        jib = YARD.crane(row["crane"]).crane.type.jib
        best = max(float(capacity_kg(chart, 7.3)) for chart in side)
        if jib is not None and side[0].jib_fitted:
            best = min(best, jib.rated_capacity_kg)
        assert (row["capacity_kg"] or 0.0) == best


async def test_dispatch_takes_the_room_that_the_place_has(client: httpx.AsyncClient) -> None:
    roomy = await ask(client, mass_kg=1500.0, sectors=["side"])
    tight = await ask(client, mass_kg=1500.0, sectors=["side"], spread_left="none")
    assert tight["fit_count"] < roomy["fit_count"]
    for row in tight["candidates"]:
        assert row["spread_left"] in (None, "none")
    out = [row for row in tight["candidates"] if row["ruling"] == "capacity"]
    assert any("more stabiliser room" in reason for row in out for reason in row["reasons"])


async def test_dispatch_puts_faults_and_service_where_the_weights_say(
    client: httpx.AsyncClient, database: str
) -> None:
    first = (await ask(client))["candidates"][0]["crane"]
    with psycopg.connect(database) as conn:
        conn.execute(
            "insert into fault_episode (crane_id, code, raised_at, text)"
            " select crane_id, 'H-207', now(), 'invented' from crane where name = %s",
            [first],
        )
        conn.execute(
            "insert into service_plan (crane_id, name, every_days) select crane_id, 'yearly check', 1 from crane"
            " where name = 'yard-01'"
        )
    # A new api process reads the facts anew; the running one would after some seconds.
    api = create_api(database, ApiSettings(open_access=True))
    transport = httpx.ASGITransport(api)
    async with running(api), httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as fresh:
        body = await ask(fresh)
        row = next(row for row in body["candidates"] if row["crane"] == first)
        assert (row["fit"], row["usable"], row["open_faults"]) == (True, False, ["H-207"])
        assert row["terms"]["forbidding_fault"] == 500.0
        assert body["candidates"][0]["crane"] != first
        late = next(row for row in body["candidates"] if row["crane"] == "yard-01")
        assert late["service_overdue"]
        assert "service overdue: yearly check" in late["notes"]
        tolerant = await ask(fresh, tolerated_faults=["H-207"])
        row = next(row for row in tolerant["candidates"] if row["crane"] == first)
        assert row["usable"]
        assert row["terms"]["forbidding_fault"] == 0.0


async def test_dispatch_compares_planned_with_measured_after_the_job(
    client: httpx.AsyncClient, database: str
) -> None:
    end = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
    planned = []
    for days in (3, 2):
        window = {
            "starts_at": (end - timedelta(days=days, hours=3)).isoformat(),
            "ends_at": (end - timedelta(days=days)).isoformat(),
        }
        asked = {"crane": "yard-04", "window": window, "title": f"{days} days ago", "job": JOB}
        held = await client.post("/reservations", json=asked)
        assert held.status_code == 201, held.text
        planned.append(held.json()["planned"]["expected_utilisation_pct"])
    measured = [planned[0] + 6.0, planned[1] + 10.0]
    with psycopg.connect(database) as conn:
        conn.execute(
            "insert into counting (settings_hash, version, settings, in_use) values ('test', 1, '{}', true)"
        )
        for days, peak in zip((3, 2), measured, strict=True):
            for less in (0.0, 20.0):
                conn.execute(
                    "insert into lift (crane_id, counting_id, started_at, ended_at, day,"
                    " peak_utilisation_pct, peak_structural_pct)"
                    " select crane_id, counting_id, %(at)s, %(at)s + interval '1 minute', %(at)s::date,"
                    " %(peak)s, %(peak)s from crane, counting where crane.name = 'yard-04'",
                    {"at": end - timedelta(days=days, hours=1, minutes=less), "peak": peak - less},
                )
    body = (await client.get("/cranes/yard-04/planned-and-measured")).json()
    assert [row["lifts"] for row in body["rows"]] == [2, 2]
    assert [row["difference_pct"] for row in body["rows"]] == pytest.approx([10.0, 6.0])
    # Mean of 6 and 10 is 8, standard deviation 4 / sqrt(2).
    assert body["bias"][0]["mean_difference_pct"] == pytest.approx(8.0)
    assert body["bias"][0]["spread_pct"] == pytest.approx(4 / 2**0.5)
    assert (await client.get("/dispatch/planned-and-measured")).json() == body


@pytest.mark.parametrize(
    ("change", "field", "says"),
    [
        ({"mass_kg": -5}, "mass_kg", "greater than 0"),
        ({"mass_kg": 1e12}, "mass_kg", "200000"),
        ({"outreach_m": 0}, "outreach_m", "greater than 0"),
        ({"mass_t": 3}, "mass_t", "not permitted"),
        ({"rigging_kg": None}, "rigging_kg", "number"),
        ({"planning_limit_pct": 150}, "planning_limit_pct", "100"),
        ({"spread_left": "wide"}, "spread_left", "'full', 'part' or 'none'"),
        ({"pick": {"outreach_m": 3, "sector": "front"}}, "pick.sector", "over_cab"),
    ],
)
async def test_dispatch_names_the_field_and_the_range(
    client: httpx.AsyncClient, change: dict[str, Any], field: str, says: str
) -> None:
    refused = await client.post("/dispatch", json={**JOB, **change})
    assert refused.status_code == 422
    assert field in refused.json()["fields"]
    assert says in refused.json()["detail"]
