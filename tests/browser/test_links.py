"""Deep links, keys, units, search, downloads: what people do with a page besides reading it."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from store.connection import connect

pytestmark = pytest.mark.browser


def test_a_control_writes_the_address_and_the_address_sets_the_control(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.get_by_text("30 days", exact=True).click()
    expect(page).to_have_url(f"{site}/?days=30")
    again = page.context.new_page()
    again.goto(page.url)
    expect(again.get_by_role("radio", name="30 days")).to_be_checked()
    again.go_back()


def test_the_keyboard_reaches_the_page_the_search_and_a_crane(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(site)
    page.keyboard.press("Tab")
    expect(page.locator(".bl-skip")).to_be_focused()
    page.keyboard.press("/")
    expect(page.get_by_placeholder("Find a crane")).to_be_focused()
    # What is typed chooses among the cranes that have come by then.
    page.get_by_role("option").first.wait_for()
    page.keyboard.type("yard-07")
    # Enter takes the chosen option, which comes a moment after the list.
    page.get_by_role("option", name="yard-07", selected=True).wait_for()
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("yard-07")
    expect(page.locator("h1")).to_be_focused()
    expect(page).to_have_title("yard-07 · Crane · Boomledger")


def test_a_phone_sees_the_columns_that_matter(site: str, page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(site)
    expect(page.locator("#fleet-grid .ag-header-cell")).to_have_count(3)
    page.set_viewport_size({"width": 1440, "height": 900})
    expect(page.locator("#fleet-grid .ag-header-cell")).to_have_count(12)


def test_units_switch_everywhere_and_are_remembered(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(
        f"{site}/dispatch?mass_kg=1500&rigging_kg=0&outreach_m=9&sector=rear&spread_left=full&spread_right=full"
    )
    page.click("#change-units")
    expect(page.get_by_label("Load [lb]")).to_have_value("3307")
    expect(page.get_by_label("Outreach [ft]")).to_have_value("29.528")
    expect(page.locator("#dispatch-answer")).to_contain_text("lb rated")
    page.reload()
    expect(page.get_by_label("Load [lb]")).to_have_value("3307")


def test_a_chart_gives_its_numbers_as_table_and_csv(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/crane/yard-02?tab=duty&days=all")
    card = page.locator("figure", has=page.get_by_role("heading", name="Load spectrum against design"))
    card.get_by_text("Numbers").click()
    expect(card.get_by_role("table")).to_be_visible()
    with page.expect_download() as download:
        card.get_by_role("link", name="Download as CSV").click()
    lines = download.value.path().read_text().splitlines()
    assert lines[0] == "low_pct,high_pct,lifts"
    assert len(lines) > 10


def test_a_replay_plays_through_the_recorded_day(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/crane/yard-02?tab=lifts&days=90")
    page.locator("#lift-grid .ag-row a").first.click()
    page.get_by_role("link", name="Replay this span").click()
    expect(page.get_by_role("heading", name="As it was recorded")).to_be_visible()
    began = page.locator("#replay-time").inner_text()
    page.get_by_role("button", name="120×").click()
    page.get_by_role("button", name="Play").click()
    expect(page.locator("#replay-time")).not_to_have_text(began)


def test_days_and_times_can_be_typed_and_stand_in_the_address(
    site: str, yard_url: str, visit: Callable[[str], Page]
) -> None:
    with connect(yard_url) as conn:
        (day,) = conn.execute(
            "select max(day) from lift join crane using (crane_id) where name = 'yard-02'"
        ).fetchone()
    page = visit(f"{site}/crane/yard-02?tab=lifts")
    page.get_by_text("Dates", exact=True).click()
    page.get_by_label("Last day").fill(day.isoformat())
    page.get_by_label("First day").fill("2031-01-01")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".mantine-InputWrapper-error")).to_contain_text("must not lie before")
    page.get_by_label("First day").fill(day.isoformat())
    page.get_by_role("button", name="Show").click()
    expect(page).to_have_url(f"{site}/crane/yard-02?tab=lifts&days=dates&first={day}&last={day}")
    with page.expect_download() as lifts:
        page.get_by_role("button", name="Download as CSV").click()
    head, first = lifts.value.path().read_text().splitlines()[:2]
    assert head.startswith("started_at_utc,ended_at_utc,peak_utilisation_pct,")
    assert first.startswith(f"{day}T")
    page.get_by_role("link", name="Trace", exact=True).click()
    page.get_by_label("From", exact=True).fill(f"{day}T08:00:00")
    page.get_by_label("To", exact=True).fill(f"{day}T08:20:00")
    page.get_by_role("button", name="Show").press("Enter")
    expect(page).to_have_url(re.compile(rf"tab=trace&from={day}T0[67]%3A00%3A00Z&to="))
    expect(page.locator("#page")).to_contain_text(re.compile(r"08:00:00\sCES?T to .*08:20:00\sCES?T"))


RISING = """() => {
    const cells = [...document.querySelectorAll("#lift-grid .ag-row [col-id=peak]")];
    const place = (cell) => Number(cell.closest(".ag-row").getAttribute("row-index"));
    const peaks = cells.sort((a, b) => place(a) - place(b)).map((cell) => parseFloat(cell.innerText));
    return peaks.length > 1 && peaks.every((peak, i) => i === 0 || peaks[i - 1] <= peak);
}"""


def test_the_order_and_the_filters_of_a_grid_stand_in_the_address(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/crane/yard-02?tab=lifts&days=30")
    page.get_by_role("columnheader", name="Peak utilisation").click()
    here = "location.search"
    page.wait_for_function(f"{here}.includes('sort=lift.peak.asc')")
    page.wait_for_function(RISING)  # the address comes before the rows have moved
    least = page.locator("#lift-grid .ag-row[row-index='0'] [col-id=peak]").inner_text()
    again = page.context.new_page()
    again.goto(site + page.evaluate("location.pathname + location.search"))
    expect(again.locator("#lift-grid .ag-row[row-index='0'] [col-id=peak]")).to_have_text(least)
    again.goto(f"{site}/crane/yard-02?tab=events&days=30&filter=event.word.contains.Warning")
    expect(again.locator("#event-grid .ag-row[row-index='0'] [col-id=word]")).to_contain_text("Warning")
    expect(again.locator("#event-grid")).not_to_contain_text("Mode change")


def test_enter_follows_a_cell_and_a_dragged_span_leads_to_its_trace(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/crane/yard-02?tab=lifts")
    page.locator("#lift-grid .ag-row[row-index='0'] .ag-cell").first.click(position={"x": 2, "y": 2})
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("tab=trace&from="))
    plot = page.locator("figure[data-trace] .nsewdrag").first
    expect(plot).to_be_visible()
    box = plot.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 60, steps=8)
    page.mouse.up()
    before = page.url
    page.get_by_role("link", name="Trace of 20", exact=False).click()
    expect(page).to_have_url(re.compile(r"tab=trace&from=\d{4}-\d\d-\d\dT\d\d%3A\d\d%3A\d\d&to="))
    assert page.url != before
    expect(page.locator("figure[data-trace] .nsewdrag").first).to_be_visible()
