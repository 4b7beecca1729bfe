"""How fast the screens are: first figure, page change, callbacks, and what the browser has to load.

    python benchmarks/pages.py [--cranes 1000] [--days 1825] [--rounds 5] [--folder FOLDER] [--build-only]
                               [--engine on|off] [--without TRICK ...] [--hold-ms 0] [--json]

Builds a fleet of registered cranes with counted days in a fresh embedded database, serves api and dashboard in a process of
their own, and looks with the chromium of this machine. With --folder the database stays there for the next run, so that
building and measuring can be apart. --engine off serves ordinary Dash, --without leaves out one trick of dashboard/engine; --hold-ms
keeps the pointer down on a link for so long before the time of a page change begins. Ends with one line of JSON:

    first_figure_s    from an empty cache until the browser has painted the first figure with data: the week by week pictures
                      of the fleet page, which stand below its sentences; they come with the document, before any script [s]
    page_s            the same until the page itself has taken the place of that and can be used [s]
    table_s           the same until the table of 1000 cranes below them is painted [s]
    page_change_ms    median from a click on a page to its heading [ms]
    callback_p95_ms   95th percentile of the time that a callback takes to answer [ms]
    first_load_kb     compressed bytes of the first load [kB]
    page_change_kb    the largest compressed answer of a page change [kB]
"""

# ruff: noqa: E402
import argparse
import gc
import json
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

sys.path[0] = str(
    Path(__file__).resolve().parents[1]
)  # else `import analytics` would find the benchmark of that name

import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from analytics.worker import run as count
from api.app import create_api
from api.settings import ApiSettings
from boomledger.postgres import EmbeddedPostgres
from boomledger.yard import write_history
from dashboard.app import ALL, OFF, Trick, create_dashboard
from simulator.generate import generate
from simulator.yard import load_yard
from store import cranes, touched
from store.connection import connect
from store.migrate import migrate

PAGES = ("Dispatch", "Faults", "Life", "Alerts", "Service", "Data health", "Settings", "Fleet")
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def build(url: str, cranes_wanted: int, days: int) -> None:
    """A fleet whose counted days are copies, crane by crane, of one simulated and counted week."""
    migrate(url)
    today = datetime.now(UTC).date()
    yard, first = load_yard(today), today - timedelta(days=7)
    with connect(url) as conn:
        cranes.save_site(conn, yard.site)
        for place in range(cranes_wanted):
            pattern = yard.cranes[place % len(yard.cranes)].crane
            name = pattern.name if place < len(yard.cranes) else f"copy-{place:05d}"
            registered = datetime.combine(first - timedelta(days=days), datetime.min.time(), UTC)
            cranes.save_crane(conn, pattern.model_copy(update={"name": name, "registered_at": registered}))
        conn.commit()
    write_history(url, generate(yard.cranes, first, 7, dt_ms=1000, samples_per_message=600))
    count(url, threading.Event(), once=True)
    with connect(url) as conn:
        if left := touched.waiting_days(conn):
            raise SystemExit(f"{left} days could not be counted: see the log above")
    _copy_days(url, days)


def _copy_days(url: str, days: int) -> None:
    """Every crane gets summary, ledgers and counted days of its pattern, the days again and again back to `days` ago."""
    with connect(url, autocommit=True) as conn:
        conn.execute(
            "create table pattern as select crane_id, (crane_id - 1) % 12 + 1 as of_crane from crane"
        )
        for table, shift in (("crane_summary", 0), ("span_ledger", 0), ("day_figure", days // 7)):
            names = [
                row[0]
                for row in conn.execute(
                    "select attname from pg_attribute where attrelid = %s::regclass and attnum > 0"
                    " and not attisdropped and attname <> 'crane_id' order by attnum",
                    [table],
                )
            ]
            picked = ", ".join(
                "source.day - 7 * week.back" if name == "day" else f"source.{name}" for name in names
            )
            conn.execute(
                f"insert into {table} (crane_id, {', '.join(names)}) select pattern.crane_id, {picked} from pattern"
                f" join {table} source on source.crane_id = pattern.of_crane"
                f" cross join generate_series(0, {shift}) week(back) on conflict do nothing"
            )
        conn.execute("analyze")


def serve(url: str, found: Connection, tricks: frozenset[Trick]) -> None:
    """Api and dashboard on a free port, which goes into the pipe."""
    api = create_api(url, ApiSettings(open_access=True, secure_cookie=False))
    app = create_dashboard(api, tricks=tricks).server
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, timeout_graceful_shutdown=1))

    def tell() -> None:
        while not server.started:
            time.sleep(0.02)
        gc.collect()
        gc.freeze()  # as `serve` does
        found.send(server.servers[0].sockets[0].getsockname()[1])

    threading.Thread(target=tell, daemon=True).start()
    server.run()


@contextmanager
def served(url: str, tricks: frozenset[Trick]) -> Iterator[str]:
    """The address of a server in a process of its own, as a browser knows it: else each would wait for the other."""
    ours, theirs = get_context("spawn").Pipe()
    process = get_context("spawn").Process(target=serve, args=(url, theirs, tricks), daemon=True)
    process.start()
    try:
        if not ours.poll(60):
            raise SystemExit("the server did not start")
        yield f"http://127.0.0.1:{ours.recv()}"
    finally:
        process.terminate()
        process.join(30)


