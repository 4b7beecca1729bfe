"""A dispatcher's day, through the api over the invented yard: ask, look at the reasons, hold, print, compare afterwards."""

import contextlib
import io
import itertools
import math
import random
import re
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import psycopg
import pypdf
import pytest

from api.app import create_api, running
from api.settings import ApiSettings
from domain.channels import CHANNEL_BY_NAME
from domain.crane import LoadChart, Sector, Site, Spread
from domain.life_record import LifeRecordAsked
from domain.moments import answered_at
from domain.remark import rounded
from duty.capacity import SPREAD_RANK, capacity_kg
from duty.drawing import counted_spread
from duty.geometry import pose
from duty.spectrum import design_limits
from simulator.yard import load_yard
from store import access, cranes, descriptions, events, life_records, segments
from store.access import Role
from tests.support import rows

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
YARD = load_yard()
ROOM = {"spread_left": "full", "spread_right": "full"}
JOB = {"mass_kg": 900.0, "rigging_kg": 60.0, "outreach_m": 7.3}


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(autouse=True)
def answered_now() -> Iterator[None]:
    with answered_at(NOW):
        yield


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
    body = await ask(client, sectors=["side"], **ROOM)
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
    roomy = await ask(client, mass_kg=1500.0, sectors=["side"], **ROOM)
    tight = await ask(client, mass_kg=1500.0, sectors=["side"], **ROOM | {"spread_left": "none"})
    assert tight["fit_count"] < roomy["fit_count"]
    for row in tight["candidates"]:
        assert row["spread_left"] in (None, "none")
    out = [row for row in tight["candidates"] if row["ruling"] == "capacity"]
    assert any(reason["code"] == "more_spread" for row in out for reason in row["reasons"])


async def test_dispatch_puts_faults_and_service_where_the_weights_say(
    client: httpx.AsyncClient, database: str
) -> None:
    first = (await ask(client))["candidates"][0]["crane"]
    with psycopg.connect(database) as conn:
        rows.fault(conn, first, NOW)
        rows.service(conn, "yearly check", 1, "yard-01")
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
        assert "service overdue: yearly check" in [note["text"] for note in late["notes"]]
        tolerant = await ask(fresh, tolerated_faults=["H-207"])
        row = next(row for row in tolerant["candidates"] if row["crane"] == first)
        # That leaves out the points and nothing else: the state stays one state, and takes an engineer.
        assert (row["usable"], row["needs_override"]) == (False, True)
        assert row["terms"]["forbidding_fault"] == 0.0
        assert "open_fault" in [state["code"] for state in row["states"]]


async def test_dispatch_compares_planned_with_measured_after_the_job(
    client: httpx.AsyncClient, database: str
) -> None:
    end = NOW - timedelta(hours=1)
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
        rows.counting(conn)
        for days, peak in zip((3, 2), measured, strict=True):
            for less in (0.0, 20.0):
                at = end - timedelta(days=days, hours=1, minutes=less)
                rows.lift(conn, "yard-04", at, peak - less)
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


HEAD = "spread_left,spread_right,sector,outreach_m,capacity_kg\n"
LIFT = {"mass_kg": 1000.0, "rigging_kg": 0.0, "outreach_m": 6.0}
SECTORS = HEAD + (
    "full,full,over_cab,2,5000\nfull,full,over_cab,6,3580\nfull,full,side,2,4000\nfull,full,side,6,2160\n"
    "full,full,rear,2,4500\nfull,full,rear,6,3000\n"
)
ONE_SIDE = HEAD + "".join(
    f"full,none,{sector},2,{kg}\nfull,none,{sector},6,{kg}\n"
    for sector, kg in (("over_cab", 1500), ("left", 3000), ("right", 1200), ("rear", 2500))
)
SPREADS = HEAD + (
    "full,full,,2,5000\nfull,full,,6,3000\npart,part,,2,3000\npart,part,,6,1800\nnone,none,,2,1500\nnone,none,,6,1300\n"
)


async def enter(
    client: httpx.AsyncClient, csv: str, valid_from: str = "2026-01-01", crane: str = "yard-01"
) -> None:
    asked = {"csv": csv, "valid_from": valid_from, "source": "invented plate"}
    done = await client.post(f"/cranes/{crane}/chart-versions", json=asked)
    assert done.status_code == 200, done.text


async def row_of(client: httpx.AsyncClient, crane: str = "yard-01", **job: Any) -> dict[str, Any]:
    answer = await client.post("/dispatch", json={**LIFT, **job})
    assert answer.status_code == 200, answer.text
    row: dict[str, Any] = next(row for row in answer.json()["candidates"] if row["crane"] == crane)
    return row


async def test_the_worst_sector_holds_and_what_it_costs_is_said(client: httpx.AsyncClient) -> None:
    await enter(client, SECTORS)
    row = await row_of(client)
    # Over the side 2160 kg, the least; over the cab it would be 3580 kg.
    assert (row["capacity_kg"], row["sector"]) == (2160.0, None)
    assert (row["assumed"], row["capacity_if_entered_kg"]) == ("sector", 3580.0)
    assert (await row_of(client, sector="over_cab"))["capacity_kg"] == 3580.0
    named = await row_of(client, sector="right")
    assert (named["capacity_kg"], named["sector"], named["assumed"]) == (2160.0, "right", None)
    # 0.85 * 2160 = 1836 kg: 2000 kg do not fit to the side, and do over the cab (0.85 * 3580 = 3043 kg).
    body = (await client.post("/dispatch", json={**LIFT, "mass_kg": 2000.0})).json()
    assert body["sectors"] == ["over_cab", "right", "rear", "left"]
    sector = next(one for one in body["assumed"] if one["entry"] == "sector")
    assert sector["cranes_lost"] >= 1
    assert sector["capacity_lost_kg"] >= 3580.0 - 2160.0
    pick = next(one for one in body["assumed"] if one["entry"] == "pick")
    assert (body["assumed"][-1], pick["capacity_lost_kg"]) == (pick, None)
    assert "Enter where it is picked up" in pick["text"]
    costs = [(-one["cranes_lost"], -(one["capacity_lost_kg"] or 0.0)) for one in body["assumed"][:-1]]
    assert costs == sorted(costs)


