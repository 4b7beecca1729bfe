"""Screens on the real stack: embedded PostgreSQL, the api, the dashboard, and a browser that looks at them.

The yard is the invented one with three weekdays of simulated work, counted by the analytics worker.
"""

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, expect, sync_playwright

from analytics.worker import run as count
from api.app import create_api
from api.settings import ApiSettings
from boomledger.yard import register, running_day, write_history
from dashboard.app import ALL, OFF, Trick, create_dashboard
from simulator.calendar import works_on
from simulator.generate import generate
from simulator.yard import Yard, load_yard
from store import cranes
from store.connection import connect
from store.events import keep_values, tell
from tests.support.databases import new_database

HISTORY_WEEKDAYS = 3  # cranes of the yard stand still at weekends
PATIENCE_MS = 30_000
expect.set_options(timeout=PATIENCE_MS)  # a busy machine is slow, not wrong
CHROMIUM_ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
]  # fmt: skip


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """The chromium of this machine."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=CHROMIUM_ARGS)
        yield opened
        opened.close()


def days_back(today: date, weekdays: int) -> int:
    """How many days before a day hold so many weekdays."""
    return next(
        days
        for days in range(weekdays, 7 + 2 * weekdays)
        if sum((today - timedelta(days=back)).weekday() < 5 for back in range(1, days + 1)) == weekdays
    )


def busy_seed(yard: Yard, first: date, days: int) -> int:
    """A seed with which every crane works on two of these days at least: no page is empty by chance on some date."""
    of_all = [first + timedelta(days=number) for number in range(days)]
    return next(
        seed
        for seed in range(1, 1000)
        if all(sum(works_on(crane, day, seed) for day in of_all) >= 2 for crane in yard.cranes)
    )


@pytest.fixture(scope="package")
def yard_url(database_server: str, database_template: str) -> Iterator[str]:
    """A database with the invented yard at work, counted."""
    with new_database(database_server, database_template) as url:
        today = running_day(datetime.now(UTC))  # the pages show the days before the running one
        yard, days = load_yard(today), days_back(today, HISTORY_WEEKDAYS)
        first = today - timedelta(days=days)
        register(url, yard, first)
        seed = busy_seed(yard, first, days)
        write_history(url, generate(yard.cranes, first, days, seed, dt_ms=1000, samples_per_message=600))
        count(url, threading.Event(), once=True)
        yield url


ENGINE = OFF if os.environ.get("BOOMLEDGER_TEST_ENGINE") == "off" else ALL


@contextlib.contextmanager
def served(url: str, settings: ApiSettings, tricks: frozenset[Trick] = ENGINE) -> Iterator[str]:
    """The address of a dashboard with its api over a database."""
    server = uvicorn.Server(
        uvicorn.Config(
            create_dashboard(create_api(url, settings), tricks=tricks).server,
            port=0,
            log_config=None,
            ws="websockets-sansio",
        )
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    ends = time.monotonic() + 60
    while not server.started and thread.is_alive() and time.monotonic() < ends:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(30)


OPEN = ApiSettings(open_access=True, secure_cookie=False)


@pytest.fixture(scope="package")
def site(yard_url: str) -> Iterator[str]:
    """The address of the yard's dashboard, open on loopback."""
    with served(yard_url, OPEN) as address:
        yield address


@pytest.fixture(scope="package")
def empty_site(database_server: str, database_template: str) -> Iterator[str]:
    """The address of a dashboard over a database without any crane."""
    with new_database(database_server, database_template) as url, served(url, OPEN) as address:
        yield address


@pytest.fixture(scope="package")
def strict_site(yard_url: str) -> Iterator[str]:
    """The address of the yard's dashboard for people who have to sign in."""
    with served(yard_url, ApiSettings(secure_cookie=False)) as address:
        yield address


class Watched:
    """A page with what its console said and which addresses it asked for."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.said: list[str] = []
        self.asked: list[str] = []
        page.on(
            "console", lambda message: self.said.append(message.text) if message.type == "error" else None
        )
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("websocket", lambda socket: self.asked.append(socket.url))


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    """A fresh page, as wide as a desk."""
    context = browser.new_context(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
    context.set_default_timeout(PATIENCE_MS)
    yield Watched(context.new_page())
    context.close()


@pytest.fixture
def page(watched: Watched) -> Page:
    """The same without the watching."""
    return watched.page


@pytest.fixture
def visit(page: Page) -> Callable[[str], Page]:
    """Opens an address and waits until the page is drawn."""

    def open_at(address: str) -> Page:
        page.goto(address)
        page.wait_for_selector(
            "#page h1, #page [data-state=error], #page [data-state=not-allowed], #page [data-state=not-found]"
        )
        return page

    return open_at


@pytest.fixture
def live(yard_url: str) -> Callable[..., None]:
    """Commits a crane's newest readings as ingest does, and tells the listeners."""

    def commit(name: str, values: dict[str, float], *, minutes_ago: float) -> None:
        now = datetime.now(UTC)
        with connect(yard_url) as conn:
            crane_id = cranes.directory(conn)[name].crane_id
            keep_values(conn, {crane_id: (now - timedelta(minutes=minutes_ago), values)}, now)
            tell(conn, [name])
            conn.commit()

    return commit
