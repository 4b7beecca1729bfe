"""A page that lost its server or its session says so, and one of a system that does not work."""

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def test_a_lost_server_a_lost_session_and_a_dead_ingest_are_told_on_the_page(
    site: str, visit: Callable[[str], Page], live
) -> None:
    live("yard-01", {"utilisation_pct": 31.0}, minutes_ago=0)
    page = visit(f"{site}/crane/yard-01?tab=now")
    banner = page.locator("#contact")
    expect(banner).to_be_hidden()
    page.route("**/api/v1/system", lambda route: route.abort())
    expect(banner).to_contain_text("No answer from the server. The last one came at ")
    expect(banner).to_contain_text("Trying again every 5 s")
    expect(page.locator(".bl-while-heard")).to_be_hidden()
    expect(page.get_by_text("Connection not known now")).to_be_visible()

    page.unroute("**/api/v1/system")
    page.route("**/api/v1/system", lambda route: route.fulfill(status=401, json={"title": "no"}))
    way = banner.get_by_role("link", name="Sign in and come back here")
    expect(way).to_be_visible()
    there = urlsplit(way.get_attribute("href") or "")
    assert there.path == "/login"
    assert parse_qs(there.query)["next"] == ["/crane/yard-01?tab=now"]

    page.unroute("**/api/v1/system")
    expect(banner).to_be_hidden()
    expect(page.locator(".bl-while-heard")).to_be_visible()