async def test_the_narrowest_charted_spread_holds_where_none_is_given(client: httpx.AsyncClient) -> None:
    await enter(client, SPREADS)
    row = await row_of(client)
    assert (row["capacity_kg"], row["spread_left"], row["spread_right"]) == (1300.0, "none", "none")
    assert (row["assumed"], row["capacity_if_entered_kg"]) == ("spread", 3000.0)
    assert (await row_of(client, **ROOM))["capacity_kg"] == 3000.0
    assert (await row_of(client, spread_left="part"))["capacity_kg"] == 1300.0
    assert (await row_of(client, spread_left="part", spread_right="full"))["capacity_kg"] == 1800.0


async def test_a_hook_height_that_is_not_entered_is_taken_at_its_worst_and_said(
    client: httpx.AsyncClient,
) -> None:
    rows = "".join(
        f"full,full,{height},{at},{kg}\n" for height, kg in ((0, 3000), (2, 2400), (8, 1100)) for at in (2, 6)
    )
    await enter(client, "spread_left,spread_right,hook_height_m,outreach_m,capacity_kg\n" + rows)
    row = await row_of(client, **ROOM)
    # 1100 kg at 8 m, where 0.85 * 1100 = 935 kg may hang; at 2 m 2400 kg.
    assert (row["capacity_kg"], row["ruling"], row["assumed"]) == (1100.0, "capacity", "hook_height")
    assert row["capacity_if_entered_kg"] == 2400.0
    assert (await row_of(client, **ROOM, hook_height_m=2.0))["capacity_kg"] == 2400.0
    assert (await row_of(client, **ROOM, hook_height_m=5.0))["capacity_kg"] == 1100.0
    body = (await client.post("/dispatch", json={**LIFT, **ROOM, "mass_kg": 1000.0})).json()
    named = next(one for one in body["assumed"] if one["entry"] == "hook_height")
    assert named["cranes_lost"] >= 1
    assert named["capacity_lost_kg"] >= 2400.0 - 1100.0
    assert "Enter the hook height" in named["text"]
    # What costs a crane comes before what costs capacity alone.
    assert body["assumed"][0]["cranes_lost"] == max(one["cranes_lost"] for one in body["assumed"])
    over = {**LIFT, **ROOM, "hook_height_m": 0.0, "obstacle_height_m": 1.0}
    entries = [one["entry"] for one in (await client.post("/dispatch", json=over)).json()["assumed"]]
    assert {"below_hook", "clearance"} < set(entries)
    over |= {"below_hook_m": 0.5, "clearance_m": 0.3, "sector": "right"}
    assert [one["entry"] for one in (await client.post("/dispatch", json=over)).json()["assumed"]] == ["pick"]
    # The sheet and the drawing read the same line, and the sheet says what is missing.
    job = {**LIFT, **ROOM, "mass_kg": 500.0}
    drawn = (await client.post("/dispatch/drawing", json={"crane": "yard-01", "job": job})).json()
    assert read_off(drawn["curve"], 5.0) == 1100.0
    text = text_of(
        (
            await client.post("/dispatch/lift-sheet", json={"crane": "yard-01", "title": "t", "job": job})
        ).content
    )
    assert "1100 kg" in text
    assert "hook height NOT ENTERED" in text


async def test_left_and_right_are_apart_and_the_way_goes_both_ways_round(client: httpx.AsyncClient) -> None:
    await enter(client, ONE_SIDE)
    room = {"spread_left": "full", "spread_right": "none"}

    async def carries(**job: Any) -> float:
        capacity: float = (await row_of(client, **room, **job))["capacity_kg"]
        return capacity

    assert await carries(sector="left") == 3000.0
    assert await carries(sector="right") == 1200.0
    assert await carries(sector="side") == 1200.0  # a side, it is not said which
    pick = {"outreach_m": 3.0, "hook_height_m": 2.0, "sector": "left"}
    # From the left over the rear 2500 kg; the other way round past the right 1200 kg.
    assert await carries(sector="rear", pick=pick) == 1200.0
    assert await carries(sector="rear", pick=pick, way="anticlockwise") == 2500.0
    assert await carries(sector="rear", pick=pick, sectors=["left", "rear"]) == 2500.0
    row = await row_of(client, **room, sector="rear", pick=pick)
    assert (row["assumed"], row["capacity_if_entered_kg"]) == ("way", 2500.0)
    refused = await client.post(
        "/dispatch",
        json={
            **LIFT,
            "sector": "rear",
            "pick": pick | {"sector": "over_cab"},
            "sectors": ["over_cab", "rear"],
        },
    )
    assert refused.status_code == 422
    assert "sectors" in refused.json()["fields"]


async def test_a_reason_names_the_charts_that_are_missing(client: httpx.AsyncClient) -> None:
    await enter(client, HEAD + "full,full,side,2,4000\nfull,full,side,6,2160\n")
    row = await row_of(client)
    assert row["ruling"] == "sector"
    assert row["reasons"][0]["text"].startswith("sector: no chart for working over the cab or over the rear")
    assert "there are charts over the side" in row["reasons"][0]["text"]
    assert (await row_of(client, sector="left"))["fit"]


async def test_the_weakest_chart_of_every_local_day_holds(client: httpx.AsyncClient) -> None:
    flat = HEAD + "full,full,,2,{kg}\nfull,full,,6,{kg}\n"
    for kg, day in ((3000, "2027-03-01"), (1500, "2027-03-03"), (4000, "2027-03-05")):
        await enter(client, flat.format(kg=kg), day)

    async def carries(start: str, end: str) -> tuple[float, str]:
        row = await row_of(client, window={"starts_at": f"2027-{start}Z", "ends_at": f"2027-{end}Z"})
        return row["capacity_kg"], row["charts_on"]

    # The yard is an hour ahead of UTC in March: its 3 March begins at 23:00 UTC, and a window ends before its end.
    assert await carries("03-02T22:00:00", "03-02T23:00:00") == (3000.0, "2027-03-02")
    assert await carries("03-02T22:00:00", "03-02T23:00:01") == (1500.0, "2027-03-03")
    assert await carries("03-02T23:00:00", "03-02T23:30:00") == (1500.0, "2027-03-03")
    # A long window: strong, weak, stronger. The weak days decide.
    assert await carries("03-02T06:00:00", "03-08T06:00:00") == (1500.0, "2027-03-03")
    assert await carries("03-06T06:00:00", "03-08T06:00:00") == (4000.0, "2027-03-06")
    # The lift sheet reads the same chart.
    window = {"starts_at": "2027-03-02T06:00:00Z", "ends_at": "2027-03-08T06:00:00Z"}
    asked = {"crane": "yard-01", "title": "long", "job": {**LIFT, "window": window}}
    text = text_of((await client.post("/dispatch/lift-sheet", json=asked)).content)
    assert "1500 kg" in text
    assert "from 2027-03-03" in text


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages).split())


