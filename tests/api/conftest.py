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
from psycopg.types.json import Jsonb

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
        fill_events(conn, ids)
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
    counting_id = conn.execute(
        "insert into counting (settings_hash, version, settings, in_use) values ('test', 1, '{}', true)"
        " returning counting_id"
    ).fetchone()[0]  # type: ignore[index]
    counted = ledger.count(values, DEFAULT_EDGES)
    turned = directions.count_directions(values, slew)
    spent = levels.tally(1000, values, slew_deg=slew, outreach_m=outreach)
    for number, day in enumerate(DAYS):
        _add_span(conn, crane_id, counting_id, "day", day, day, counted, turned, spent)
        _add_day(conn, crane_id, counting_id, day, start + timedelta(days=number))
    both = ledger.merge(counted, counted), directions.merge(turned, turned), levels.merge(spent, spent)
    _add_span(conn, crane_id, counting_id, "month", date(2026, 3, 1), DAYS[1], *both)
    _add_span(conn, crane_id, counting_id, "year", date(2026, 1, 1), DAYS[1], *both)
    cubes = float(np.sum((np.array(LEVELS) / 100) ** 3))
    conn.execute(
        "insert into crane_summary (crane_id, counting_id, counted_at, first_at, last_at, days, recorded_ms, lifts,"
        " peak_cubed_sum, kq, coverage, f1, used_share, used_share_counted, loaded_ms, near_limit_ms, working_ms)"
        " values (%s, %s, now(), %s, %s, 2, 7200000, 12, %s, %s, 1, 1.1, %s, %s, 1200000, 400000, 7200000)",
        (
            crane_id,
            counting_id,
            start,
            start + timedelta(days=1, hours=1),
            2 * cubes,
            cubes / 6,
            1.1 * 2 * cubes / (250e3 * 0.125),
            1.1 * 2 * cubes / (250e3 * 0.125),
        ),
    )
    conn.execute(
        "insert into live (crane_id, at, received_at, boot, online, last_values) values (%s, %s, %s, 1, true, %s)",
        (
            crane_id,
            start + timedelta(days=1, hours=1),
            start + timedelta(days=1, hours=1),
            Jsonb({"utilisation_pct": 5.0}),
        ),
    )


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
    conn.execute(
        "insert into span_ledger values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)",
        (
            crane_id,
            counting_id,
            span,
            first,
            last,
            counted.samples,
            ledger.to_bytes(counted),
            directions.to_bytes(turned),
            levels.to_bytes(spent),
            circumstances.to_bytes(hours),
        ),
    )


def _add_day(
    conn: psycopg.Connection[Any], crane_id: int, counting_id: int, day: date, start: datetime
) -> None:
    conn.execute(
        "insert into day_figure (crane_id, counting_id, day, time_zone, day_start_at, day_end_at, first_at, last_at,"
        " samples, recorded_ms, working_ms, loaded_ms, near_limit_ms, lifts, near_limit_lifts, peak_cubed_sum,"
        " limiter_stops, limiter_overrides, faults, lift_part)"
        " values (%s, %s, %s, 'Europe/Vienna', %s, %s, %s, %s, 3600, 3600000, 3600000, 600000, 200000, 6, 2, %s,"
        " 1, 1, 1, %s)",
        (
            crane_id,
            counting_id,
            day,
            start - timedelta(hours=T0_HOUR + 1),
            start + timedelta(hours=15),
            start,
            start + timedelta(hours=1),
            float(np.sum((np.array(LEVELS) / 100) ** 3)),
            b"",
        ),
    )
    for index, level in enumerate(LEVELS):
        begun = start + timedelta(seconds=300 + 500 * index)
        conn.execute(
            "insert into lift (crane_id, counting_id, started_at, ended_at, day, peak_utilisation_pct,"
            " peak_structural_pct, peak_outreach_m, mass_kg) values (%s, %s, %s, %s, %s, %s, %s, 5.5, 1000)",
            (crane_id, counting_id, begun, begun + timedelta(seconds=100), day, level, level),
        )


def fill_events(conn: psycopg.Connection[Any], ids: dict[str, int]) -> None:
    """Ten events of heron-3, one each of the others, an open fault, three messages set aside."""
    at = datetime(2026, 3, 2, T0_HOUR, tzinfo=UTC)
    kinds = ("limiter_stop", "limiter_override", "fault", "warning", "mode_change")
    for index in range(10):
        conn.execute(
            "insert into event values (%s, %s, 1, %s, %s, %s, 'raised', %s, %s)",
            (
                ids["heron-3"],
                at + timedelta(minutes=index),
                100 + index,
                kinds[index % 5],
                "E-07",
                "oil hot",
                at,
            ),
        )
    for name in ("plover-2", "crake-1"):
        conn.execute(
            "insert into event values (%s, %s, 1, 1, 'service', '', 'raised', 'greased', %s)",
            (ids[name], at, at),
        )
    for name, day, code, channel, size in (
        ("heron-3", DAYS[0], "spikes", "utilisation_pct", 180.0),
        ("heron-3", DAYS[1], "spikes", "utilisation_pct", 250.0),
        ("heron-3", DAYS[1], "limit_missing", "limit_pct", 1.0),
        ("crake-1", DAYS[1], "clock_behind", "", 1.0),
    ):
        begin = at + (day - DAYS[0])
        conn.execute(
            "insert into finding values (%s, %s, %s, %s, %s, %s, %s)",
            (ids[name], day, code, channel, begin, begin + timedelta(hours=1), size),
        )
    conn.execute(
        "insert into fault_episode (crane_id, code, raised_at, raised_times, text) values (%s, 'E-07', %s, 2, 'oil hot')",
        (ids["heron-3"], at + timedelta(minutes=2)),
    )
    for index, name in enumerate(("heron-3", "crake-1", None)):
        conn.execute(
            "insert into quarantine (received_at, last_received_at, topic, crane_name, reason, detail, raw, digest)"
            " values (%s, %s, %s, %s, 'not_json', 'not readable', %s, %s)",
            (at, at, f"boomledger/v1/{name}/samples", name, b"\xff\x00{", bytes([index]) * 32),
        )
