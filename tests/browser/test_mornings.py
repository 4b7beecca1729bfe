"""The morning of the fleet manager and of the engineer: from the start page to the decision, by clicks and keys only."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def test_the_fleet_manager_finds_who_runs_near_the_limit_and_where(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.get_by_label("Filter").fill("near limit")
    expect(page).to_have_url(f"{site}/?q=near+limit")
    expect(page.locator("#fleet-grid .ag-row").first).to_contain_text("near limit")
    page.get_by_label("Filter").fill("")
    first = page.locator(".bl-morning li").first
    expect(first).to_contain_text("ran near their limit")
    worst = first.locator("a").first.inner_text()
    assert page.locator("#fleet-grid .ag-row .bl-cell-crane a").first.inner_text() == worst
    first.locator("a").first.click()
    expect(page.locator("h1")).to_have_text(worst)
    expect(page).to_have_url(f"{site}/crane/{worst}?tab=duty")
    expect(page.get_by_role("heading", name="Working area")).to_be_visible()
    expect(page.locator("figure", has=page.get_by_role("heading", name="Working area"))).to_contain_text(
        "near the limit"
    )


def test_the_engineer_gets_from_the_fleet_to_the_evidence_of_a_lift(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.get_by_role("link", name="Life", exact=True).click()
    expect(page.locator("h1")).to_have_text("Life")
    page.locator("#life-grid .ag-row[row-index='0'] a").click()
    expect(page.get_by_role("heading", name="Used share")).to_be_visible()
    expect(page.locator("#page")).to_contain_text("Telemetry is no inspection")
    expect(page.get_by_role("heading", name="Which cycles do the damage")).to_be_visible()
    page.get_by_text("Formula and source").first.click()
    expect(page.locator("tr.bl-row-chosen").first).to_contain_text("in force")
    with page.expect_download() as report:
        page.get_by_role("link", name="Report as PDF").click()
    assert report.value.path().read_bytes().startswith(b"%PDF")
    page.locator("#page").get_by_role("link", name="Duty").click()
    expect(page.get_by_role("heading", name="Load spectrum against design")).to_be_visible()
    page.get_by_role("link", name="Lifts").click()
    page.locator("#lift-grid .ag-row a").first.click()
    expect(page.get_by_role("heading", name="Utilisation over time")).to_be_visible()
    expect(page).to_have_url(re.compile(r"tab=trace&from=.+&to=.+"))
