"""The morning of each of the three people: from the start page to the decision, by clicks and keys only."""

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
    page.locator("#page .bl-life-list a").first.click()
    expect(page.get_by_role("heading", name="Used share")).to_be_visible()
    expect(page.locator("#page")).to_contain_text("Telemetry is no inspection")
    expect(page.get_by_role("heading", name="Which cycles do the damage")).to_be_visible()
    page.get_by_text("Formula and source").click()
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


def test_the_dispatcher_asks_on_a_phone_and_sends_the_answer_on(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("button", name="Pages").click()
    page.get_by_role("link", name="Dispatch").click()
    page.get_by_label("Load [t]").fill("1.5")
    page.get_by_label("Outreach [m]").fill("9")
    page.get_by_label("Outreach [m]").press("Enter")
    expect(page.locator("#dispatch-answer h2").first).to_contain_text("can take it")
    expect(page.locator("#dispatch-answer")).to_contain_text("Headroom on a screen is not permission to lift")
    expect(page.locator("#dispatch-answer")).to_contain_text("ruled out")
    best = page.locator(".bl-candidate a").first.inner_text()
    target = page.locator(".bl-candidate").first.get_by_role("link", name=f"Show the lift with {best}")
    assert target.bounding_box()["height"] >= 44
    page.goto(page.url)
    expect(page.locator(".bl-candidate a").first).to_have_text(best)


def test_an_unfinished_job_is_sent_back_with_the_fields_to_mend(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/dispatch")
    page.get_by_label("Load [t]").fill("2")
    page.get_by_role("button", name="Find cranes").click()
    expect(page.get_by_role("alert")).to_have_text("Fill in the marked fields.")
    expect(page.get_by_label("Outreach [m]")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Load [t]")).not_to_have_attribute("aria-invalid", "true")


def test_a_job_nobody_can_do_gets_reasons_and_no_ranking(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch?mass_kg=60000&outreach_m=20")
    expect(page.locator("#dispatch-answer")).to_contain_text("No crane can take this job")
    assert page.locator(".bl-candidate").count() == 0
    assert page.locator(".bl-ruled-out .bl-notes li").count() >= 12
