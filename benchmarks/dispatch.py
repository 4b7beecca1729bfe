"""How long dispatch takes: one job against 10 000 cranes through the api, and a day's list assigned to a fleet.

python benchmarks/dispatch.py --json        the last line is one line of JSON

The fleet is invented. Every crane has load charts of its own (6 charts of 8 points), so nothing is computed once for
many; they share five sets of geometry. Each has a figure of its life used, and every twentieth an open fault. The question
has two points, a window and a ground, so every check runs, and most of the cranes fit.

`layout_s` is the first question of a process, `relayout_s` the first after new charts of one crane, `stall_ms` the longest
that anything else in the process waited for its turn meanwhile.
"""

import argparse
import asyncio
import gc
import json
import logging
import random
import statistics
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import httpx
import psycopg
import structlog
from psycopg import sql
from psycopg.conninfo import make_conninfo

from api.app import create_api, running
from api.settings import ApiSettings
from boomledger.postgres import EmbeddedPostgres
from domain.crane import Crane, CraneType, DesignClass, Edition, Spread
from simulator.yard import load_yard
from store import cranes
from store.migrate import migrate

QUESTION = {
    "mass_kg": 900.0,
    "rigging_kg": 60.0,
    "outreach_m": 7.3,
    "hook_height_m": 2.0,
    "sectors": ["side", "rear"],
    "pick": {"outreach_m": 6.5, "hook_height_m": 1.5},
    "ground_bearing_kpa": 2000.0,
    "window": {"starts_at": "2027-03-02T06:00:00Z", "ends_at": "2027-03-02T10:00:00Z"},
}
REQUESTS = 21


def _database(url: str, name: str) -> str:
    """URL of a fresh migrated database on the server."""
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute(sql.SQL("create database {}").format(sql.Identifier(name)))
    made = make_conninfo(url, dbname=name)
    migrate(made)
    return made


def fill(url: str, count: int) -> None:
    """Store `count` cranes of the yard's types, each with a chart version of its own."""
    yard = load_yard()
    types = list({one.crane.type.name: one.crane.type for one in yard.cranes}.values())
    with psycopg.connect(url) as conn:
        cranes.save_site(conn, yard.site)
        for crane_type in types:
            cranes.save_type(conn, crane_type.model_copy(update={"charts": ()}))
        with conn.cursor() as cursor:
            cursor.executemany(
                "insert into crane (name, site_id, type_id, registered_at, spec)"
                " select %s, site_id, type_id, %s, %s from site, crane_type where crane_type.name = %s",
                [_crane(types[index % len(types)], yard.site.name, index) for index in range(count)],
            )
            cursor.executemany(
                "insert into load_chart_version (crane_id, valid_from, charts, source, imported_by)"
                " select crane_id, '2026-01-01', %s, 'invented', 'benchmark' from crane where name = %s",
                [(_charts(types[index % len(types)], index), f"bench-{index}") for index in range(count)],
            )
        conn.execute(
            "insert into crane_summary (crane_id, used_share, f1) select crane_id, crane_id % 90 / 100.0, 1.0 from crane"
        )
        conn.execute(
            "insert into fault_episode (crane_id, code, raised_at) select crane_id, 'H-207', now() from crane"
            " where crane_id % 20 = 0"
        )
        conn.commit()
        conn.execute("analyze")


def _crane(crane_type: CraneType, site: str, index: int) -> tuple[str, datetime, str, str]:
    crane = Crane(
        name=f"bench-{index}",
        type=crane_type,
        site=site,
        registered_at=datetime(2026, 1, 1, tzinfo=UTC),
        commissioned_on=date(2025, 1, 1),
        design=DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q3"),
    )
    return crane.name, crane.registered_at, crane.model_dump_json(exclude={"type", "site"}), crane_type.name


def _charts(crane_type: CraneType, index: int) -> str:
    """Charts of equal spreads, full and part, every second point, a little lower from crane to crane."""
    charts: list[dict[str, Any]] = []
    for chart in crane_type.charts:
        if chart.spread_left is not chart.spread_right or chart.spread_left is Spread.NONE:
            continue
        one = chart.model_dump(mode="json")
        one["points"] = [
            {**point, "capacity_kg": point["capacity_kg"] * (1 - index % 1000 / 10_000)}
            for point in one["points"][::2]
        ]
        charts.append(one)
    return json.dumps(charts)


def _new_charts(url: str) -> None:
    """A new version of the charts of one crane."""
    with psycopg.connect(url) as conn:
        conn.execute(
            "insert into load_chart_version (crane_id, valid_from, charts, source, imported_by)"
            " select crane_id, valid_from, charts, source, imported_by from load_chart_version limit 1"
        )


