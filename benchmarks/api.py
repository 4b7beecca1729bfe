"""How long the api lets people wait: reads at many concurrent clients over years of counted duty.

python benchmarks/api.py --json         the last line is one line of JSON; 1000 cranes x 5 years, about a minute
python benchmarks/api.py --cranes 50    a quick look
python benchmarks/api.py --keep FOLDER  leave the filled database there, and take it as it is the next time

p95_ms          time to the last byte over all routes, clients pausing 1 s on average between requests, as people do
p95_ms_closed   the same without any pause: every client asks again at once, so this is the queue at full load
requests_s      requests a second without pause
server_cpu_ms   processor time of the server for a request of that mix; does not depend on what else the machine does
database_cpu_ms the same of the database's processes
memory_mb       largest resident set of the server over the run, and its growth over the second half

Server, database and clients share the machine. The server is one process behind a real socket, with a token, the gate
and row-level security in every request. Counted duty is invented: one week of ledgers, repeated; every year, month and the
last 35 days have ledgers, the years carry directions, the last 30 days have lifts.
"""

# ruff: noqa: E402
import argparse
import asyncio
import contextlib
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import httpx
import numpy as np
import psutil
import psycopg

from boomledger.postgres import EmbeddedPostgres
from duty import circumstances, directions, ledger, levels
from duty.edges import DEFAULT_EDGES
from simulator.yard import load_yard
from store import cranes
from store.access import create_user, new_secret, secret_sha256
from store.migrate import migrate

LAST_DAY = date(2026, 6, 30)
SERVE = """
import sys, uvicorn, logging, structlog
from api.app import create_api
from api.settings import ApiSettings
import duty
from boomledger.web_server import server_config, tune_process
structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
app = create_api(sys.argv[1], ApiSettings(secure_cookie=False))
duty.warm_up()
tune_process()
uvicorn.Server(server_config(app, host="127.0.0.1", port=int(sys.argv[2]))).run()
"""


