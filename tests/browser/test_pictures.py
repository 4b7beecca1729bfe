"""Loading, empty, error, stale, not allowed, not found: different pictures, each with the next step."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from dashboard.client import Client
from domain.errors import Unavailable
from tests.browser.conftest import OPEN, served

pytestmark = pytest.mark.browser


def picture(page: Page, kind: str):
    return page.locator(f"#page [data-state={kind}]")


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/life",
        "/replay",
        "/service",
        "/data",
        "/faults",
        "/settings",
        "/dispatch",
        "/alerts",
        "/settings?tab=service",
        "/settings?tab=codes",
    ],
)
def test_an_empty_system_draws_every_page(
    path: str, empty_site: str, watched, visit: Callable[[str], Page]
) -> None:
    page = visit(empty_site + path)
    expect(page.locator("#page h1")).to_be_visible()
    assert watched.said == []


def test_an_empty_fleet_leads_to_the_first_crane(empty_site: str, visit: Callable[[str], Page]) -> None:
    page = visit(empty_site)
    expect(picture(page, "empty")).to_contain_text("Register it")
    expect(picture(page, "empty").locator("code").nth(1)).to_have_text("boomledger crane add crane.json")
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("link", name="Register a crane").click()
    expect(page.locator("h1")).to_have_text("Settings")
    expect(page.get_by_role("heading", name="Register a crane")).to_be_visible()


def test_the_first_visitor_after_a_start_may_come_by_a_deep_link(yard_url: str, watched) -> None:
    with served(yard_url, OPEN) as address:
        page = watched.page
        page.goto(f"{address}/crane/yard-02")
        expect(page.locator("#side-view svg")).to_be_visible()
        assert watched.said == []


def test_one_part_that_does_not_come_leaves_the_rest_standing(
    site: str, visit: Callable[[str], Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def gone(*_args: object, **_kwargs: object) -> None:
        raise Unavailable("the database cannot be reached now")

    monkeypatch.setattr(Client, "damage", gone)
    page = visit(f"{site}/life/yard-02")
    expect(picture(page, "partial")).to_contain_text("the database cannot be reached now")
    expect(page.get_by_role("heading", name="Used share")).to_be_visible()


def test_loading_is_drawn_until_the_page_comes(site: str, page: Page) -> None:
    held = []
    page.route("**/_dash-update-component*", lambda route: held.append(route))
    page.goto(site)
    expect(picture(page, "loading")).to_be_visible()
    while held:
        held.pop().continue_()
    page.unroute("**/_dash-update-component*")
    expect(page.locator("#page h1")).to_have_text("Fleet")


def test_an_unknown_crane_and_an_unknown_page_say_so(site: str, visit: Callable[[str], Page]) -> None:
    expect(picture(visit(f"{site}/crane/nobody"), "not-found")).to_contain_text("nobody")
    page = visit(f"{site}/no/such/page")
    expect(picture(page, "not-found")).to_contain_text("/no/such/page")
    page.get_by_role("link", name="To the fleet").click()
    expect(page.locator("h1")).to_have_text("Fleet")


def test_a_span_that_cannot_be_read_is_an_error_with_a_way_on(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/crane/yard-02?tab=trace&from=yesterday")
    expect(picture(page, "error")).to_contain_text("ISO times")
    expect(page.get_by_role("link", name="Try again")).to_be_visible()


def test_who_is_not_signed_in_is_led_to_the_log_in_page(
    strict_site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(strict_site)
    expect(picture(page, "not-allowed")).to_be_visible()
    page.locator("#page").get_by_role("link", name="Sign in").click()
    assert Axe().run(page).response["violations"] == []
    page.get_by_label("Account").fill("nobody")
    page.get_by_label("Password").fill("not the password")
    page.route("**/api/v1/login", lambda route: route.abort())
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_have_text("The server did not answer. Try again in a moment.")
    page.unroute("**/api/v1/login")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_have_text("Account or password is wrong.")


def test_an_old_reading_is_grey_and_says_stale(
    site: str, yard_url: str, visit: Callable[[str], Page], live
) -> None:
    live("yard-03", {"utilisation_pct": 42.0, "main_boom_deg": 60.0, "knuckle_boom_deg": 0.0}, minutes_ago=90)
    page = visit(f"{site}/crane/yard-03")
    expect(page.locator(".bl-now-stale .bl-age-stale")).to_contain_text("stale")
    expect(page.locator(".bl-now .bl-mark").first).to_have_text("No reading")