async def test_a_hook_that_the_booms_do_not_get_down_to_is_out(client: httpx.AsyncClient) -> None:
    await enter(client, SPREADS)
    for depth_m in (-40.0, -55.0):
        row = await row_of(client, **ROOM, hook_height_m=depth_m)
        assert (row["fit"], row["ruling"]) == (False, "height")
        assert f"does not get to {depth_m:.1f} m" in row["reasons"][0]["text"]


async def test_a_smaller_plate_is_not_ignored(client: httpx.AsyncClient) -> None:
    bare = await row_of(client, "yard-04", **ROOM)
    area = YARD.crane("yard-04").crane.type.vehicle.pad_area_m2
    half = await row_of(client, "yard-04", **ROOM, plate_area_m2=area / 2)
    assert half["pad_pressure_kpa"] == pytest.approx(2 * bare["pad_pressure_kpa"])


async def test_wind_and_slope_are_compared_with_what_is_entered(
    client: httpx.AsyncClient, database: str
) -> None:
    with psycopg.connect(database) as conn:
        rows.describe(conn, "yard-04", wind_limit_m_s=12, slope_limit_deg=3)
    room = {**ROOM, "sectors": ["side", "rear"]}
    assert (await row_of(client, "yard-04", **room, wind_m_s=12.0, slope_deg=3.0))["fit"]
    windy = await row_of(client, "yard-04", **room, wind_m_s=12.5)
    assert (windy["fit"], windy["ruling"]) == (False, "wind")
    steep = await row_of(client, "yard-04", **room, slope_deg=4.0)
    assert (steep["fit"], steep["ruling"]) == (False, "slope")
    # No limit entered: nothing is assumed, and that is said.
    other = await row_of(client, "yard-05", **room, wind_m_s=12.5)
    assert other["fit"]
    assert any(note["code"] == "no_wind_limit" for note in other["notes"])


async def test_a_hole_in_a_chart_is_a_hole(client: httpx.AsyncClient) -> None:
    holed = HEAD + "full,full,,2,3000\nfull,full,,5,2000\nfull,full,,8,0\nfull,full,,9,1500\n"
    await enter(client, holed)

    async def carries(**job: Any) -> tuple[float | None, str]:
        row = await row_of(client, mass_kg=500.0, **job)
        return row["capacity_kg"], row["ruling"]

    assert await carries(outreach_m=5.0) == (2000.0, "fit")
    assert await carries(outreach_m=5.1) == (None, "capacity")
    assert await carries(outreach_m=8.9) == (None, "capacity")
    assert await carries(outreach_m=9.0) == (1500.0, "fit")
    # Neither may the way lead over it.
    assert await carries(outreach_m=9.0, pick={"outreach_m": 4.0}) == (None, "capacity")
    exported = (await client.get("/cranes/yard-01/charts.csv")).text
    assert "8.0,0.0" in exported


async def test_every_door_refuses_the_same_charts(client: httpx.AsyncClient) -> None:
    crane = YARD.crane("yard-01").crane
    chart = {"spread_left": "full", "spread_right": "full"}
    flat = [{"outreach_m": 2.0, "capacity_kg": 900.0}, {"outreach_m": 6.0, "capacity_kg": 300.0}]
    gap = [{"outreach_m": float(at), "capacity_kg": 3000.0 - 100 * at} for at in (2, 3, 4, 5, 9)]
    twice = [{**chart, "points": flat}, {**chart, "points": [{**one, "capacity_kg": 9000.0} for one in flat]}]
    for charts, says in (
        (twice, "chart 2: the same set-up as chart 1"),
        ([{**chart, "points": gap}], "hole: nothing between 5 m and 9 m"),
        ([{**chart, "stage": 9, "points": flat}], "stage: type doubtful has"),
    ):
        described = crane.type.model_dump(mode="json") | {"name": "doubtful", "charts": charts}
        asked = crane.model_dump(mode="json") | {"name": "new-1", "type": described}
        refused = await client.post("/cranes", json={"crane": asked})
        assert refused.status_code == 422, refused.text
        assert says in refused.json()["detail"]
        assert refused.json()["fields"] == ["crane.type.charts"]
    csv = HEAD + "".join(f"full,full,,{one['outreach_m']},{one['capacity_kg']}\n" for one in gap)
    asked = {"csv": csv, "valid_from": "2026-01-01", "source": "invented plate"}
    refused = await client.post("/cranes/yard-01/chart-versions", json=asked)
    assert refused.status_code == 422
    assert "hole: nothing between 5 m and 9 m" in refused.json()["detail"]


WINDOW = {"starts_at": "2026-12-02T08:00:00Z", "ends_at": "2026-12-02T10:00:00Z"}
PASSWORD = "a long enough password"


@contextlib.asynccontextmanager
async def signed_in(
    database: str, account: str, role: Role, sites: list[str] | None = None
) -> AsyncIterator[httpx.AsyncClient]:
    """A client of a strict api, for an account of its own."""
    with psycopg.connect(database) as conn:
        access.create_user(conn, account, PASSWORD, role, sites=sites)
    api = create_api(database, ApiSettings(secure_cookie=False, pool_size=3))
    async with (
        running(api),
        httpx.AsyncClient(transport=httpx.ASGITransport(api), base_url="http://127.0.0.1") as asking,
    ):
        assert (
            await asking.post("/login", json={"account": account, "password": PASSWORD})
        ).status_code == 200
        yield asking


def raise_fault(database: str, crane: str, code: str = "H-207") -> None:
    with psycopg.connect(database) as conn:
        rows.fault(conn, crane, NOW, code)


def assess_by(database: str, crane: str, day: str) -> None:
    with psycopg.connect(database) as conn:
        rows.summarise(conn, crane, assessment_on=date.fromisoformat(day))


