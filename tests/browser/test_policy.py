"""Every page works under the policy that it is served with: no inline script but its own, nothing evaluated."""

import threading
import time
from collections.abc import Iterator

import pytest
import uvicorn
from playwright.sync_api import Browser, Page

from api.app import create_api, guard
from dashboard.app import create_dashboard
from dashboard.login import PATH as LOGIN_PATH
from dashboard.policy import content_security_policy
from tests.browser.conftest import ENGINE, OPEN
from tests.browser.test_every_page import PAGES

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def walled_site(yard_url: str) -> Iterator[str]:
    """The yard's dashboard as `serve` serves it."""
    api = create_api(yard_url, OPEN)
    dash = create_dashboard(api, tricks=ENGINE)
    app = guard(
        dash.server, api, content_security_policy=content_security_policy(dash), login_page=LOGIN_PATH
    )
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, ws="websockets-sansio"))
    thread = threading.Thread(target=server.run)
    thread.start()
    ends = time.monotonic() + 60
    while not server.started and thread.is_alive() and time.monotonic() < ends:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(30)


@pytest.fixture
def bound(browser: Browser) -> Iterator[tuple[Page, list[str]]]:
    """A page and what it did against its policy."""
    context = browser.new_context()
    page = context.new_page()
    broken: list[str] = []
    page.on("console", lambda message: broken.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: broken.append(str(error)))
    yield page, broken
    context.close()


def settle(page: Page) -> None:
    """Wait until the page and its charts are drawn. Polled from here: a page may not evaluate."""
    page.wait_for_selector(
        "#page h1, #page [data-state=error], #page [data-state=not-allowed], #page [data-state=not-found], main h1"
    )
    drawn = (
        "() => document.querySelectorAll('.js-plotly-plot .main-svg').length"
        " >= document.querySelectorAll('.dash-graph').length"
    )
    ends = time.monotonic() + 30
    while not page.evaluate(drawn):
        assert time.monotonic() < ends, "the charts were not drawn"
        page.wait_for_timeout(100)


OFTEN = ("/", "/crane/yard-02", "/life/yard-02", "/replay/yard-02", LOGIN_PATH)


@pytest.mark.parametrize(
    "path",
    [*OFTEN, *(pytest.param(path, marks=pytest.mark.full) for path in PAGES if path not in OFTEN)],
)
def test_a_page_keeps_its_policy(path: str, walled_site: str, bound: tuple[Page, list[str]]) -> None:
    page, broken = bound
    answer = page.goto(walled_site + path)
    assert answer is not None
    policy = answer.headers["content-security-policy"]
    script = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "unsafe" not in script
    settle(page)
    page.wait_for_timeout(300)
    assert broken == []


def test_the_policy_stops_what_is_not_ours(walled_site: str, bound: tuple[Page, list[str]]) -> None:
    page, broken = bound
    page.goto(walled_site + "/")
    settle(page)
    assert broken == []
    page.evaluate(
        "() => { const script = document.createElement('script'); script.textContent = 'window.foreign = 1';"
        " document.body.append(script);"
        " const elsewhere = document.createElement('img'); elsewhere.src = 'https://elsewhere.example/x.png';"
        " document.body.append(elsewhere); setTimeout('window.foreign = 2', 0); }"
    )
    page.wait_for_timeout(300)
    assert page.evaluate("() => window.foreign") is None
    assert len([text for text in broken if "Content Security Policy" in text]) >= 3