def day_counts(seed: int) -> tuple[bytes, bytes, bytes, bytes, int]:
    """Mergeable counts of one invented day at one sample a second: ledger, directions, tallies, circumstances."""
    rng = np.random.default_rng(seed)
    values = np.full(8 * 3600, 4.0, np.float32)
    for at in rng.integers(0, values.size - 200, 40):
        values[at : at + 150] = rng.uniform(15, 98) + rng.normal(0, 1.5, 150)
    slew = np.repeat(rng.choice([20.0, 85.0, 110.0, 170.0], values.size // 300), 300).astype(np.float32)
    outreach = rng.uniform(3, 12, values.size).astype(np.float32)
    return (
        ledger.to_bytes(ledger.count(values, DEFAULT_EDGES)),
        directions.to_bytes(directions.count_directions(values, slew)),
        levels.to_bytes(levels.tally(1000, values, slew_deg=slew, outreach_m=outreach)),
        circumstances.to_bytes(
            circumstances.count(np.full(values.size, 1000), np.full(values.size, 9), values)
        ),
        values.size,
    )


def fill(url: str, count: int, years: int) -> None:
    """Cranes with `years` of days, months and years of counted duty; day ledgers of the last 90 days."""
    yard = load_yard()
    days = 365 * years
    with psycopg.connect(url, autocommit=True) as conn:
        cranes.save_site(conn, yard.site)
        for index in range(count):
            model = yard.cranes[index % len(yard.cranes)].crane
            cranes.save_crane(conn, model.model_copy(update={"name": f"crane-{index:04d}"}))
        conn.execute(
            "insert into counting (settings_hash, version, settings, in_use) values ('b', 1, '{}', true)"
        )
        conn.execute(
            "create temp table week (i int, ledger bytea, directions bytea, tallies bytea, circ bytea, n int)"
        )
        for index in range(7):
            conn.execute("insert into week values (%s, %s, %s, %s, %s, %s)", (index, *day_counts(index)))
        first = LAST_DAY - timedelta(days=days - 1)
        # Rows in bulk: no checks of keys that are known to hold, indexes at the end.
        conn.execute(
            "set session_replication_role = replica; set synchronous_commit = off; set work_mem = '256MB';"
            " set maintenance_work_mem = '512MB'"
        )
        for table in ("day_figure", "span_ledger", "lift"):
            conn.execute(
                f"alter table {table} set unlogged; alter table {table} drop constraint {table}_pkey"
            )
        conn.execute("drop index lift_peak_by_day")
        names = {"first": first, "last": LAST_DAY}
        conn.execute(
            "insert into day_figure (crane_id, counting_id, day, time_zone, day_start_at, day_end_at, first_at, last_at,"
            " samples, recorded_ms, working_ms, loaded_ms, near_limit_ms, lifts, near_limit_lifts, peak_cubed_sum,"
            " lift_part) select crane_id, 1, d::date, 'Europe/Vienna', d, d + interval '1 day', d + interval '6 hours',"
            " d + interval '14 hours', 28800, 28800000, 20000000, 6000000, (random() * 600000)::bigint, 40, 3,"
            " 8 + random(), '' from crane, generate_series(%(first)s::timestamptz, %(last)s, interval '1 day') d",
            names,
        )
        for span, start in (("day", LAST_DAY - timedelta(days=34)), ("month", first), ("year", first)):
            conn.execute(
                "insert into span_ledger select g.crane_id, 1, %(span)s::text, g.first, g.last, 28800 * g.days, w.ledger,"
                " case when %(span)s::text = 'year' then w.directions end, w.tallies, w.circ"
                " from (select crane_id, date_trunc(%(span)s::text, d)::date as first, max(d)::date as last, count(*) as days"
                "  from crane, generate_series(%(start)s::timestamptz, %(last)s, interval '1 day') d group by 1, 2) g"
                " join week w on w.i = g.crane_id %% 7",
                {"span": span, "start": start, "last": LAST_DAY},
            )
        conn.execute(
            "insert into lift (crane_id, counting_id, started_at, ended_at, day, peak_utilisation_pct,"
            " peak_structural_pct, mass_kg) select crane_id, 1, d, d + interval '3 min', d::date, 50, 45, 900"
            " from crane, generate_series(%(start)s::timestamptz, %(last)s, interval '12 min') d"
            " where extract(hour from d) between 6 and 13",
            {"start": LAST_DAY - timedelta(days=30), "last": LAST_DAY},
        )
        conn.execute(
            "insert into crane_summary (crane_id, counting_id, counted_at, days, recorded_ms, lifts, peak_cubed_sum,"
            " kq, coverage, f1, used_share) select crane_id, 1, now(), %(days)s, %(days)s * 28800000::bigint, %(days)s * 40,"
            " %(days)s * 8.5, 0.2125, 1, 1.0, 0.3 from crane",
            {"days": days},
        )
        conn.execute(
            "insert into live (crane_id, at, received_at, boot, online, last_values)"
            " select crane_id, now(), now(), 1, true, jsonb_build_object('utilisation_pct', 40.5) from crane"
        )
        for table, key in (
            ("day_figure", "crane_id, counting_id, day"),
            ("span_ledger", "crane_id, counting_id, span, first_day"),
            ("lift", "crane_id, counting_id, started_at"),
        ):
            conn.execute(f"alter table {table} add primary key ({key})")
        conn.execute(
            "create index lift_peak_by_day on lift (crane_id, counting_id, day, started_at) include (peak_structural_pct)"
        )
        conn.execute("vacuum (analyze)")  # as autovacuum leaves a table that is mostly read


def filled(url: str) -> bool:
    """Whether an earlier run has filled this database to its end."""
    with psycopg.connect(url) as conn:
        return conn.execute("select from account where name = 'bench'").fetchone() is not None


def token_for(url: str) -> str:
    """A viewer's token, new for every run."""
    secret = new_secret("token")
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("delete from api_token")
        conn.execute("delete from account")
        create_user(conn, "bench", new_secret("session"), "viewer")
        conn.execute(
            "insert into api_token (secret_sha256, account_id, title, role, expires_at)"
            " select %s, account_id, 'benchmark', 'viewer', now() + interval '1 day' from account",
            (secret_sha256(secret),),
        )
    return secret


@contextlib.contextmanager
def serving(url: str) -> Iterator[tuple[str, psutil.Process]]:
    """The api as a process of its own."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process = subprocess.Popen([sys.executable, "-c", SERVE, url, str(port)], cwd=ROOT)
    try:
        base = f"http://127.0.0.1:{port}"
        until = time.monotonic() + 120
        while time.monotonic() < until:
            with contextlib.suppress(httpx.TransportError):
                if httpx.get(f"{base}/readyz").status_code == 200:
                    break
            time.sleep(0.2)
        yield base, psutil.Process(process.pid)
    finally:
        process.terminate()
        process.wait(30)


def question(rng: random.Random, count: int) -> tuple[str, str, dict[str, str]]:
    """A read as people make them: (kind, path, query)."""
    crane = f"/cranes/crane-{rng.randrange(count):04d}"
    month = {"from": "2026-06-01T00:00:00Z", "to": "2026-06-30T00:00:00Z", "limit": "100"}
    kinds: list[tuple[int, str, str, dict[str, str]]] = [
        (10, "live", f"{crane}/live", {}),
        (5, "crane", crane, {}),
        (5, "life", f"{crane}/life", {}),
        (5, "spectrum, life", f"{crane}/spectrum", {}),
        (5, "spectrum, month", f"{crane}/spectrum", {"day_from": "2026-06-01", "day_to": "2026-06-30"}),
        (5, "lifts", f"{crane}/lifts", month),
        (5, "events", f"{crane}/events", month),
        (3, "cranes", "/cranes", {"limit": "100"}),
        (2, "fleet", "/fleet", {"day_from": "2026-06-01", "day_to": "2026-06-30"}),
    ]
    _, kind, path, query = rng.choices(kinds, [weight for weight, *_ in kinds])[0]
    return kind, path, query


async def ask(
    base: str, token: str, count: int, clients: int, seconds: float, pause_s: float
) -> dict[str, list[float]]:
    """Milliseconds by kind of read."""
    times: dict[str, list[float]] = defaultdict(list)
    ends = time.monotonic() + seconds
    limits = httpx.Limits(max_connections=clients, max_keepalive_connections=clients)
    headers = {"authorization": f"Bearer {token}", "accept-encoding": "identity"}
    async with httpx.AsyncClient(base_url=base, headers=headers, limits=limits, timeout=60) as http:

        async def client(number: int) -> None:
            rng = random.Random(number)
            while time.monotonic() < ends:
                if pause_s:
                    await asyncio.sleep(rng.expovariate(1 / pause_s))
                kind, path, query = question(rng, count)
                began = time.perf_counter()
                response = await http.get(path, params=query)
                times[kind].append((time.perf_counter() - began) * 1000)
                if response.status_code != 200:
                    raise RuntimeError(f"{path}: {response.status_code} {response.text[:200]}")

        await asyncio.gather(*(client(number) for number in range(clients)))
    return times


def cpu_s(processes: list[psutil.Process]) -> float:
    """Processor time of processes and their children so far [s]."""
    total = 0.0
    for process in processes:
        with contextlib.suppress(psutil.NoSuchProcess):
            for one in [process, *process.children(recursive=True)]:
                with contextlib.suppress(psutil.NoSuchProcess):
                    spent = one.cpu_times()
                    total += spent.user + spent.system
    return total


def p95(values: list[float]) -> float:
    """95th percentile."""
    return statistics.quantiles(values, n=20)[-1] if len(values) > 1 else values[0]


def measure(url: str, database_pid: int, arguments: argparse.Namespace) -> dict[str, Any]:
    """Fill, serve, ask, sum up."""
    began = time.perf_counter()
    if not filled(url):
        fill(url, arguments.cranes, arguments.years)
    filled_s = time.perf_counter() - began
    token = token_for(url)
    size = (arguments.cranes, arguments.clients)
    with serving(url) as (base, process):
        asyncio.run(ask(base, token, *size, seconds=3, pause_s=0.2))
        early = process.memory_info().rss
        database = psutil.Process(database_pid)
        spent = cpu_s([process]), cpu_s([database])
        paused = asyncio.run(ask(base, token, *size, seconds=arguments.seconds, pause_s=1.0))
        middle = process.memory_info().rss
        spent = cpu_s([process]) - spent[0], cpu_s([database]) - spent[1]
        closed = asyncio.run(ask(base, token, *size, seconds=arguments.seconds, pause_s=0.0))
        late = process.memory_info().rss
    for kind, values in sorted(paused.items()):
        print(
            f"{kind:16} {len(values):6} reads   median {statistics.median(values):7.1f} ms   p95 {p95(values):7.1f} ms"
        )
    every = [value for values in paused.values() for value in values]
    queue = [value for values in closed.values() for value in values]
    return {
        "p95_ms": round(p95(every), 1),
        "median_ms": round(statistics.median(every), 1),
        "p95_ms_closed": round(p95(queue), 1),
        "server_cpu_ms": round(1000 * spent[0] / len(every), 1),
        "database_cpu_ms": round(1000 * spent[1] / len(every), 1),
        "requests_s": round(len(queue) / arguments.seconds, 1),
        "p95_ms_by_read": {kind: round(p95(values), 1) for kind, values in sorted(paused.items())},
        "memory_mb": round(max(early, middle, late) / 1e6),
        "memory_growth_mb": round((late - middle) / 1e6, 1),
        "cranes": arguments.cranes,
        "years": arguments.years,
        "clients": arguments.clients,
        "filled_s": round(filled_s, 1),
        "load_average": round(os.getloadavg()[0], 1),
    }


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cranes", type=int, default=1000)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--clients", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=8)
    parser.add_argument("--keep", type=Path, help="folder of a database that stays filled between runs")
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = arguments.keep or stack.enter_context(
            tempfile.TemporaryDirectory(prefix="boomledger-bench-")
        )
        Path(folder).mkdir(exist_ok=True)
        Path(folder).chmod(0o755)
        server = EmbeddedPostgres(
            Path(folder) / "postgres",
            {"fsync": "off", "shared_buffers": "1GB", "max_wal_size": "4GB", "jit": "off"},
        )
        url = server.start()
        try:
            migrate(url)
            assert server.pid is not None
            found = measure(url, server.pid, arguments)
        finally:
            server.stop()
    print(
        json.dumps(found) if arguments.json else "\n".join(f"{key}: {value}" for key, value in found.items())
    )


if __name__ == "__main__":
    main()