class _Beat:
    """The longest wait for a turn of the event loop while the block ran."""

    def __init__(self) -> None:
        self.longest_s = 0.0

    async def __aenter__(self) -> "_Beat":
        self._task = asyncio.create_task(self._run())
        await asyncio.sleep(0)
        return self

    async def __aexit__(self, *_problem: object) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    async def _run(self) -> None:
        before = time.perf_counter()
        while True:
            await asyncio.sleep(0.001)
            now = time.perf_counter()
            self.longest_s = max(self.longest_s, now - before - 0.001)
            before = now


async def match_through_the_api(url: str) -> dict[str, float]:
    """Seconds of the questions that lay the fleet out, and milliseconds of the later ones."""
    api = create_api(url, ApiSettings(open_access=True))
    transport = httpx.ASGITransport(api)
    async with running(api), httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:

        async def ask() -> tuple[float, dict[str, Any]]:
            started = time.perf_counter()
            answer = await client.post("/dispatch", json=QUESTION)
            taken = time.perf_counter() - started
            answer.raise_for_status()
            return taken, answer.json()

        # What a process loads at its first request is not counted.
        (await client.get("/version")).raise_for_status()
        gc.collect()
        gc.freeze()  # as `serve` does
        async with _Beat() as beat:
            layout_s, _ = await ask()
            await asyncio.to_thread(_new_charts, url)
            relayout_s, _ = await ask()
        taken = []
        for _ in range(REQUESTS):
            took, body = await ask()
            taken.append(1000 * took)
    return {
        "match_10000_ms": statistics.median(taken),
        "match_slowest_ms": max(taken),
        "layout_s": layout_s,
        "relayout_s": relayout_s,
        "stall_ms": 1000 * beat.longest_s,
        "fit_count": body["fit_count"],
        "ruled_out_count": sum(body["ruled_out"].values()),
        "answer_bytes": len(json.dumps(body)),
    }


async def assign_through_the_api(url: str, jobs: int) -> dict[str, float]:
    """Seconds to assign a day's list, the fleet being laid out already; windows of 1 to 4 hours over a day."""
    rng = random.Random(6)
    listed = []
    for index in range(jobs):
        start = datetime(2027, 3, 2, 5, tzinfo=UTC) + timedelta(minutes=rng.randrange(0, 600, 15))
        window = {
            "starts_at": start.isoformat(),
            "ends_at": (start + timedelta(hours=rng.randint(1, 4))).isoformat(),
        }
        job = {
            "mass_kg": rng.choice([300.0, 600.0, 1000.0, 1500.0]),
            "rigging_kg": 40.0,
            "outreach_m": rng.uniform(4.0, 12.0),
            "sectors": ["side", "rear"],
            "window": window,
        }
        listed.append({"title": f"job {index}", "job": job, "travel_minutes": 20})
    api = create_api(url, ApiSettings(open_access=True))
    transport = httpx.ASGITransport(api)
    async with running(api), httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        (await client.post("/dispatch", json=QUESTION)).raise_for_status()
        started = time.perf_counter()
        answer = await client.post("/dispatch/assignment", json={"jobs": listed}, timeout=600)
        taken = time.perf_counter() - started
        answer.raise_for_status()
    body = answer.json()
    return {
        "assign_200x300_s": taken,
        "assigned": body["assigned"],
        "points": body["points"],
        "greedy_assigned": body["greedy_assigned"],
        "greedy_points": body["greedy_points"],
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="end with one line of JSON")
    parser.add_argument("--cranes", type=int, default=10_000, help="fleet that one job is matched against")
    parser.add_argument("--jobs", type=int, default=200, help="jobs of the day's list")
    parser.add_argument("--list-cranes", type=int, default=300, help="fleet that the list is assigned to")
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
    with tempfile.TemporaryDirectory(prefix="boomledger-benchmark-") as folder:
        Path(folder).chmod(0o755)
        server = EmbeddedPostgres(Path(folder) / "postgres", {"fsync": "off"})
        url = server.start()
        try:
            matching, listing = (_database(url, name) for name in ("matching", "listing"))
            fill(matching, asked.cranes)
            found = asyncio.run(match_through_the_api(matching))
            fill(listing, asked.list_cranes)
            found |= asyncio.run(assign_through_the_api(listing, asked.jobs))
        finally:
            server.stop()
    found |= {"cranes": asked.cranes, "jobs": asked.jobs, "list_cranes": asked.list_cranes}
    if asked.json:
        print(json.dumps({name: round(value, 3) for name, value in found.items()}))
    else:
        for name, value in found.items():
            print(f"{name:18} {value:12.3f}")


if __name__ == "__main__":
    main()
