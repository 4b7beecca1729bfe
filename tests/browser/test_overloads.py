"""The overload register on screen: from the fleet to an open lift, its trace and its decision; who may only look."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from store.access import Role, create_user
from store.connection import connect
from tests.browser.test_forms import NOTICE, PASSWORD, sign_in

pytestmark = pytest.mark.browser


def test_an_engineer_decides_about_an_open_overload(
    site: str, yard_url: str, visit: Callable[[str], Page]
) -> None:
    with connect(yard_url) as conn:
        row = conn.execute(
            "select c.name, count(*) from overload o join crane c using (crane_id) where o.open"
            " group by c.name order by 2 desc, 1 limit 1"
        ).fetchone()
    assert row is not None, "the yard of this day has no overload"
    crane, still = row
    assert still > 1
    page = visit(f"{site}/fleet")
    page.locator(".bl-morning").get_by_role("link", name=crane).and_(
        page.locator("[href^='/overloads']")
    ).click()
    expect(page.locator("h1")).to_have_text(f"Overloads of {crane}")
    expect(page.locator("#page")).to_contain_text(f"{still} of them open")
    page.locator("#overload-grid .ag-row").first.get_by_role("link").click()
    expect(page.locator("h1")).to_have_text(f"Overload of {crane}")
    expect(page.locator(".js-plotly-plot .main-svg").first).to_be_visible()
    page.get_by_role("button", name="Save the decision").click()
    expect(page.get_by_label("Decision", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Decision", exact=True).fill("boom inspected, released")
    page.get_by_role("textbox", name="Cause").click()
    page.get_by_role("option", name="Other, see the note").click()
    page.get_by_role("button", name="Save the decision").click()
    expect(page.get_by_label("Note", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Note", exact=True).fill("bundle caught on the scaffold")
    page.get_by_role("button", name="Save the decision").click()
    expect(page.locator(NOTICE)).to_contain_text("The decision is saved")
    expect(page.locator("#decision")).to_contain_text("bundle caught on the scaffold")
    expect(page.get_by_text("Decide again")).to_be_visible()
    assert Axe().run(page).response["violations"] == []
    page.get_by_role("link", name="Register").click()
    expect(page.locator("#page")).to_contain_text(f"{still - 1} of them open")
    page.get_by_text("Decide on several at once").click()
    page.get_by_label("Structural peak up to [%]").fill("120")
    page.get_by_label("Decision", exact=True).fill("operators instructed")
    page.get_by_role("textbox", name="Cause").click()
    page.get_by_role("option", name="Outreach increased under load").click()
    page.get_by_role("button", name="Decide on these").click()
    expect(page.get_by_label("Structural peak up to [%]")).to_have_attribute("aria-invalid", "true")
    assert Axe().run(page).response["violations"] == []
    page.goto(f"{site}/life/{crane}")
    expect(page.locator("#overloads")).to_contain_text(f"{still - 1} of them open")


def test_a_viewer_sees_the_register_and_no_form(strict_site: str, yard_url: str, page: Page) -> None:
    with connect(yard_url) as conn:
        create_user(conn, "form-overload-viewer", PASSWORD, Role.VIEWER)
        conn.commit()
    sign_in(page, strict_site, "overload-viewer")
    page.goto(f"{strict_site}/overloads?state=all")
    page.locator("#overload-grid .ag-row").first.get_by_role("link").click()
    expect(page.locator("#decision")).to_contain_text("An engineer decides")
    expect(page.get_by_role("button", name="Save the decision")).to_have_count(0)
