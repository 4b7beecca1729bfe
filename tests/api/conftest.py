"""A small yard for the tests of the api: two sites, three cranes, two days of telemetry that can be checked by hand.

`heron-3` (north-yard): one sample a second; each hour-long day holds 6 lifts as rectangles of 100 s at LEVELS, with
limit_pct 100, so structural percent equals utilisation. The days are counted by the duty room itself.
`crake-1` (south-yard) has no telemetry, `plover-2` (north-yard) only an event.
"""

from collections.abc import AsyncIterator, Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import psycopg
import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from domain.crane import (
    Boom,
    Crane,
    CraneType,
    DesignClass,
    Edition,
    Extension,
    LoadChart,
    PriorDuty,
    RecorderRuns,
    Site,
    Vehicle,
)
from duty import circumstances, directions, ledger, levels
from duty.edges import DEFAULT_EDGES
from store import access, cranes, segments
from store.access import Role
from tests.support import rows
from tests.support.databases import new_database, new_template

DAYS = (date(2026, 3, 2), date(2026, 3, 3))
LEVELS = (40.0, 60.0, 95.0, 80.0, 92.0, 30.0)  # peaks of the six lifts of a day [%]
PASSWORD = "a long enough password"
T0_HOUR = 8  # UTC


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="session")
def yard_template(database_server: str, database_template: str) -> Iterator[str]:
    """URL of a database with the yard, to copy."""
    with new_template(database_server, build_yard, database_template) as url:
        yield url


@pytest.fixture(scope="session")
def yard_url(database_server: str, yard_template: str) -> Iterator[str]:
    """URL of a database with the yard: tests that share it only read."""
    with new_database(database_server, yard_template) as url:
        yield url


@pytest.fixture
def fresh_yard_url(database_server: str, yard_template: str) -> Iterator[str]:
    """URL of a yard of one test's own, to write into."""
    with new_database(database_server, yard_template) as url:
        yield url


@pytest.fixture
async def api(yard_url: str) -> AsyncIterator[FastAPI]:
    """The strict api over the shared yard."""
    app = create_api(yard_url, ApiSettings(secure_cookie=False, pool_size=4))
    async with running(app):
        yield app


@pytest.fixture
async def open_api(yard_url: str) -> AsyncIterator[FastAPI]:
    """The api with open access, over the shared yard."""
    app = create_api(yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app):
        yield app


@pytest.fixture
async def fresh_api(fresh_yard_url: str) -> AsyncIterator[FastAPI]:
    """The strict api over a yard of its own."""
    app = create_api(fresh_yard_url, ApiSettings(secure_cookie=False, pool_size=4))
    async with running(app):
        yield app


