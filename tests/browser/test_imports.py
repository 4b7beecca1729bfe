"""A file of telemetry on the screen: looked at, mended, stored once, listed; for those who may."""

import os
import signal
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from store.access import Role, create_user
from store.connection import connect
from tests.browser.test_forms import PASSWORD, sign_in
from tests.security.test_import_bombs import readers

pytestmark = pytest.mark.browser

MAPPING = """kind = "samples"
[crane]
column = "crane"
[time]
column = "at"
[step]
ms = 1000
[channels]
utilisation_pct = "load"
"""
TOO_LARGE = """field => {
  const moved = new DataTransfer();
  moved.items.add(new File([new Uint8Array(15_100_000)], "year.csv"));
  field.files = moved.files;
  field.dispatchEvent(new Event("change", { bubbles: true }));
}"""


def recording(rows: int = 700) -> list[str]:
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)
    return [
        "crane,at,load",
        *(f"yard-12,{(start + timedelta(seconds=at)).isoformat()},{40 + at % 7}" for at in range(rows)),
    ]


def written(folder: Path, name: str, lines: list[str]) -> Path:
    file = folder / name
    file.write_text("\n".join(lines) + "\n")
    return file


def open_data(page: Page, site: str, url: str, name: str, role: Role) -> None:
    """The page Data health, for somebody with a new account."""
    with connect(url) as conn:
        create_user(conn, f"form-{name}", PASSWORD, role)
        conn.commit()
    sign_in(page, site, name)
    page.goto(f"{site}/data")


def test_a_recording_is_looked_at_mended_and_stored_once(
    strict_site: str, yard_url: str, page: Page, tmp_path: Path
) -> None:
    open_data(page, strict_site, yard_url, "recorder", Role.ENGINEER)
    look, problem = page.locator("#import-look"), page.locator("#import-problem")
    look.click()
    expect(problem).to_have_text("Choose a file first.")
    lines = recording()
    wrong = [*lines]
    wrong[3] = wrong[3].rpartition(",")[0] + ",much"
    wrong[9:11] = [line.replace("yard-12", "yard-77") for line in wrong[9:11]]
    page.locator("#import-file input").set_input_files(written(tmp_path, "wrong.csv", wrong))
    expect(page.locator("#import-name")).to_have_text("wrong.csv")
    look.click()
    mapping = page.get_by_label("Mapping", exact=True)
    expect(mapping).to_have_attribute("aria-invalid", "true")
    expect(mapping).to_be_visible()
    page.locator("#import-mapping-file input").set_input_files(written(tmp_path, "own.toml", [MAPPING]))
    expect(mapping).to_have_value(f"{MAPPING}\n")
    look.click()
    answer = page.locator("#import-answer")
    expect(answer).to_contain_text("some lines cannot be used. Nothing is stored yet.")
    expect(answer.locator(".bl-problems")).to_contain_text("Line 4 utilisation_pct")
    expect(answer.locator(".bl-problems")).to_contain_text("Lines 10 to 11 crane yard-77")
    expect(answer.get_by_role("button", name="Store the good rows")).to_be_visible()
    assert Axe().run(page).response["violations"] == []
    lines[20:23] = [f"{line.rpartition(',')[0]},65535" for line in lines[20:23]]
    page.locator("#import-file input").set_input_files(written(tmp_path, "hour.csv", lines))
    expect(answer).to_have_text("")
    look.click()
    expect(answer).to_contain_text(
        "hour.csv: some readings are out of range and will be missing. Nothing is stored yet."
    )
    expect(answer.get_by_role("row", name="yard-12")).to_contain_text("700")
    expect(answer.locator(".bl-problems")).to_contain_text(
        "Lines 21 to 23 utilisation_pct: 65535 is not in -20 to 400: stored as missing"
    )
    answer.get_by_role("button", name="Store it").click()
    expect(answer).to_contain_text("hour.csv is stored.")
    expect(page.locator("#import-list")).to_contain_text("form-recorder: 700 rows of one crane")
    look.click()
    expect(answer).to_contain_text("Everything in it is stored already.")
    expect(answer.get_by_role("button")).to_have_count(0)
    page.locator("#import-file input").evaluate(TOO_LARGE)
    expect(problem).to_contain_text("year.csv is too large for the screen: 15.1 MB")
    expect(page.locator("#import-name")).to_have_text("No file is chosen")
    page.reload()
    expect(page.locator("#import-list")).to_contain_text("hour.csv")


def test_a_long_file_says_how_far_it_is_and_is_cancelled(
    strict_site: str, yard_url: str, page: Page, tmp_path: Path
) -> None:
    open_data(page, strict_site, yard_url, "patient", Role.ENGINEER)
    running = page.locator("#import-running")
    expect(running).to_be_hidden()
    page.locator("#import-how summary").click()
    page.get_by_label("Mapping", exact=True).fill(MAPPING)
    page.locator("#import-file input").set_input_files(written(tmp_path, "long.csv", recording(5_000)))
    expect(page.locator("#import-name")).to_have_text("long.csv")
    page.locator("#import-look").click()
    until = time.monotonic() + 30
    while not (found := readers()) and time.monotonic() < until:
        page.wait_for_timeout(20)
    os.kill(found[0], signal.SIGSTOP)  # and so it stays under way
    expect(running).to_contain_text("Checking: ")
    running.get_by_role("button", name="Cancel").click()
    expect(page.locator("#import-problem")).to_have_text("the import was cancelled: nothing was stored")
    expect(running).to_be_hidden()
    expect(page.locator("#import-answer")).to_have_text("")


def test_who_may_not_store_still_sees_how_old_the_data_is(
    strict_site: str, yard_url: str, page: Page
) -> None:
    open_data(page, strict_site, yard_url, "onlooker", Role.VIEWER)
    expect(page.get_by_role("heading", name="Newest data by crane")).to_be_visible()
    expect(page.locator("#page")).to_contain_text("An engineer sees rejected messages")
    expect(page.locator("#import")).to_have_count(0)
    page.goto(f"{strict_site}/dispatch?mass_kg=1500&rigging_kg=50&outreach_m=9")
    closed = page.locator("#page [data-state=not-allowed]")
    expect(closed).to_contain_text("the account form-onlooker has the role viewer")
    expect(closed.get_by_role("link", name="Sign in as somebody else")).to_be_visible()
    closed.get_by_role("link", name="To your start page").click()
    expect(page.locator("h1")).to_have_text("Fleet")