async def test_a_state_has_one_meaning_at_every_door(client: httpx.AsyncClient, database: str) -> None:
    room = {**JOB, **ROOM, "sectors": ["side", "rear"]}
    raise_fault(database, "yard-04")
    assess_by(database, "yard-05", "2026-12-02")
    for crane, code in (("yard-04", "open_fault"), ("yard-05", "assessment_overdue")):
        async with signed_in(database, f"ida-{crane}", Role.DISPATCHER) as dispatcher:
            row = await row_of(dispatcher, crane, **room, window=WINDOW)
            assert (row["fit"], row["usable"], row["needs_override"]) == (True, False, True)
            assert code in [state["code"] for state in row["states"] if state["needs_override"]]
            assert row["terms"]["forbidding_fault" if code == "open_fault" else code] == 500.0
            # No door lets it through: not the calendar, with a job or without, not the sheet, not the day list.
            asked = {"crane": crane, "window": WINDOW, "title": "Roof"}
            sheet = {"crane": crane, "title": "Roof", "job": {**room, "window": WINDOW}}
            listed = {"title": "Roof", "job": {**room, "window": WINDOW}}
            for more in ({}, {"job": room}, {"override_reason": "I know it"}):
                refused = await dispatcher.post("/reservations", json={**asked, **more})
                assert refused.status_code == 403, refused.text
                assert "Only an engineer" in refused.json()["detail"]
            assert (await dispatcher.post("/dispatch/lift-sheet", json=sheet)).status_code == 403
            day = (await dispatcher.post("/dispatch/assignment", json={"jobs": [listed]})).json()
            assert day["jobs"][0]["crane"] not in (None, crane)
        async with signed_in(database, f"eva-{crane}", Role.ENGINEER) as engineer:
            refused = await engineer.post("/reservations", json={**asked, "job": room})
            assert (refused.status_code, refused.json()["fields"]) == (422, ["override_reason"])
            assert (await engineer.post("/dispatch/lift-sheet", json=sheet)).status_code == 422
            reason = "looked at it with the workshop"
            done = await engineer.post(
                "/reservations", json={**asked, "job": room, "override_reason": reason}
            )
            assert done.status_code == 201, done.text
            assert (done.json()["override_reason"], done.json()["override_states"]) == (reason, [code])
            printed = await engineer.get(f"/reservations/{done.json()['reservation_id']}/lift-sheet")
            assert reason in text_of(printed.content)
        with psycopg.connect(database) as conn:
            asked = {"account_name": f"eva-{crane}", "action": "POST /reservations"}
            noted = rows.one(conn, "audit", "detail", **asked)
        assert (noted["override_reason"], noted["crane"]) == (reason, crane)


async def test_a_window_that_is_over_hides_no_assessment_that_is_due(
    client: httpx.AsyncClient, database: str
) -> None:
    assess_by(database, "yard-05", "2021-06-01")
    window = {"starts_at": "2020-03-02T06:00:00Z", "ends_at": "2020-03-02T08:00:00Z"}
    job = {**JOB, **ROOM, "sectors": ["side", "rear"], "window": window}
    row = await row_of(client, "yard-05", **job)
    assert (row["fit"], row["usable"], row["needs_override"]) == (True, False, True)
    listed = {"jobs": [{"title": "Roof", "job": job}]}
    assert (await client.post("/dispatch/assignment", json=listed)).json()["jobs"][0]["crane"] != "yard-05"
    sheet = {"crane": "yard-05", "title": "Roof", "job": job}
    refused = await client.post("/dispatch/lift-sheet", json=sheet)
    assert (refused.status_code, refused.json()["fields"]) == (422, ["override_reason"])


@pytest.mark.parametrize("year", ["0001", "9999"])
async def test_a_window_beyond_the_years_is_refused_at_every_door(
    client: httpx.AsyncClient, year: str
) -> None:
    window = {"starts_at": f"{year}-01-01T00:00:00Z", "ends_at": f"{year}-12-31T23:00:00Z"}
    job = {**JOB, **ROOM, "window": window}
    for path, asked in (
        ("/dispatch", job),
        ("/dispatch/assignment", {"jobs": [{"title": "Roof", "job": job, "travel_minutes": 1440}]}),
        ("/dispatch/drawing", {"crane": "yard-04", "job": job}),
        ("/dispatch/lift-sheet", {"crane": "yard-04", "title": "Roof", "job": job}),
        ("/reservations", {"crane": "yard-04", "title": "Roof", "window": window}),
    ):
        refused = await client.post(path, json=asked)
        assert refused.status_code == 422, path
        assert "1970 to 2199" in refused.json()["detail"]


async def test_what_comes_up_after_a_reservation_stops_its_sheet(
    client: httpx.AsyncClient, database: str
) -> None:
    job = {**JOB, **ROOM, "sectors": ["side", "rear"]}
    held = await client.post(
        "/reservations", json={"crane": "yard-04", "window": WINDOW, "title": "Roof", "job": job}
    )
    sheet = f"/reservations/{held.json()['reservation_id']}/lift-sheet"
    assert (await client.get(sheet)).status_code == 200
    raise_fault(database, "yard-04")
    refused = await client.get(sheet)
    assert refused.status_code == 409
    assert "needs an override since it was reserved: open fault H-207" in refused.json()["detail"]


async def test_an_override_passes_over_the_fault_that_was_looked_at_and_no_other(
    client: httpx.AsyncClient, database: str
) -> None:
    raise_fault(database, "yard-04")
    asked = {"crane": "yard-04", "window": WINDOW, "title": "Roof", "override_reason": "looked at H-207"}
    job = {**JOB, **ROOM, "sectors": ["side", "rear"]}
    held = await client.post("/reservations", json={**asked, "job": job})
    sheet = f"/reservations/{held.json()['reservation_id']}/lift-sheet"
    assert (await client.get(sheet)).status_code == 200
    raise_fault(database, "yard-04", "B-900")
    refused = await client.get(sheet)
    assert refused.status_code == 409
    assert "since it was reserved: open fault B-900." in refused.json()["detail"]


