"""Values move on the page as they are committed, until someone presses pause."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def reading(page: Page, name: str):
    return page.locator(".bl-fact", has=page.get_by_text(name, exact=True)).locator(".bl-live-value")


def test_a_committed_reading_reaches_the_open_page_and_pause_holds_it(
    site: str, visit: Callable[[str], Page], live
) -> None:
    pose = {"main_boom_deg": 60.0, "knuckle_boom_deg": 10.0, "extension_m": 1.0}
    live("yard-01", {"utilisation_pct": 31.0, **pose}, minutes_ago=0)
    page = visit(f"{site}/crane/yard-01")
    expect(reading(page, "Utilisation")).to_have_text("31\u00a0%")
    page.wait_for_selector("#live[data-live=yes]", state="attached")
    boom = page.locator("#side-view polygon.bl-boom-main")
    drawn = str(boom.get_attribute("points"))
    live("yard-01", {"utilisation_pct": 97.0, **pose, "main_boom_deg": 20.0}, minutes_ago=0)
    expect(reading(page, "Utilisation")).to_have_text("97\u00a0%")
    expect(page.locator(".bl-now-facts .bl-mark").first).to_have_text("Above the warning")
    expect(boom).not_to_have_attribute("points", drawn)
    page.get_by_role("button", name="Pause").click()
    expect(page.get_by_role("button", name="Resume")).to_be_visible()
    live("yard-01", {"utilisation_pct": 12.0, **pose}, minutes_ago=0)
    page.wait_for_function("document.getElementById('live').dataset.newest.includes('12')")
    expect(reading(page, "Utilisation")).to_have_text("97\u00a0%")
    page.get_by_role("button", name="Resume").click()
    expect(reading(page, "Utilisation")).to_have_text("12\u00a0%")


def test_the_fleet_follows_as_well(site: str, visit: Callable[[str], Page], live) -> None:
    page = visit(site)
    page.wait_for_selector("#live[data-live=yes]", state="attached")
    live("yard-06", {"utilisation_pct": 77.0}, minutes_ago=0)
    row = page.locator("#fleet-grid .ag-row", has=page.get_by_role("link", name="yard-06", exact=True))
    expect(row.locator(".bl-live-value")).to_have_text("77\u00a0%")