def fresh(browser: Browser) -> tuple[BrowserContext, Page]:
    context = browser.new_context(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
    context.set_default_timeout(120_000)
    return context, context.new_page()


PAINTED: Final = """
    window.painted = {};
    const parts = { figure: ".bl-multiples svg", page: "#page h1", table: "#fleet-grid .bl-bar-fill" };
    const look = () => {
        for (const [name, selector] of Object.entries(parts)) {
            if (name in painted || !document.querySelector(selector)) continue;
            painted[name] = 0;
            const frame = new MessageChannel();  // a message sent before a frame is drawn comes right after it
            frame.port1.onmessage = () => { painted[name] = performance.now(); };
            requestAnimationFrame(() => frame.port2.postMessage(0));
        }
    };
    new MutationObserver(look).observe(document, { childList: true, subtree: true });
"""


def first_load(browser: Browser, address: str) -> dict[str, float]:
    """Seconds to each part of the fleet page, and the compressed kilobytes that came for them."""
    context, page = fresh(browser)
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    received: list[float] = []
    wire.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
    page.add_init_script(PAINTED)
    page.goto(address, wait_until="commit")
    page.wait_for_function("painted.figure && painted.table")
    painted_ms = page.evaluate("painted")
    page.wait_for_timeout(1000)
    context.close()
    return {name: at / 1000 for name, at in painted_ms.items()} | {"kb": sum(received) / 1000}


def page_changes(
    browser: Browser, address: str, rounds: int, hold_ms: int
) -> tuple[list[tuple[str, float]], list[float], float]:
    """Milliseconds from click to heading, milliseconds of every callback, and the largest answer [kB]."""
    context, page = fresh(browser)
    asked: list[Any] = []

    def note(request: Any) -> None:
        if "/_dash-update-component" in request.url:
            asked.append(request)

    page.goto(address)
    page.wait_for_selector("#fleet-grid .bl-bar-fill")
    page.on("requestfinished", note)
    changes: list[tuple[str, float]] = []
    for _ in range(rounds):
        for name in PAGES:
            page.locator("nav").get_by_role("link", name=name, exact=True).hover()
            page.mouse.down()
            time.sleep(hold_ms / 1000)
            began = time.perf_counter()
            page.mouse.up()
            page.wait_for_function(
                "name => document.querySelector('#page h1')?.textContent === name", arg=name
            )
            changes.append((name, (time.perf_counter() - began) * 1000))
    page.wait_for_timeout(1000)
    callbacks = [one.timing["responseEnd"] - one.timing["requestStart"] for one in asked]
    sizes = [one.sizes()["responseBodySize"] / 1000 for one in asked]
    context.close()
    return changes, callbacks, max(sizes)


def measure(
    cranes_wanted: int,
    days: int,
    rounds: int,
    folder: Path,
    *,
    build_only: bool = False,
    tricks: frozenset[Trick] = ALL,
    hold_ms: int = 0,
) -> dict[str, object]:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        raise SystemExit("no chromium on this machine: apt-get install chromium")
    database = EmbeddedPostgres(folder / "postgres")
    built = folder / f"built-{cranes_wanted}-{days}"
    url = database.start()
    try:
        if not built.exists():
            build(url, cranes_wanted, days)
            built.touch()
        if build_only:
            return {"built": str(built)}
        with served(url, tricks) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=program, args=ARGS)
            first_load(browser, address)  # compresses the scripts, as the first visitor after a start does
            loads = [first_load(browser, address) for _ in range(rounds)]
            changes, callbacks, largest = page_changes(browser, address, rounds, hold_ms)
            browser.close()
    finally:
        database.stop()
    return {
        "cranes": cranes_wanted,
        "days": days,
        "engine": sorted(tricks),
        "hold_ms": hold_ms,
        "first_figure_s": round(statistics.median(load["figure"] for load in loads), 3),
        "page_s": round(statistics.median(load["page"] for load in loads), 3),
        "table_s": round(statistics.median(load["table"] for load in loads), 3),
        "page_change_ms": round(statistics.median(took for _, took in changes), 1),
        "page_change_by_page_ms": {
            name: round(statistics.median(took for one, took in changes if one == name), 1) for name in PAGES
        },
        "callback_p95_ms": round(statistics.quantiles(callbacks, n=20)[-1], 1),
        "first_load_kb": round(max(load["kb"] for load in loads), 1),
        "page_change_kb": round(largest, 1),
        "measured_on": datetime.now(UTC).date().isoformat(),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cranes", type=int, default=1000)
    parser.add_argument("--days", type=int, default=1825)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="where the database is kept and found again")
    parser.add_argument("--build-only", action="store_true", help="only build the fleet in the folder")
    parser.add_argument("--engine", choices=("on", "off"), default="on")
    parser.add_argument("--without", action="append", default=[], choices=list(Trick), metavar="TRICK")
    parser.add_argument("--hold-ms", type=int, default=0, help="how long the pointer stays down on a link")
    parser.add_argument("--json", action="store_true", help="only the line of JSON")
    asked = parser.parse_args()
    tricks = (ALL if asked.engine == "on" else OFF) - {Trick(name) for name in asked.without}
    with tempfile.TemporaryDirectory(prefix="boomledger-pages-") as own:
        folder = asked.folder or Path(own)
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o755)
        how: dict[str, Any] = {"build_only": asked.build_only, "tricks": tricks, "hold_ms": asked.hold_ms}
        result = measure(asked.cranes, asked.days, asked.rounds, folder, **how)
    if not asked.json:
        for name, value in result.items():
            print(f"{name:18} {value}")
    print(json.dumps(result))


if __name__ == "__main__":
    main()