@pytest.fixture
async def http(open_api: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """Asks the api with open access."""
    async with client_of(open_api) as client:
        yield client


def client_of(app: FastAPI, address: str = "127.0.0.1", **options: Any) -> httpx.AsyncClient:
    """A client of an app in this process, seen from an address."""
    transport = httpx.ASGITransport(app=app, client=(address, 40_000))
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", **options)


def crane_type() -> CraneType:
    """An invented type."""
    charts = tuple(
        LoadChart(
            spread_left=left,
            spread_right=right,
            points=(
                {"outreach_m": 3.0, "capacity_kg": 4000.0 * factor},
                {"outreach_m": 6.0, "capacity_kg": 2000.0 * factor},
                {"outreach_m": 9.0, "capacity_kg": 1200.0 * factor},
            ),
        )
        for left, right, factor in (("full", "full", 1.0), ("none", "none", 0.4))
    )
    return CraneType(
        name="heron-120",
        title="Heron 120 (invented)",
        pivot_offset_m=0.4,
        pivot_height_m=2.3,
        main_boom=Boom(length_m=3.5, mass_kg=600, lowest_deg=-70, highest_deg=80),
        knuckle_boom=Boom(length_m=3.0, mass_kg=450, lowest_deg=-90, highest_deg=60),
        extensions=(Extension(stroke_m=2.0, mass_kg=150), Extension(stroke_m=2.0, mass_kg=120)),
        rated_moment_kn_m=150,
        vehicle=Vehicle(
            mass_kg=18_000,
            centre_of_mass_x_m=-1.0,
            stabiliser_spread_full_m=2.8,
            stabiliser_spread_none_m=1.2,
            rear_support_x_m=-5.0,
            front_support_x_m=1.0,
            pad_area_m2=0.16,
        ),
        charts=charts,
        invented=True,
    )


def build_yard(url: str) -> None:
    """Fill a migrated database."""
    with psycopg.connect(url, autocommit=True, options="-c timezone=UTC") as conn:
        for name, zone in (("north-yard", "Europe/Vienna"), ("south-yard", "UTC")):
            cranes.save_site(conn, Site(name=name, title=name, time_zone=zone))
        ids = {
            name: cranes.save_crane(
                conn,
                Crane(
                    name=name,
                    title=f"{name} (invented)",
                    type=crane_type(),
                    site=site,
                    registered_at=datetime(2026, 1, 1, tzinfo=UTC),
                    commissioned_on=date(2020, 5, 1),
                    design=DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q2"),
                    prior_duty=PriorDuty(lifts=0, kq=0, f1=1.0, source="stood unused (invented)")
                    if name == "heron-3"
                    else None,
                    recorder_runs=RecorderRuns.ALWAYS,
                ),
            )
            for name, site in (
                ("heron-3", "north-yard"),
                ("plover-2", "north-yard"),
                ("crake-1", "south-yard"),
            )
        }
        fill_heron(conn, ids["heron-3"])
        fill_events(conn)
        for role in Role:
            access.create_user(conn, f"{role}-north", PASSWORD, role, ["north-yard"])
            access.create_user(conn, f"{role}-all", PASSWORD, role)


def signal() -> np.ndarray[Any, np.dtype[np.float32]]:
    """Utilisation of one hour [%]: 6 lifts of 100 s, 500 s apart, 5 % in between."""
    values = np.full(3600, 5.0, np.float32)
    for index, level in enumerate(LEVELS):
        values[300 + 500 * index : 400 + 500 * index] = level
    return values


def fill_heron(conn: psycopg.Connection[Any], crane_id: int) -> None:
    """Two days of samples, counted."""
    values = signal()
    slew = np.full(3600, 90.0, np.float32)
    outreach = np.full(3600, 5.5, np.float32)
    start = datetime(2026, 3, 2, T0_HOUR, tzinfo=UTC)
    segments.make_ranges(conn, start, start + timedelta(days=2))
    with conn.transaction():
        segments.prepare(conn)
        segments.keep(conn, [_segment(crane_id, day, part, values) for day in (0, 1) for part in range(36)])
    counting_id = rows.counting(conn)
    counted = ledger.count(values, DEFAULT_EDGES)
    turned = directions.count_directions(values, slew)
    spent = levels.tally(1000, values, slew_deg=slew, outreach_m=outreach)
    for number, day in enumerate(DAYS):
        _add_span(conn, crane_id, counting_id, "day", day, day, counted, turned, spent)
        _add_day(conn, day, start + timedelta(days=number))
    both = ledger.merge(counted, counted), directions.merge(turned, turned), levels.merge(spent, spent)
    _add_span(conn, crane_id, counting_id, "month", date(2026, 3, 1), DAYS[1], *both)
    _add_span(conn, crane_id, counting_id, "year", date(2026, 1, 1), DAYS[1], *both)
    cubes = float(np.sum((np.array(LEVELS) / 100) ** 3))
    last = start + timedelta(days=1, hours=1)
    share = 1.1 * 2 * cubes / (250e3 * 0.125)
    rows.summarise(
        conn, "heron-3", counting_id=counting_id, counted_at=start + timedelta(days=2), first_at=start, last_at=last, days=2,
        recorded_ms=7_200_000, working_ms=7_200_000, loaded_ms=1_200_000, near_limit_ms=400_000, lifts=12,
        peak_cubed_sum=2 * cubes, kq=cubes / 6, coverage=1, f1=1.1, used_share=share, used_share_counted=share,
    )  # fmt: skip
    rows.hear(conn, "heron-3", last, last, utilisation_pct=5.0)


def _segment(crane_id: int, day: int, part: int, values: Any) -> segments.Segment:
    t0 = datetime(2026, 3, 2 + day, T0_HOUR, tzinfo=UTC) + timedelta(seconds=100 * part)
    return segments.Segment(
        crane_id=crane_id,
        t0_ms=segments.to_ms(t0),
        boot=1,
        seq=day * 36 + part,
        dt_ms=1000,
        channels=("utilisation_pct",),
        values=values[None, 100 * part : 100 * (part + 1)],
        received_ms=segments.to_ms(t0),
    )


def _add_span(
    conn: psycopg.Connection[Any],
    crane_id: int,
    counting_id: int,
    span: str,
    first: date,
    last: date,
    counted: ledger.Ledger,
    turned: directions.DirectionLedger,
    spent: levels.Tallies,
) -> None:
    hours = circumstances.count(np.full(3600, 1000), np.full(3600, 9), signal())
    rows.insert(
        conn, "span_ledger", crane_id=crane_id, counting_id=counting_id, span=span, first_day=first, last_day=last,
        samples=counted.samples, ledger=ledger.to_bytes(counted), directions=directions.to_bytes(turned),
        tallies=levels.to_bytes(spent), circumstances=circumstances.to_bytes(hours),
    )  # fmt: skip


def _add_day(conn: psycopg.Connection[Any], day: date, start: datetime) -> None:
    rows.count_day(
        conn, "heron-3", day, "Europe/Vienna", day_start_at=start - timedelta(hours=T0_HOUR + 1),
        day_end_at=start + timedelta(hours=15), first_at=start, last_at=start + timedelta(hours=1), samples=3600,
        recorded_ms=3_600_000, working_ms=3_600_000, loaded_ms=600_000, near_limit_ms=200_000, lifts=6,
        near_limit_lifts=2, peak_cubed_sum=float(np.sum((np.array(LEVELS) / 100) ** 3)),
        limiter_stops=1, limiter_overrides=1, faults=1,
    )  # fmt: skip
    for index, level in enumerate(LEVELS):
        begun = start + timedelta(seconds=300 + 500 * index)
        rows.lift(conn, "heron-3", begun, level, 100, day=day, peak_outreach_m=5.5, mass_kg=1000)


def fill_events(conn: psycopg.Connection[Any]) -> None:
    """Ten events of heron-3, one each of the others, an open fault, three messages set aside."""
    at = datetime(2026, 3, 2, T0_HOUR, tzinfo=UTC)
    kinds = ("limiter_stop", "limiter_override", "fault", "warning", "mode_change")
    for index in range(10):
        moment = at + timedelta(minutes=index)
        rows.event(
            conn, "heron-3", moment, 100 + index, kinds[index % 5], "E-07", text="oil hot", received_at=at
        )
    for name in ("plover-2", "crake-1"):
        rows.event(conn, name, at, 1, "service", text="greased")
    for name, day, code, channel, size in (
        ("heron-3", DAYS[0], "spikes", "utilisation_pct", 180.0),
        ("heron-3", DAYS[1], "spikes", "utilisation_pct", 250.0),
        ("heron-3", DAYS[1], "limit_missing", "limit_pct", 1.0),
        ("crake-1", DAYS[1], "clock_behind", "", 1.0),
    ):
        rows.find(conn, name, day, code, channel, size)
    rows.fault(conn, "heron-3", at + timedelta(minutes=2), "E-07", raised_times=2, text="oil hot")
    for number, crane in enumerate(("heron-3", "crake-1", None)):
        rows.set_aside(conn, crane, at, number)
