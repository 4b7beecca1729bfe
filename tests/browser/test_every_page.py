"""What holds for every page: one heading, no accessibility violation in either theme, no sideways scrolling,
a quiet console, and no request to another host."""

from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

pytestmark = pytest.mark.browser

JOB = "mass_kg=1500&rigging_kg=50&outreach_m=9&hook_height_m=2&spread_left=full&spread_right=part"
PAGES = (
    "/", "/crane/yard-02", "/crane/yard-02?tab=duty&days=all", "/crane/yard-02?tab=lifts&days=dates",
    "/crane/yard-02?tab=events&kinds=faults", "/crane/yard-03?tab=trace",
    "/dispatch", f"/dispatch?{JOB}", "/life", "/life/yard-02", "/life/yard-02/dossier", "/life/yard-02/records", "/faults?kinds=all", "/service", "/data", "/data?crane=yard-07",
    "/overloads?state=all", "/overloads/yard-02",
    "/replay", "/replay/yard-02", "/alerts?show=all", "/settings", "/settings?crane=yard-02", "/settings?tab=history", "/settings?tab=service", "/settings?tab=codes",
    "/settings?tab=alerts", "/settings?tab=people", "/settings?tab=access", "/settings?tab=kept", "/nowhere", "/crane/nobody",
)  # fmt: skip
TALL_ROWS = ("/data", "/overloads?state=all", "/settings?tab=history", "/settings?tab=codes")
CUT = """[...document.querySelectorAll('.bl-grid .bl-cell-wrap, .bl-tabs')].filter(one => one.offsetParent !== null)
  .filter(one => one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1).length === 0"""
WIDTHS = {1440: 900, 768: 1024, 390: 844, 320: 800}


def violations(page: Page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {node['html'][:200]}" for one in found for node in one["nodes"]]


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_sound(path: str, site: str, watched, visit: Callable[[str], Page]) -> None:
    page = visit(site + path)
    page.wait_for_function(
        "document.querySelectorAll('.js-plotly-plot .main-svg').length >= document.querySelectorAll('.dash-graph').length"
    )
    assert page.locator("h1").count() <= 1
    assert violations(page) == []
    page.click("#change-theme")
    page.wait_for_selector(':root[data-mantine-color-scheme="dark"]')
    assert violations(page) == []
    for width, height in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        if path in TALL_ROWS:
            page.wait_for_function(CUT)
    assert watched.said == []
    assert {urlsplit(address).netloc for address in watched.asked if not address.startswith("data:")} == {
        urlsplit(site).netloc
    }


def test_on_paper_a_grid_has_all_of_its_rows(site: str, visit: Callable[[str], Page]) -> None:
    """It draws only the rows in view; a plain table of all of them stands in while the page is printed."""
    page = visit(site + "/fleet")
    page.wait_for_selector("#fleet-grid .bl-bar-fill")
    listed = page.evaluate("window.dash_ag_grid.getApi('fleet-grid').getDisplayedRowCount()")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert listed > 0
    assert page.locator("[data-grid=fleet-grid] .bl-paper tbody tr").count() == listed
    assert not page.locator("#fleet-grid").is_visible()
    cells = page.locator("[data-grid=fleet-grid] .bl-paper tbody td").all_inner_texts()
    assert {f"yard-0{number}" for number in (1, 2)} <= {text.split(",")[0] for text in cells}
    assert not {"[object Object]", "undefined"} & set(cells)
    page.emulate_media(media="screen")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator(".bl-paper").count() == 0


def test_paper_is_light_also_from_the_dark_theme(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(site + "/life/yard-02")
    page.click("#change-theme")
    page.wait_for_selector(':root[data-mantine-color-scheme="dark"]')
    ink = "getComputedStyle(document.querySelector('#page h1')).color"
    tick = "getComputedStyle(document.querySelector('.js-plotly-plot .xtick text')).fill"
    page.wait_for_selector(".js-plotly-plot .xtick text")
    page.wait_for_function(f"{tick} === 'rgb(170, 181, 184)'")
    dark = page.evaluate(ink), page.evaluate(tick)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(f"{tick} !== '{dark[1]}'")
    assert page.evaluate(ink) == "rgb(26, 34, 37)"
    assert page.evaluate(tick) == "rgb(74, 85, 89)"
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.wait_for_function(f"{tick} === '{dark[1]}'")
    assert page.evaluate(ink) == dark[0]