async def test_a_condition_entered_after_the_last_count_makes_the_assessment_due(
    client: httpx.AsyncClient, database: str
) -> None:
    assess_by(database, "yard-04", "2027-12-05")
    room = {**ROOM, "sectors": ["side", "rear"], "window": WINDOW}
    assert not (await row_of(client, "yard-04", **room))["needs_override"]
    cracked = {"assess_because": "crack", "assess_since": date(2026, 11, 20)}
    with psycopg.connect(database) as conn:
        cranes.save_crane(conn, YARD.crane("yard-04").crane.model_copy(update=cracked))
    row = await row_of(client, "yard-04", **room)
    assert (row["usable"], row["needs_override"]) == (False, True)
    assert "special assessment overdue since 20 Nov 2026" in [note["text"] for note in row["notes"]]


async def test_a_crack_on_record_makes_the_assessment_due_at_once(
    client: httpx.AsyncClient, database: str
) -> None:
    assess_by(database, "yard-04", "2027-12-05")
    room = {**ROOM, "sectors": ["side", "rear"], "window": WINDOW}
    assert not (await row_of(client, "yard-04", **room))["needs_override"]
    crack = LifeRecordAsked.model_validate(
        {"kind": "crack", "happened_on": "2026-11-20", "person": "A. Tester", "detail": "column foot"}
    )
    with psycopg.connect(database) as conn:
        crane_id = cranes.directory(conn)["yard-04"].crane_id
        life_records.add_record(conn, crane_id, crack, "eve", today=date(2026, 11, 21))
    row = await row_of(client, "yard-04", **room)
    assert (row["usable"], row["needs_override"]) == (False, True)
    assert "special assessment overdue since 20 Nov 2026" in [note["text"] for note in row["notes"]]


async def test_a_crane_that_was_never_heard_says_so_and_comes_later(
    client: httpx.AsyncClient, database: str
) -> None:
    room = {**ROOM, "sectors": ["side", "rear"]}
    row = await row_of(client, "yard-04", **room)
    assert [state["code"] for state in row["states"]] == ["never_heard"]
    assert row["usable"]
    assert row["terms"]["never_heard"] == 100.0
    with psycopg.connect(database) as conn:
        rows.summarise(conn, "yard-04", last_at=NOW)
    async with signed_in(database, "ida", Role.DISPATCHER) as fresh:
        heard = await row_of(fresh, "yard-04", **room)
    assert (heard["states"], heard["terms"]["never_heard"]) == ([], 0.0)


async def test_an_assessment_is_overdue_where_the_window_reaches_its_day(
    client: httpx.AsyncClient, database: str
) -> None:
    assess_by(database, "yard-04", "2026-12-03")
    room = {**ROOM, "sectors": ["side", "rear"]}
    for ends_at, overdue in (("2026-12-02T22:00:00Z", False), ("2026-12-03T05:00:00Z", True)):
        # The yard's 3 December begins at 23:00 UTC of the second.
        window = {"starts_at": "2026-12-02T08:00:00Z", "ends_at": ends_at}
        row = await row_of(client, "yard-04", **room, window=window)
        assert row["needs_override"] is overdue


async def test_who_sees_no_crane_learns_nothing_of_any(database: str, client: httpx.AsyncClient) -> None:
    job = {**JOB, **ROOM, "sectors": ["side"], "window": WINDOW}
    async with signed_in(database, "nowhere", Role.DISPATCHER, sites=[]) as nowhere:
        body = (await nowhere.post("/dispatch", json=job)).json()
        assert (body["candidates"], body["fit_count"], body["ruled_out"]) == ([], 0, {})
        assert [one["cranes_lost"] for one in body["assumed"]] == [0] * len(body["assumed"])
        assert all(not one["capacity_lost_kg"] for one in body["assumed"])
        day = (
            await nowhere.post("/dispatch/assignment", json={"jobs": [{"title": "Roof", "job": job}]})
        ).json()
        assert day["jobs"][0]["crane"] is None
        assert (
            day["jobs"][0]["explanation"]["text"]
            == "no crane fits: ask for this job alone to see every reason"
        )
        held = {"crane": "yard-04", "window": WINDOW, "title": "Roof"}
        assert (await nowhere.post("/reservations", json=held)).status_code == 404


async def test_wear_balancing_gives_no_more_work_to_a_crane_that_should_not_have_it(
    client: httpx.AsyncClient, database: str
) -> None:
    cranes_of_interest = (
        "yard-01", "yard-02", "yard-03", "yard-11", "yard-06", "yard-07", "yard-08", "yard-04",
    )  # fmt: skip
    today = NOW.date()
    with psycopg.connect(database) as conn:
        rows.counting(conn)
        for crane in cranes_of_interest:
            due = today + timedelta(days=25 if crane == "yard-01" else 900)
            heard_at = NOW if crane != "yard-06" else None
            rows.summarise(conn, crane, used_share=0.2, f1=1.0, assessment_on=due, last_at=heard_at)
            day = today - timedelta(days=4 if crane == "yard-08" else 60)
            overrides = 40 if crane == "yard-03" else 2
            rows.count_day(conn, crane, day, peak_cubed_sum=0.01, limiter_overrides=overrides)
        yesterday = today - timedelta(days=1)
        rows.find(conn, "yard-11", yesterday, "sensor_stuck", "utilisation_pct", 90)
        rows.service(conn, "yearly check", 1, "yard-07")
    raise_fault(database, "yard-02")
    body = (await client.get("/dispatch/levelling")).json()
    levelled = {row["crane"]: row for row in body["rows"]}
    assert set(levelled) == set(cranes_of_interest)
    # All are far below the even pace; all but one have something against more work, whatever dispatch calls a state.
    assert all(row["pace_share_per_month"] < 0.5 * row["even_share_per_month"] for row in levelled.values())
    held = {crane: {one["code"]: one for one in row["held_back"]} for crane, row in levelled.items()}
    assert "special assessment due on" in held["yard-01"]["assessment_soon"]["text"]
    assert "open fault H-207" in held["yard-02"]["open_fault"]["text"]
    assert held["yard-03"]["most_overrides"]["text"] == "most limiter overrides: 40 in 90 days"
    assert "readings that cannot be true: Reading stuck" in held["yard-11"]["findings"]["text"]
    assert "never heard" in held["yard-06"]["never_heard"]["text"]
    assert "service overdue: yearly check" in held["yard-07"]["service_overdue"]["text"]
    # Five days on record are no quiet quarter: the pace is that of these days, twelve times that of 61 days.
    short = held["yard-08"]["pace_unknown"]
    assert short["text"].startswith("on record for 5 of 90 days")
    assert {name: one["value"] for name, one in short["values"].items()} == {
        "recorded_days": 5,
        "of_days": 90,
    }
    assert (levelled["yard-08"]["recorded_days"], levelled["yard-04"]["recorded_days"]) == (5, 61)
    budget = {crane: math.prod(design_limits(YARD.crane(crane).crane.design)) for crane in levelled}
    month = 365.25 / 12
    for crane, days in (("yard-08", 5), ("yard-04", 61)):
        assert levelled[crane]["pace_share_per_month"] == pytest.approx(0.01 / budget[crane] * month / days)
    for crane in cranes_of_interest[:-1]:
        assert levelled[crane]["advice"]["code"] == "no_more_than_now"
        assert levelled[crane]["held_back"]
    advice = levelled["yard-04"]["advice"]
    assert advice["code"] == "can_take_more"
    ratio = levelled["yard-04"]["pace_share_per_month"] / levelled["yard-04"]["even_share_per_month"]
    assert advice["values"]["pace"]["value"] == pytest.approx(ratio)
    assert (
        advice["text"]
        == f"can take more: it uses its life at {rounded(ratio, 2, 'least'):.2f} of the even pace"
    )
    assert levelled["yard-04"]["held_back"] == []


