"""Records of a life on the screen: entered, corrected, a file attached and fetched, withdrawn; each says its effect."""

from collections.abc import Callable
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser
NOTICE = "#notice"
PDF = b"%PDF-1.7\n% invented\n"


def sound(page: Page) -> bool:
    return Axe().run(page).response["violations"] == []


def test_a_crack_from_entry_to_withdrawal(site: str, visit: Callable[[str], Page], tmp_path: Path) -> None:
    page = visit(f"{site}/life/yard-04/records")
    page.locator("summary", has_text="Enter a crack").click()
    form = page.locator("details", has_text="Enter a crack").locator(".bl-form")
    form.get_by_role("button", name="Enter a crack").click()
    expect(form.get_by_label("Day", exact=True)).to_have_attribute("aria-invalid", "true")
    form.get_by_label("Day", exact=True).fill("2026-03-02")
    form.get_by_label("Done by").fill("A. Example (invented)")
    form.get_by_label("Weld detail or component").fill("column foot")
    form.get_by_label("Length of the crack [mm]").fill("12")
    form.get_by_role("button", name="Enter a crack").click()
    expect(page.locator(NOTICE)).to_contain_text(
        "the special assessment is due by condition from 2 Mar 2026 on"
    )
    one = page.locator("#record")
    expect(one).to_contain_text("12 mm long")
    assert sound(page)
    one.get_by_label("Length of the crack [mm]").fill("19")
    one.get_by_label("Reason").fill("measured again")
    one.get_by_role("button", name="Save correction").click()
    expect(one).to_contain_text("19 mm long")
    expect(one.locator(".bl-notes li")).to_have_count(2)

    report, wrong = tmp_path / "report.pdf", tmp_path / "report.txt"
    report.write_bytes(PDF)
    wrong.write_bytes(PDF)
    page.locator("#record-file input").set_input_files(wrong)
    expect(page.locator("#record-file-name")).to_have_text("report.txt")
    page.locator("#record-file-send").click()
    expect(page.locator("#record-file-problem")).to_contain_text("is no plain text")
    page.locator("#record-file input").set_input_files(report)
    expect(page.locator("#record-file-name")).to_have_text("report.pdf")
    page.locator("#record-file-send").click()
    expect(page.locator(NOTICE)).to_contain_text("report.pdf is attached")
    with page.expect_download() as fetched:
        page.locator("#records").get_by_role("link", name="report.pdf").click()
    assert fetched.value.suggested_filename == "report.pdf"
    assert fetched.value.path().read_bytes() == PDF

    page.goto(f"{site}/life/yard-04")
    expect(page.locator("#life-records")).to_contain_text("special assessment due")
    page.locator("#life-records").get_by_role("link", name="All records (1)").click()
    page.locator("#records").get_by_role("link", name="correct, withdraw").click()
    one.locator("summary", has_text="Withdraw").click()
    one.get_by_label("Why it is withdrawn").fill("another crane")
    one.get_by_role("button", name="Withdraw").click()
    expect(page.locator(NOTICE)).to_contain_text("Withdrawn.")
    expect(page.locator("#records")).to_contain_text("One withdrawn record")
    expect(page.locator("#records")).to_contain_text("No record is entered.")
