"""The same screens without the engine: every page opens, and what people do with pages works as ordinary Dash.

The tests that are named here run a second time, against a site of their own; with BOOMLEDGER_TEST_ENGINE=off all browser tests run so.
"""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page

from dashboard.app import OFF
from tests.browser.conftest import OPEN, served
from tests.browser.test_every_page import PAGES
from tests.browser.test_forms import test_an_interval_of_service_is_entered_done_and_forgotten  # noqa: F401
from tests.browser.test_links import (
    test_a_control_writes_the_address_and_the_address_sets_the_control,  # noqa: F401
    test_the_keyboard_reaches_the_page_the_search_and_a_crane,  # noqa: F401
    test_the_order_and_the_filters_of_a_grid_stand_in_the_address,  # noqa: F401
)
from tests.browser.test_live import (
    test_a_committed_reading_reaches_the_open_page_and_pause_holds_it,  # noqa: F401
)

pytestmark = pytest.mark.browser

THERE = """address => {
    const drawn = document.querySelector("#page h1, #page [data-state]:not([data-state=loading])");
    return window.location.pathname + window.location.search === address && drawn && drawn !== window.drawnBefore;
}"""
GO = """address => {
    window.drawnBefore = document.querySelector("#page h1, #page [data-state]:not([data-state=loading])");
    window.history.pushState({}, "", address);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
}"""


@pytest.fixture(scope="module")
def site(yard_url: str) -> Iterator[str]:
    """The address of the yard's dashboard as ordinary Dash."""
    with served(yard_url, OPEN, OFF) as address:
        yield address


def test_every_page_opens_one_after_the_other(site: str, watched, visit: Callable[[str], Page]) -> None:
    page = visit(site + "/service")
    assert not page.evaluate("Boolean(window.boomledger.Packed || document.getElementById('prerender'))")
    for path in PAGES:
        page.evaluate(GO, path)
        page.wait_for_function(THERE, arg=path)
        assert page.locator("#page [data-state=error]").count() == 0, path
    assert watched.said == []
    assert not [address for address in watched.asked if "/assets/engine/" in address]
