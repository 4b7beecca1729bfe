"""The dispatcher on the phone: from the start page to a held crane, a day's list, load charts; every page is sound."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from store.connection import connect
from tests.browser.test_every_page import WIDTHS, violations

pytestmark = pytest.mark.browser

JOB = "mass_kg=1500&rigging_kg=60&outreach_m=9&spread_right=part&from=2027-04-06T06:00Z&to=2027-04-06T08:00Z"
LIST = "day=2027-04-07&jobs=Roof;08:00;10:00;20;1200;60;9;6%0APallets;08:00;09:30;15;800;40;6;%0Abroken;08:00;99:00;0;x;1;6;"
PAGES = (
    f"/dispatch?{JOB}&w_life_most=50&pick_outreach_m=6&out=too_far",
    "/dispatch?mass_kg=-1&outreach_m=9", "/dispatch/calendar?from=2027-04-05", f"/dispatch/day?{LIST}",
    "/dispatch/levelling", "/dispatch/measured", "/dispatch/charts", "/dispatch/charts/yard-04", "/dispatch/reservation/999999",
)  # fmt: skip


SMALL = """[...document.querySelectorAll('#page :is(a, button, summary, input, textarea, .bl-choice-one)')]
  .filter(one => !one.closest('.modebar, .ag-root-wrapper, .mantine-NumberInput-controls') && !/radio|checkbox|file/.test(one.type))
  .map(one => [one.className || one.tagName, one.textContent, one.getBoundingClientRect().height])
  .filter(([, , height]) => height > 0 && height < 43.5)"""
"""What is lower than a thumb wants it: 44 px. A checkbox has its label, a number its field."""


@pytest.mark.parametrize("path", PAGES)
def test_a_page_of_dispatch_is_sound(path: str, site: str, watched, visit: Callable[[str], Page]) -> None:
    page = visit(site + path)
    assert page.locator("h1").count() == 1
    for theme in ("light", "dark"):
        page.wait_for_selector(f':root[data-mantine-color-scheme="{theme}"]')
        assert violations(page) == []
        if theme == "light":
            page.click("#change-theme")
    for width, height in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert page.evaluate(SMALL) == []
    assert watched.said == []


def fill_job(page: Page, load: str = "1.5", rigging: str = "0.06") -> None:
    page.get_by_label("Load [t]").fill(load)
    page.get_by_label("Rigging [t]").fill(rigging)
    page.get_by_label("Outreach [m]").fill("9")


def choose_place(page: Page) -> None:
    """Over which side, and how far the stabilisers go."""
    page.get_by_role("textbox", name="Sector where it is set down").click()
    page.get_by_role("option", name="on the right").first.click()
    for side in ("Left", "Right"):
        page.get_by_role("radiogroup", name=f"{side}, what the place allows").get_by_text("full").click()


def test_the_morning_of_the_dispatcher_from_the_start_page_to_a_reservation(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("button", name="Pages").click()
    page.get_by_role("link", name="Dispatch").click()
    expect(page.get_by_label("Rigging [t]")).to_have_value("")
    fill_job(page)
    choose_place(page)
    page.get_by_label("Day", exact=True).fill("2027-03-02")
    page.get_by_label("From").fill("08:00")
    page.get_by_label("Until").fill("10:00")
    page.get_by_role("button", name="Find cranes").click()
    answer = page.locator("#dispatch-answer")
    expect(answer.locator("h2").first).to_contain_text("by chart and entries")
    expect(answer).to_contain_text("Headroom on a screen is not permission to lift")
    expect(answer).to_contain_text("estimate")
    expect(answer).to_contain_text("ruled out")
    # On a phone the answer stands before the form.
    assert answer.bounding_box()["y"] < page.get_by_role("button", name="Find cranes").bounding_box()["y"]
    best = page.locator(".bl-candidate a").first.inner_text()
    target = page.locator(".bl-candidate").first.get_by_role("link", name=f"Show the lift with {best}")
    assert target.bounding_box()["height"] >= 44
    page.goto(page.url)
    expect(page.locator(".bl-candidate a").first).to_have_text(best)
    page.get_by_label("Name of the job").fill("Roof trusses")
    page.get_by_role("button", name=f"Reserve {best}").click()
    expect(page.locator("h1")).to_have_text("Roof trusses")
    expect(page).to_have_url(re.compile(r"/dispatch/reservation/\d+$"))
    expect(page.locator("#page")).to_contain_text("08:00 – 10:00 CET")
    with page.expect_download() as sheet:
        page.get_by_role("button", name="Lift sheet (PDF)").click()
    assert sheet.value.path().read_bytes().startswith(b"%PDF")
    page.get_by_role("link", name="Ask again").click()
    expect(page.locator(".bl-candidate", has_text=best).first).to_contain_text("reserved until")
    page.go_back()
    expect(page.locator("h1")).to_have_text("Roof trusses")
    page.locator("#page").get_by_role("link", name="Calendar").last.click()
    expect(page.locator(".bl-entry")).to_contain_text("Roof trusses")
    page.locator(".bl-entry").click()
    page.get_by_text("Cancel the reservation", exact=True).first.click()
    page.get_by_role("button", name=re.compile("^Cancel the reservation")).click()
    expect(page.locator("#page")).to_contain_text("cancelled by")


def test_an_unfinished_job_is_sent_back_with_the_fields_to_mend(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/dispatch")
    page.get_by_label("Load [t]").fill("2")
    page.get_by_label("Until").fill("10:00")
    page.get_by_role("button", name="Find cranes").click()
    expect(page.locator("#job-problem")).to_contain_text("From")
    page.get_by_label("Until").fill("")
    page.get_by_role("button", name="Find cranes").click()
    expect(page.locator("#job-problem")).to_have_text("Look at: Rigging and Outreach.")
    expect(page.get_by_label("Outreach [m]")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Rigging [t]")).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Load [t]")).not_to_have_attribute("aria-invalid", "true")
    expect(page.locator(".bl-job")).to_contain_text("needed: above 0 to 100")
    fill_job(page, load="900")
    page.get_by_label("Outreach [m]").press("Enter")
    expect(page.locator(".bl-job")).to_contain_text("allowed: above 0 to 200")


def test_a_job_nobody_can_do_gets_reasons_and_no_ranking(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch?mass_kg=60000&rigging_kg=0&outreach_m=20")
    expect(page.locator("#dispatch-answer")).to_contain_text("No crane can take this job")
    assert page.locator(".bl-candidate").count() == 0
    assert page.locator(".bl-ruled-out .bl-notes li").count() >= 12


def test_a_days_list_is_typed_assigned_explained_and_held(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch/day?day=2027-04-08")
    for title, load in (("Roof", "1.2"), ("Pallets", "0.8")):
        page.get_by_label("Name of the job").fill(title)
        page.get_by_label("Load", exact=True).fill(load)
        page.get_by_label("Rigging", exact=True).fill("0")
        page.get_by_label("Outreach", exact=True).fill("6")
        page.get_by_role("button", name="Add a job").click()
        expect(page.locator(".bl-day-list > li", has_text=title)).to_be_visible()
    cranes = page.locator(".bl-day-list .bl-link").all_inner_texts()
    assert len(set(cranes)) == 2
    expect(page.locator("#page")).to_contain_text("taking the list from the top: 2 jobs")
    page.get_by_text("Reserve these 2 cranes").first.click()
    page.get_by_role("button", name=re.compile("^Reserve these 2 cranes")).click()
    expect(page.locator("h1")).to_have_text("Calendar")
    page.goto(f"{site}/dispatch/calendar?from=2027-04-08&days=1")
    expect(page.locator(".bl-entry")).to_have_count(2)
    # 08:00 to 10:00, and 20 minutes of travel before and after: on its way a crane is of no use to anybody.
    expect(page.locator(".bl-entry-time").first).to_contain_text(re.compile(r"07:40\s*–\s*10:20"))
    page.locator(".bl-entry").first.click()
    expect(page.locator("#sheet-print")).to_be_visible()
    page.get_by_text("Cancel the reservation").first.click()
    page.get_by_role("button", name=re.compile("^Cancel the reservation")).click()
    expect(page.locator("#page")).to_contain_text("cancelled by")
    expect(page.locator("#sheet-print")).to_have_count(0)


def test_a_chart_file_is_told_its_problems_by_line_then_entered(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/dispatch/charts/yard-12")
    head = "spread_left,spread_right,outreach_m,capacity_kg\n"
    page.locator("#chart-upload input").set_input_files(
        {
            "name": "bad.csv",
            "mimeType": "text/csv",
            "buffer": f"{head}full,full,3,2000\nfull,full,6,2500\n".encode(),
        }
    )
    field = page.get_by_label("Load charts as CSV")
    expect(field).to_have_value(f"{head}full,full,3,2000\nfull,full,6,2500\n")
    page.get_by_role("button", name="Send the file").click()
    expect(page.locator(".bl-problems li")).to_contain_text("Line 3:")
    expect(page.locator(".bl-problems li code")).to_have_text("full,full,6,2500")
    field.fill(f"{head}full,full,3,2000\nfull,full,6,900\n")
    page.get_by_role("button", name="Send the file").click()
    expect(page.locator(".bl-chart-form")).to_contain_text("The file is sound: one chart")
    page.get_by_label("Source").fill("invented plate")
    page.get_by_label("Holds from").fill("2027-06-01")
    page.get_by_role("textbox", name="What to do").click()
    page.get_by_role("option", name="enter it").click()
    page.get_by_role("button", name="Send the file").click()
    expect(page).to_have_url(f"{site}/dispatch/charts/yard-12?on=2027-06-01")
    expect(page.get_by_role("link", name=re.compile("from 1 Jun 2027"))).to_be_visible()
    expect(page.locator("#page")).to_contain_text("One chart in force on 1 Jun 2027")


def test_what_the_job_leaves_open_is_said_with_what_it_costs(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch?mass_kg=600&rigging_kg=20&outreach_m=7&sectors=side,rear")
    assumed = page.locator(".bl-assumed li")
    expect(assumed.last).to_contain_text("Pick-up not entered.")
    expect(assumed.first).to_contain_text("of rated capacity")
    words = " ".join(assumed.all_inner_texts())
    assert "Sector not entered." in words
    assert "Stabilisers not entered." in words
    assert "Hook height not entered." in words
    # The same job with everything said carries at least as much, and says nothing of sector, stabilisers and hook height.
    job = "mass_kg=600&rigging_kg=20&outreach_m=7&hook_height_m=2&sector=rear&spread_left=full&spread_right=full"
    page.goto(f"{site}/dispatch?{job}")
    expect(page.locator(".bl-assumed li")).to_have_count(1)
    expect(page.locator(".bl-assumed li")).to_contain_text("Pick-up not entered.")


def test_the_drawing_names_the_capacity_of_the_answer(site: str, visit: Callable[[str], Page]) -> None:
    job = "mass_kg=600&rigging_kg=20&outreach_m=7&hook_height_m=2&sector=rear&spread_left=full&spread_right=full"
    page = visit(f"{site}/dispatch?{job}")
    label = page.locator("#job-view .bl-callout").last
    expect(label).to_contain_text(" at ")
    shown = page.locator(".bl-candidate-shown .bl-link").first.inner_text()
    asked = {
        "mass_kg": 600,
        "rigging_kg": 20,
        "outreach_m": 7,
        "sector": "rear",
        "spread_left": "full",
        "spread_right": "full",
    }
    answer = page.request.post(f"{site}/api/v1/dispatch", data=asked).json()
    capacity = next(row["capacity_kg"] for row in answer["candidates"] if row["crane"] == shown)
    number, unit = (label.text_content() or "").replace("\u202f", "").split()[:2]
    named = float(number) * (1000 if unit == "t" else 1)
    assert capacity - 10 <= named <= capacity


def test_a_crane_that_needs_an_override_asks_for_the_reason(
    site: str, yard_url: str, visit: Callable[[str], Page]
) -> None:
    with connect(yard_url) as conn:
        conn.execute(
            "insert into fault_episode (crane_id, code, raised_at, text)"
            " select crane_id, 'X-900', now(), 'invented' from crane where name = 'yard-04'"
        )
        conn.commit()
    try:
        job = "mass_kg=300&rigging_kg=0&outreach_m=5&sector=rear&spread_left=full&spread_right=full"
        window = "from=2026-12-14T06:00Z&to=2026-12-14T08:00Z"
        page = visit(f"{site}/dispatch?{job}&{window}&show=yard-04")
        expect(page.locator(".bl-hold")).to_contain_text("yard-04 needs an override: open fault X-900")
        page.get_by_label("Name of the job").fill("Roof")
        page.get_by_role("button", name="Reserve yard-04").click()
        expect(page.locator(".bl-hold")).to_contain_text("override_reason")
        page.get_by_label("Why it is used all the same").fill("the workshop looked at it")
        page.get_by_role("button", name="Reserve yard-04").click()
        expect(page.locator("#page")).to_contain_text("Reserved with an override: the workshop looked at it")
    finally:
        with connect(yard_url) as conn:
            conn.execute("delete from fault_episode where code = 'X-900'")
            conn.commit()


def test_a_pasted_list_is_read_in_the_units_of_the_form(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch/day?day=2027-04-09")
    page.get_by_text("The whole list as text").click()
    page.get_by_label("Jobs").fill("Roof;08:00;10:00;20;1.2;0.06;9;6;rear")
    page.get_by_role("button", name="Take this list").click()
    expect(page.locator(".bl-day-list > li")).to_contain_text("1.26")
    assert "1200" in page.url
