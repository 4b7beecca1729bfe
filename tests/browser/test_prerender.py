"""The page before its scripts: seen, not usable, and gone when the page itself is there."""

import pytest
from playwright.sync_api import Page, Route, expect

from dashboard.engine import prerender
from tests.browser.conftest import ENGINE

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not ENGINE, reason="the engine is off: BOOMLEDGER_TEST_ENGINE"),
]


def test_words_are_seen_before_any_script_has_run(
    site: str, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(prerender, "WAIT_S", 60)
    held: list[Route] | None = []

    def hold(route: Route) -> None:
        if held is None:
            route.continue_()
        else:
            held.append(route)

    page.route("**/_dash-component-suites/**", hold)
    page.emulate_media(color_scheme="dark")
    page.goto(f"{site}/fleet", wait_until="commit")
    first = page.locator("#prerender")
    expect(first.locator("h1")).to_have_text("Fleet")
    expect(first.locator(".bl-sentences li").first).to_contain_text("limit")
    ground = first.evaluate("one => getComputedStyle(one).backgroundColor")
    assert page.locator("#page").count() == 0
    assert page.get_by_role("link").count() == 0  # nothing of it can be used or is read out
    waiting, held = held, None
    for one in waiting:
        one.continue_()
    expect(page.locator("#page h1")).to_have_text("Fleet")
    expect(first).to_have_count(0)
    expect(page.locator("body")).to_have_css("background-color", ground)


def test_a_page_comes_in_the_units_of_last_time_at_once(site: str, page: Page) -> None:
    page.goto(f"{site}/dispatch?mass_kg=1500&rigging_kg=0&outreach_m=9")
    page.click("#change-units")
    expect(page.get_by_label("Load [lb]")).to_have_value("3307")
    asked: list[str] = []
    page.on(
        "request", lambda one: asked.append(one.post_data or "") if "update-component" in one.url else None
    )
    page.reload()
    expect(page.get_by_label("Load [lb]")).to_have_value("3307")
    drawn = [one for one in asked if '"page"' in one and '"units"' in one]
    assert len(drawn) == 1
    assert '"us"' in drawn[0]


def test_it_leaves_where_no_script_ever_comes(site: str, page: Page) -> None:
    page.route("**/_dash-component-suites/**", lambda route: route.abort())
    page.goto(f"{site}/fleet", wait_until="commit")
    first = page.locator("#prerender")
    expect(first.locator("h1")).to_be_visible()
    page.evaluate("document.getAnimations().forEach(one => one.finish())")
    expect(first).to_be_hidden()  # figures that nothing keeps current do not stay


def test_a_page_is_begun_when_the_pointer_goes_down_on_the_way_to_it(site: str, page: Page) -> None:
    page.goto(f"{site}/service")
    link = page.locator("nav").get_by_role("link", name="Faults")
    link.hover()
    with page.expect_response(f"{site}/faults") as begun:
        page.mouse.down()
    assert begun.value.status == 204
    page.mouse.up()
    expect(page.locator("#page h1")).to_have_text("Faults")