def segment_of(crane_id: int, start: datetime, columns: dict[str, list[float]]) -> segments.Segment:
    named = tuple(name for name in CHANNEL_BY_NAME if name in columns)
    return segments.Segment(
        crane_id=crane_id,
        t0_ms=segments.to_ms(start),
        boot=1,
        seq=0,
        dt_ms=1000,
        channels=named,
        values=np.array([columns[name] for name in named], np.float32),
        received_ms=segments.to_ms(start),
    )


def read_off(line: list[list[float]], outreach_m: float) -> float:
    """What somebody reads off a drawn line between its corners; 0 beside it."""
    for (near, low), (far, high) in itertools.pairwise(line):
        if near < outreach_m < far:
            return max(low, high)
    return 0.0


@pytest.mark.parametrize("seed", range(4))
async def test_no_reading_anywhere_exceeds_the_charts(
    client: httpx.AsyncClient, database: str, seed: int
) -> None:
    """Random charts with holes, heights and sectors: the answer, the drawing, the lift sheet, the position now, the replay."""
    rng = random.Random(seed)
    rows = []
    for spread, sector in itertools.product(("full", "part"), ("over_cab", "right", "rear", "left")):
        for height in (-2.0, 3.0, 9.0):
            kg = rng.uniform(2000, 4000)
            hole = rng.randrange(1, 6)
            for step, at in enumerate((2.0, 3.5, 5.0, 6.5, 8.0, 9.5, 11.0)):
                kg *= rng.uniform(0.7, 1.0)
                rows.append(f"{spread},{spread},{sector},{height},{at},{0 if step == hole else round(kg)}")
    head = "spread_left,spread_right,sector,hook_height_m,outreach_m,capacity_kg\n"
    await enter(client, head + "\n".join(rows) + "\n")
    charts = tuple(
        LoadChart.model_validate(one) for one in (await client.get("/cranes/yard-01/charts")).json()["charts"]
    )

    def allowed(spread: str, sector: str, outreach_m: float, height_m: float) -> float:
        spreads = ("part",) if spread == "part" else ("part", "full")
        return max(
            float(capacity_kg(one, outreach_m, height_m))
            for one in charts
            if one.spread_left in spreads and one.sector == sector
        )

    for _ in range(6):
        sector, spread = rng.choice(("over_cab", "right", "rear", "left")), rng.choice(("full", "part"))
        job = {
            "mass_kg": 10.0, "rigging_kg": 0.0, "outreach_m": rng.uniform(2, 10), "hook_height_m": rng.uniform(-1, 6),
            "sector": sector, "spread_left": spread, "spread_right": spread,
        }  # fmt: skip
        most = allowed(spread, sector, job["outreach_m"], job["hook_height_m"])
        row = await row_of(client, **job)
        assert (row["capacity_kg"] or 0.0) <= most
        drawn = (await client.post("/dispatch/drawing", json={"crane": "yard-01", "job": job})).json()
        for x in (job["outreach_m"], rng.uniform(2, 11)):
            assert read_off(drawn["curve"], x) <= allowed(spread, sector, x, job["hook_height_m"])
        if row["fit"]:
            assert read_off(drawn["curve"], job["outreach_m"]) == row["capacity_kg"]
            asked = {"crane": "yard-01", "title": "random", "job": job}
            text = text_of((await client.post("/dispatch/lift-sheet", json=asked)).content)
            named = [float(kg) for kg in re.findall(r"Rated capacity there (\d+) kg", text)]
            assert named
            assert max(named) <= most + 0.5  # printed to the kilogram

    # The position now, and the same played back.
    start = datetime(2026, 11, 20, 8, tzinfo=UTC)
    poses = [
        (rng.uniform(0, 70), rng.uniform(-60, 20), rng.uniform(0, 4), rng.uniform(-180, 179))
        for _ in range(40)
    ]
    names = ("main_boom_deg", "knuckle_boom_deg", "extension_m", "slew_deg")
    columns = {name: [one[index] for one in poses] for index, name in enumerate(names)}
    columns |= {f"stabiliser_{side}_pct": [100.0] * 20 + [60.0] * 20 for side in ("left", "right")}
    with psycopg.connect(database) as conn:
        crane_id = cranes.directory(conn)["yard-01"].crane_id
        newest = {name: values[-1] for name, values in columns.items()}
        events.keep_values(conn, {crane_id: (start, newest)}, start)
        segments.make_ranges(conn, start, start + timedelta(days=1))
        segments.prepare(conn)
        segments.keep(conn, [segment_of(crane_id, start, columns)])
    played = await client.get(
        "/cranes/yard-01/poses",
        params={"from": start.isoformat(), "to": (start + timedelta(minutes=1)).isoformat()},
    )
    body = played.json()
    assert len(body["at_ms"]) == 40
    words = {"over_cab": 0, "right": 90, "rear": 180, "left": -90}
    for index, (*_, slew) in enumerate(poses):
        sector = min(words, key=lambda word: abs((slew - words[word] + 180) % 360 - 180))
        spread = "full" if index < 20 else "part"
        at, height = body["outreach_m"][index], body["joints_m"][-1][index]
        # Positions are sent to the millimetre: the reading may be that of a hair's breadth away.
        near = [
            allowed(spread, sector, at + a, height + b)
            for a in (-0.002, 0, 0.002)
            for b in (-0.002, 0, 0.002)
        ]
        assert body["rated_kg"][index] <= max(near)
        assert read_off(body["curves"][body["curve"][index]], at) <= max(near)
    now = (await client.get("/cranes/yard-01/drawing")).json()["now"]
    assert now["rated_kg"] == body["rated_kg"][-1]
    assert now["outreach_m"] == pytest.approx(body["outreach_m"][-1], abs=1e-3)


