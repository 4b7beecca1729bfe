"""The first crane from the first-run page to its fleet, by form, file and keyboard; then a draft is completed."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from domain.registration import CraneRegistration
from ingest.directory import Directory
from ingest.limits import Limits
from tests.browser.conftest import OPEN, served

pytestmark = pytest.mark.browser
EXAMPLE = Path(__file__).parents[2] / "dashboard" / "assets" / "crane-example.json"
WIDTHS = {1440: 900, 768: 1024, 390: 844, 320: 800}


@pytest.fixture
def own_site(database: str) -> Iterator[str]:
    with served(database, OPEN) as address:
        yield address


def sound(page: Page) -> bool:
    for width, height in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.set_viewport_size({"width": 1440, "height": 900})
    return Axe().run(page).response["violations"] == []


def test_the_first_crane_is_registered_and_a_draft_completed(
    own_site: str, database: str, watched, visit: Callable[[str], Page]
) -> None:
    page = visit(own_site)
    page.locator("#page").get_by_role("link", name="Register a crane").click()
    save = page.get_by_role("button", name="Register the crane")
    save.click()
    name = page.get_by_label("Name", exact=True)
    since = page.get_by_label("In service since")
    description = page.get_by_label("Description of the new type")
    expect(description).to_have_attribute("aria-invalid", "true")
    page.locator("input[type=file]").set_input_files(EXAMPLE)
    expect(description).to_contain_text("example-type")
    expect(name).to_have_value("crane-1")
    expect(since).to_have_value("2021-06-01")

    # By keyboard from here on: the fields follow one another, the button is reached and pressed.
    name.focus()
    page.keyboard.press("Control+A")
    page.keyboard.type("Crane One")
    page.keyboard.press("Tab")
    expect(page.get_by_label("Title", exact=True)).to_be_focused()
    save.focus()
    page.keyboard.press("Enter")
    expect(name).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Name of the new site")).to_have_attribute("aria-invalid", "true")
    expect(since).not_to_have_attribute("aria-invalid", "true")
    name.fill("yard-1")
    since.fill("last summer")
    page.get_by_label("Name of the new site").fill("my-yard")
    page.get_by_label("Time zone of the new site").fill("Middle of nowhere")
    page.get_by_label("U class").fill("4")
    broken = json.loads(EXAMPLE.read_text())
    broken["crane"]["type"]["main_boom"]["length_m"] = -3
    description.fill(json.dumps(broken))
    page.get_by_role("textbox", name="Edition").click()
    page.get_by_role("option", name="EN 13001-1").click()
    save.click()
    wrong = {
        "In service since",
        "Time zone of the new site",
        "U class",
        "Q class",
        "Description of the new type",
    }
    for label in wrong:
        expect(page.get_by_label(label, exact=True)).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#crane-new_type")).to_contain_text(
        "main_boom.length_m: Input should be greater than 0"
    )
    expect(name).not_to_have_attribute("aria-invalid", "true")
    assert sound(page)
    since.fill("2021-06-01")
    page.get_by_label("Time zone of the new site").fill("Europe/Vienna")
    page.get_by_label("U class").fill("U4")
    page.get_by_label("Q class").fill("Q2")
    description.fill(EXAMPLE.read_text())
    save.click()
    expect(page.locator("#notice")).to_contain_text("yard-1 is registered")
    expect(page.locator("#connect code").first).to_contain_text("boomledger account issue yard-1")
    expect(page.locator("#connect code").last).to_have_text("boomledger/v1/yard-1/samples")

    with psycopg.connect(database, autocommit=True) as conn:
        Directory(Limits(draft_unknown_cranes=True)).prepare(conn, ["wader-1"])
    page.goto(f"{own_site}/settings")
    page.get_by_role("link", name="Complete").click()
    expect(page.get_by_label("Name", exact=True)).to_have_value("wader-1")
    since.fill("2024-02-29")
    page.get_by_role("button", name="Save the crane").click()
    expect(page.locator("#notice")).to_contain_text("wader-1 is saved")
    expect(page.locator(".bl-grid")).not_to_contain_text("draft")
    with psycopg.connect(database) as conn:
        rows = conn.execute(
            "select c.name, draft, s.name, t.name from crane c join site s using (site_id) join crane_type t using (type_id)"
            " order by 1"
        ).fetchall()
    assert rows == [(crane, False, "my-yard", "example-type") for crane in ("wader-1", "yard-1")]
    assert watched.said == []


def test_the_example_to_fill_in_is_one_that_can_be_registered() -> None:
    wanted = CraneRegistration.model_validate_json(EXAMPLE.read_text())
    assert wanted.site is not None
    assert not isinstance(wanted.crane.type, str)
    assert wanted.crane.type.invented
    assert wanted.crane.type.charts