def random_charts(rng: random.Random) -> str:
    """Charts by spread, sector and hook height, with a hole in about every second row."""
    rows = []
    for spread, sector in itertools.product(("full", "part"), ("over_cab", "right", "rear", "left")):
        for height in (-6.0, 3.0, 9.0, 16.0):
            kg = rng.uniform(2000, 4000)
            hole = rng.randrange(1, 20)
            for step, at in enumerate((1.0, 2.5, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0, 12.0, 14.0)):
                kg *= rng.uniform(0.7, 1.0)
                rows.append(f"{spread},{spread},{sector},{height},{at},{0 if step == hole else round(kg)}")
    return "spread_left,spread_right,sector,hook_height_m,outreach_m,capacity_kg\n" + "\n".join(rows) + "\n"


CHANGED_ON = date(2026, 11, 21)


@pytest.mark.parametrize("seed", range(3))
async def test_no_moment_of_a_reduced_replay_exceeds_the_charts_in_any_of_its_samples(
    client: httpx.AsyncClient, database: str, seed: int
) -> None:
    """Across a midnight at which charts and boom change, with an extension that is missing now and then."""
    rng = np.random.default_rng(seed)
    crane_type = YARD.crane("yard-01").crane.type
    boom = crane_type.main_boom.model_copy(update={"length_m": crane_type.main_boom.length_m + 1.5})
    longer = crane_type.model_copy(update={"main_boom": boom})
    of_day = []
    for day in ("2026-01-01", CHANGED_ON.isoformat()):
        await enter(client, random_charts(random.Random(f"{seed} {day}")), day)
        asked = (await client.get("/cranes/yard-01/charts", params={"on": day})).json()["charts"]
        of_day.append(tuple(LoadChart.model_validate(one) for one in asked))
    # The yard's 21 November begins at 23:00 UTC: 205 s into the record, in the middle of a bucket of ten.
    start, count = datetime(2026, 11, 20, 22, 56, 35, tzinfo=UTC), 400

    def drifting(low: float, high: float, step: float) -> list[float]:
        return np.clip(
            rng.uniform(0.6 * low + 0.4 * high, 0.4 * low + 0.6 * high)
            + np.cumsum(rng.normal(0, step, count)),
            low,
            high,
        ).tolist()

    columns = {
        "main_boom_deg": drifting(20, 60, 0.8),
        "knuckle_boom_deg": drifting(-40, 10, 1.0),
        "extension_m": drifting(0.5, 3.5, 0.1),
        "slew_deg": drifting(-130, 130, 2.0),
    }
    for index in rng.choice(count, 4, replace=False):
        columns["extension_m"][index] = float("nan")
    columns |= {f"stabiliser_{side}_pct": drifting(60, 100, 4.0) for side in ("left", "right")}
    with psycopg.connect(database) as conn:
        crane_id = cranes.directory(conn)["yard-01"].crane_id
        descriptions.describe(conn, crane_id, CHANGED_ON, longer, attachments=())
        segments.make_ranges(conn, start, start + timedelta(days=1))
        segments.prepare(conn)
        segments.keep(conn, [segment_of(crane_id, start, columns)])
    span = {"from": start.isoformat(), "to": (start + timedelta(seconds=count)).isoformat()}
    body = (await client.get("/cranes/yard-01/poses", params={**span, "points": 40})).json()
    assert (body["reduced"], body["bucket_ms"]) == (True, 10_000)

    def allowed(index: int, outreach_m: float | None = None) -> float:
        """The most that the charts of its own day allow one sample; 0 where its boom was not read as a whole."""
        values = {name: float(np.float32(column[index])) for name, column in columns.items()}
        later = index >= 205
        angles = [values[name] for name in ("main_boom_deg", "knuckle_boom_deg", "extension_m")]
        at = pose(longer if later else crane_type, *angles)
        words = {"over_cab": 0, "right": 90, "rear": 180, "left": -90}
        sector = min(words, key=lambda word: abs((values["slew_deg"] - words[word] + 180) % 360 - 180))
        reached = [counted_spread(values[f"stabiliser_{side}_pct"]) for side in ("left", "right")]
        return max(
            float(capacity_kg(one, at.outreach_m if outreach_m is None else outreach_m, float(at.hook_height_m)))
            for one in of_day[later]
            if one.sector == sector
            and SPREAD_RANK[one.spread_left] <= SPREAD_RANK[reached[0]]
            and SPREAD_RANK[one.spread_right] <= SPREAD_RANK[reached[1]]
        )  # fmt: skip

    for index, at_ms in enumerate(body["at_ms"]):
        begin = (at_ms - segments.to_ms(start)) // 1000
        samples = range(begin, min(begin + 10, count))
        assert body["rated_kg"][index] <= min(allowed(one) for one in samples)
        shown = body["outreach_m"][index]
        assert (shown is None) == any(np.isnan(columns["extension_m"][one]) for one in samples)
        if shown is not None:
            line = read_off(body["curves"][body["curve"][index]], shown)
            assert line <= min(allowed(one, shown + 0.001) for one in samples)
    # Not safe by saying nothing: most moments that the charts cover have a capacity.
    covered = [min(allowed(one) for one in range(begin, begin + 10)) > 0 for begin in range(0, count, 10)]
    assert np.count_nonzero(body["rated_kg"]) >= 0.5 * sum(covered) > 0

    # The samples: an outreach that is not sent follows from the pose of its own day, and from no length that is not read.
    asked = {**span, "channels": "outreach_m", "points": count}
    series = (await client.get("/cranes/yard-01/samples", params=asked)).json()["series"]["outreach_m"]
    for index, found in enumerate(series["high"]):
        angles = [columns[name][index] for name in ("main_boom_deg", "knuckle_boom_deg", "extension_m")]
        true = float(pose(longer if index >= 205 else crane_type, *angles).outreach_m)
        assert (found is None) if np.isnan(true) else found == pytest.approx(true, abs=1e-3)


def level_boom(slew_deg: list[float], utilisation_pct: list[float]) -> dict[str, list[float]]:
    still = {"main_boom_deg": 30.0, "knuckle_boom_deg": 0.0, "extension_m": 1.0}
    still |= {"stabiliser_left_pct": 100.0, "stabiliser_right_pct": 100.0}
    columns = {name: [value] * len(slew_deg) for name, value in still.items()}
    return columns | {"slew_deg": slew_deg, "utilisation_pct": utilisation_pct}


async def test_what_is_played_back_keeps_to_the_charts_of_its_day(
    client: httpx.AsyncClient, database: str
) -> None:
    await enter(client, HEAD + "full,full,,1,5000\nfull,full,,12,4000\n")
    await enter(client, HEAD + "full,full,,1,900\nfull,full,,12,800\n", "2026-11-21")
    # The yard's 21 November begins at 23:00 UTC of the 20th.
    start = datetime(2026, 11, 20, 22, 59, 55, tzinfo=UTC)
    with psycopg.connect(database) as conn:
        crane_id = cranes.directory(conn)["yard-01"].crane_id
        segments.make_ranges(conn, start, start + timedelta(days=1))
        segments.prepare(conn)
        segments.keep(conn, [segment_of(crane_id, start, level_boom([10.0] * 10, [50.0] * 10))])
    asked = {"from": start.isoformat(), "to": (start + timedelta(minutes=1)).isoformat()}
    body = (await client.get("/cranes/yard-01/poses", params=asked)).json()
    assert body["rated_kg"] == [4000.0] * 5 + [800.0] * 5
    lines = [read_off(body["curves"][index], 7.0) for index in body["curve"]]
    assert lines == body["rated_kg"]


async def test_samples_that_share_a_moment_are_played_back_at_their_worst(
    client: httpx.AsyncClient, database: str
) -> None:
    rows = (("over_cab", 500), ("right", 2000), ("rear", 4000), ("left", 2000))
    await enter(client, HEAD + "".join(f"full,full,{s},1,{kg}\nfull,full,{s},12,{kg}\n" for s, kg in rows))
    start = datetime(2026, 11, 20, 12, tzinfo=UTC)
    # Over the cab all the time, across 360 deg, whose middle would be the rear; each other second at 103 %.
    columns = level_boom([359.0, 1.0] * 100, [103.0, 5.0] * 100)
    with psycopg.connect(database) as conn:
        crane_id = cranes.directory(conn)["yard-01"].crane_id
        segments.make_ranges(conn, start, start + timedelta(days=1))
        segments.prepare(conn)
        segments.keep(conn, [segment_of(crane_id, start, columns)])
    asked = {
        "from": start.isoformat(),
        "to": (start + timedelta(seconds=200)).isoformat(),
        "points": 10,
    }
    body = (await client.get("/cranes/yard-01/poses", params=asked)).json()
    assert body["reduced"]
    assert set(body["rated_kg"]) == {500.0}
    assert set(body["readings"]["slew_deg"]) == {None}
    assert set(body["readings"]["utilisation_pct"]) == {103.0}


async def test_the_charts_of_today_are_those_of_the_crane_s_own_day(
    client: httpx.AsyncClient, database: str
) -> None:
    zones = {"Pacific/Kiritimati": "yard-02", "Pacific/Pago_Pago": "yard-03"}  # their days are never the same
    with psycopg.connect(database) as conn:
        for number, (zone, crane) in enumerate(zones.items()):
            cranes.save_site(conn, Site(name=f"far-{number}", title="", time_zone=zone))
            moved = YARD.crane(crane).crane.model_copy(update={"site": f"far-{number}"})
            cranes.save_crane(conn, moved)
    for path in ("charts", "drawing"):
        days = [
            date.fromisoformat((await client.get(f"/cranes/{crane}/{path}")).json()["on"])
            for crane in zones.values()
        ]
        assert days[0] > days[1]


async def test_a_span_without_a_position_plays_nothing(client: httpx.AsyncClient) -> None:
    span = {"from": "2026-03-02T05:00:00Z", "to": "2026-03-02T17:00:00Z"}
    answer = await client.get("/cranes/yard-01/poses", params=span)
    assert (answer.status_code, answer.json()["at_ms"]) == (200, [])


async def test_readings_that_cannot_be_true_are_a_state(client: httpx.AsyncClient, database: str) -> None:
    with psycopg.connect(database) as conn:
        yesterday = NOW.date() - timedelta(days=1)
        rows.find(conn, "yard-04", yesterday, "sensor_stuck", "utilisation_pct", 90)
    row = await row_of(client, "yard-04", **ROOM, sectors=["side"])
    assert "readings that cannot be true: Reading stuck" in [state["text"] for state in row["states"]]
    assert (row["usable"], row["terms"]["findings"]) == (True, 100.0)


async def test_the_day_list_says_what_each_job_left_open_and_whether_it_is_the_best(
    client: httpx.AsyncClient,
) -> None:
    short = {**JOB, "sectors": ["side", "rear"], "window": WINDOW}
    whole = {
        **short, **ROOM, "sector": "right", "hook_height_m": 2.0,
        "pick": {"outreach_m": 3.0, "hook_height_m": 2.0, "sector": "right"},
    }  # fmt: skip
    jobs = [{"title": "short", "job": short}, {"title": "whole", "job": whole}]
    body = (await client.post("/dispatch/assignment", json={"jobs": jobs})).json()
    left_open, said = body["jobs"]
    assert {one["entry"] for one in left_open["assumed"]} == {"sector", "spread", "hook_height", "pick"}
    assert said["assumed"] == []
    assert body["exact"]
    assert (body["most_assigned"], body["least_points"]) == (body["assigned"], body["points"])
