"""What people enter: details, intervals, rules, accounts and tokens; mistakes stand beside their field."""

import hashlib
import json
import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from alerts.rounds import judge_all
from analytics.worker import run as count
from store.access import Role, create_user
from store.connection import connect

pytestmark = pytest.mark.browser

PASSWORD = "yard-at-seven-in-the-morning"
NOTICE = "#notice"


@pytest.fixture(scope="module")
def people(yard_url: str) -> None:
    """One account of each role."""
    with connect(yard_url) as conn:
        for role in Role:
            create_user(conn, f"form-{role.value}", PASSWORD, role)
        conn.commit()


def sign_in(page: Page, site: str, role: str) -> Page:
    page.goto(f"{site}/login")
    page.get_by_label("Account").fill(f"form-{role}")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("#page h1")
    return page


def sound(page: Page) -> bool:
    return Axe().run(page).response["violations"] == []


def test_an_engineer_enters_a_detail_and_sees_its_curve(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/life/yard-05")
    expect(page.locator(".bl-assumed")).to_contain_text("Assumed")
    page.get_by_role("button", name="Save the detail").click()
    expect(page.get_by_label("Name", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Name", exact=True).fill("column foot")
    page.get_by_role("button", name="Save the detail").click()
    expect(page.get_by_label("Stress per percent [MPa]")).to_have_attribute("aria-invalid", "true")
    assert sound(page)
    page.get_by_label("Stress per percent [MPa]").fill("1.4")
    page.get_by_label("Range at 2 000 000 cycles [MPa]").fill("63")
    page.get_by_role("button", name="Save the detail").click()
    expect(page.locator(NOTICE)).to_contain_text("column foot is saved")
    expect(page.get_by_role("heading", name="Stress ranges against EN 1993-1-9 category 63")).to_be_visible()
    expect(page.locator(".bl-assumed")).to_have_count(0)
    page.locator("#details").get_by_role("link", name="Change").click()
    expect(page.get_by_label("Stress per percent [MPa]")).to_have_value("1.4")
    page.locator("#details summary", has_text="Forget").click()
    page.get_by_role("button", name="Forget: column foot").click()
    expect(page.locator(NOTICE)).to_contain_text("column foot is forgotten")
    expect(page.locator(".bl-assumed")).to_be_visible()


def test_an_engineer_enters_a_curve_of_their_own_with_its_source(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/life/yard-06")
    slope = page.get_by_label("Slope m of line 1")
    expect(slope).to_be_hidden()
    page.get_by_label("Name", exact=True).fill("boom seam")
    page.get_by_label("Stress per percent [MPa]").fill("1.2")
    page.get_by_label("Range at 2 000 000 cycles [MPa]").fill("71")
    page.get_by_role("textbox", name="S-N curve", exact=True).click()
    page.get_by_role("option", name="own curve").click()
    expect(slope).to_be_visible()
    page.get_by_role("button", name="Save the detail").click()
    expect(slope).to_have_attribute("aria-invalid", "true")
    slope.fill("3")
    page.get_by_label("Cycles at the end of line 1").fill("5000000")
    page.get_by_label("Slope m of line 2").fill("5")
    page.get_by_role("button", name="Save the detail").click()
    expect(page.get_by_label("Source of the own curve")).to_have_attribute("aria-invalid", "true")
    assert sound(page)
    page.get_by_label("Source of the own curve").fill("test report 12")
    page.get_by_role("button", name="Save the detail").click()
    expect(page.locator(NOTICE)).to_contain_text("boom seam is saved")
    expect(page.locator("#page")).to_contain_text("test report 12")
    page.locator("#details").get_by_role("link", name="Change").click()
    expect(page.get_by_label("Cycles at the end of line 1")).to_have_value("5000000")


def test_an_interval_of_service_is_entered_done_and_forgotten(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/settings?tab=service&crane=yard-08")
    page.get_by_label("Name", exact=True).fill("grease")
    page.get_by_label("Name", exact=True).press("Enter")  # sends the form
    expect(page.get_by_label("Every [h]")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#page")).to_contain_text("give at least one of")
    page.get_by_label("Every [days]").fill("20")
    page.get_by_role("button", name="Save the interval").click()
    expect(page.locator(NOTICE)).to_contain_text("grease is saved")
    expect(page.locator(".bl-entries")).to_contain_text("every 20 days")
    page.get_by_label("Day", exact=True).fill("soon")
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_label("Day", exact=True)).to_have_attribute("aria-invalid", "true")
    assert sound(page)
    page.reload()
    page.get_by_role("button", name="Enter it").click()
    expect(page.locator(NOTICE)).to_contain_text("grease is entered as done")
    expect(page.get_by_role("heading", name="Done so far")).to_be_visible()
    page.locator("summary", has_text="Forget").click()
    page.get_by_role("button", name="Forget: yard-08/grease").click()
    expect(page.locator("#page")).to_contain_text("No interval of service is entered yet")


def test_a_rule_raises_an_alert_that_somebody_takes_and_shelves(
    site: str, yard_url: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/settings?tab=alerts")
    page.get_by_label("Name", exact=True).first.fill("overrides at the yard")
    page.get_by_role("textbox", name="Watches").click()
    page.get_by_role("option", name="Uses of the limiter override").click()
    page.get_by_label("Raised at").fill("1")
    page.get_by_role("button", name="Save the rule").click()
    expect(page.locator(NOTICE)).to_contain_text("overrides at the yard is saved")
    with connect(yard_url) as conn:
        assert judge_all(conn).raised >= 1
        conn.commit()
    page.get_by_role("link", name="Alerts").click()
    expect(page.locator(".bl-alert-list").first).to_contain_text("limiter override used")
    expect(page.locator("#alert-count")).not_to_have_text("")
    waiting = int(page.locator("#alert-count").inner_text())
    assert sound(page)
    page.locator(".bl-alert-list").first.get_by_role("button", name="I have it").first.click()
    expect(page.locator(NOTICE)).to_have_text("Noted that you have it.")
    expect(page.locator(".bl-alert-list").first).to_contain_text("open access has it")
    expect(page.locator("#alert-count")).to_have_text(str(waiting - 1) if waiting > 1 else "")
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("link", name="Details").first.click()
    expect(page.locator(".bl-alert-detail h2")).to_be_focused()
    expect(page.locator(".bl-alert-detail h2")).to_be_in_viewport()
    page.set_viewport_size({"width": 1440, "height": 900})
    expect(page.get_by_role("heading", name="What happened")).to_be_visible()
    page.get_by_role("button", name="Put on the shelf").click()
    expect(page.get_by_label("Why")).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Why").fill("the operator was spoken to")
    page.get_by_role("button", name="Put on the shelf").click()
    expect(page.locator("#page")).to_contain_text("on the shelf until")
    assert sound(page)


def test_a_token_is_shown_once_and_revoked(people: None, strict_site: str, page: Page) -> None:
    sign_in(page, strict_site, "engineer")
    expect(page.locator("h1")).to_have_text("Life")
    page.goto(f"{strict_site}/settings?tab=access")
    page.get_by_role("button", name="Make a token").click()
    expect(page.get_by_label("For", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("For", exact=True).fill("nightly export")
    page.get_by_role("button", name="Make a token").click()
    secret = page.locator("#token-secret").inner_text()
    headers = {"authorization": f"Bearer {secret}"}
    assert httpx.get(f"{strict_site}/api/v1/me", headers=headers).json()["via"] == "token"
    page.reload()
    expect(page.locator(".bl-entries").first).to_contain_text("nightly export")
    assert secret not in page.content()
    page.locator("summary", has_text="Revoke").click()
    page.get_by_role("button", name="Revoke: ").click()
    expect(page.locator(NOTICE)).to_have_text("nightly export is revoked.")
    assert httpx.get(f"{strict_site}/api/v1/me", headers=headers).status_code == 401


def test_what_was_typed_comes_back_after_a_lost_session_and_a_password_does_not(
    people: None, strict_site: str, page: Page
) -> None:
    kept = "JSON.stringify({...sessionStorage})"
    sign_in(page, strict_site, "admin")
    page.goto(f"{strict_site}/settings?tab=people")
    expect(page.locator("#who")).to_contain_text("form-admin")
    page.get_by_label("Account", exact=True).fill("nora")
    page.get_by_label("Password", exact=True).fill("nobody-writes-this-down")
    page.get_by_role("textbox", name="Role").first.click()
    page.get_by_role("option", name="Engineer").click()
    page.context.clear_cookies()
    page.locator("#contact").get_by_role("link", name="Sign in and come back here").click()
    page.wait_for_url("**/login?next=*")
    assert "nora" in page.evaluate(kept)
    assert "nobody-writes-this-down" not in page.evaluate(kept)
    page.get_by_label("Account").fill("form-admin")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/settings?tab=people")
    expect(page.locator(NOTICE)).to_contain_text("is back. It is not saved yet.")
    expect(page.get_by_label("Account", exact=True)).to_have_value("nora")
    expect(page.get_by_role("textbox", name="Role").first).to_have_value("engineer")
    expect(page.get_by_label("Password", exact=True)).to_have_value("")
    assert "nora" not in page.evaluate(kept)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator(NOTICE)).to_have_text("nora can sign in now.")
    expect(page.locator(".bl-entries > li", has_text="nora")).to_contain_text("engineer; every site")


def test_one_sees_what_is_kept_about_oneself_and_an_administrator_of_anybody(
    people: None, strict_site: str, page: Page, yard_url: str
) -> None:
    sign_in(page, strict_site, "viewer")
    with connect(yard_url) as conn:
        told = "select from audit where account_name = 'form-viewer' and action = 'read /fleet'"
        assert conn.execute(told).fetchone() is not None
    page.goto(f"{strict_site}/settings?tab=kept&account=form-admin")
    expect(page.get_by_role("heading", name="What is kept about you")).to_be_visible()
    sessions = page.locator("#kept tr", has_text="session.account_id")
    expect(sessions).to_contain_text("so that a stranger's session is seen")
    sessions.locator("summary").click()
    expect(sessions.locator("pre")).to_contain_text("127.0.0.1")
    assert sound(page)
    with page.expect_download() as started:
        page.get_by_role("link", name="All of it as a file (JSON)").click()
    assert json.loads(started.value.path().read_text())["name"] == "form-viewer"
    page.context.clear_cookies()
    sign_in(page, strict_site, "admin")
    page.goto(f"{strict_site}/settings?tab=people")
    page.get_by_role("link", name="What is kept: form-viewer").click()
    expect(page.get_by_role("heading", name="What is kept about form-viewer")).to_be_visible()
    expect(page.locator("#kept")).to_contain_text("audit.account_name")
    assert sound(page)


def test_an_administrator_adds_an_account_and_nobody_else_sees_them(
    people: None, strict_site: str, page: Page
) -> None:
    sign_in(page, strict_site, "admin")
    page.goto(f"{strict_site}/settings?tab=people")
    page.get_by_label("Account", exact=True).fill("form-new")
    page.get_by_label("Password", exact=True).fill("short")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator("#page")).to_contain_text("at least 12")
    expect(page.locator(".mantine-PasswordInput-error")).to_be_visible()
    page.get_by_label("Password", exact=True).fill("a-long-enough-password")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator(NOTICE)).to_have_text("form-new can sign in now.")
    expect(page.locator(".bl-entries")).to_contain_text("form-new")
    line = page.locator(".bl-entries > li", has_text="form-new")
    expect(line).to_contain_text("viewer; every site")
    line.locator("summary", has_text="Change").click()
    line.get_by_label("Sites").fill("example-yard")
    line.get_by_role("button", name="Save").click()
    expect(page.locator(NOTICE)).to_contain_text("form-new")
    expect(line).to_contain_text("viewer; example-yard")
    expect(page.locator("#audit tbody tr").first).to_contain_text("PATCH /users/form-new")
    assert sound(page)
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/login")
    sign_in(page, strict_site, "viewer")
    page.goto(f"{strict_site}/settings?tab=people")
    expect(page.locator("#page")).to_contain_text("Only an administrator")
    page.goto(f"{strict_site}/settings?tab=alerts")
    expect(page.get_by_role("button", name="Save the rule")).to_have_count(0)


def test_a_person_sets_a_password_by_a_link_of_an_administrator(
    people: None, strict_site: str, page: Page
) -> None:
    sign_in(page, strict_site, "admin")
    page.goto(f"{strict_site}/settings?tab=people")
    page.get_by_label("Account", exact=True).fill("form-linked")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator("#reset-link")).to_contain_text("/reset#bl_r_")
    assert sound(page)
    first = page.locator("#reset-link").inner_text()
    page.reload()
    line = page.locator(".bl-entries > li", has_text="form-linked")
    line.locator("summary").first.click()
    line.locator("summary", has_text="Make a link").click()
    line.get_by_role("button", name="Make a link to set the password: form-linked").click()
    expect(page.locator("#reset-link")).to_contain_text("/reset#bl_r_")
    second = page.locator("#reset-link").inner_text()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/login")
    for link in (first, second):
        page.goto("about:blank")
        page.goto(f"{strict_site}{link}")
        expect(page).to_have_url(f"{strict_site}/reset")
        page.get_by_label("New password").fill("Passw0rd1234!")
        page.get_by_label("The same again").fill("Passw0rd1234?")
        page.get_by_role("button", name="Set the password").click()
        expect(page.get_by_role("alert")).to_have_text("The two passwords differ.")
        page.get_by_label("The same again").fill("Passw0rd1234!")
        page.get_by_role("button", name="Set the password").click()
        expect(page.get_by_role("alert")).to_contain_text(
            "easy to guess" if link == second else "does not hold"
        )
        assert sound(page)
    page.get_by_label("New password").fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Set the password").click()
    page.get_by_role("link", name="Sign in").click()
    sign_in(page, strict_site, "linked")


def test_each_role_starts_where_its_day_begins(people: None, strict_site: str, page: Page) -> None:
    for role, heading in (("dispatcher", "Dispatch"), ("viewer", "Fleet"), ("engineer", "Life")):
        sign_in(page, strict_site, role)
        expect(page.locator("h1")).to_have_text(heading)
        expect(page.locator("a.bl-nav-link[aria-current=page]")).to_have_text(heading)
        page.get_by_role("link", name="Fleet", exact=True).click()
        expect(page.locator("h1")).to_have_text("Fleet")
        page.context.clear_cookies()


def test_a_grid_is_one_stop_of_the_keyboard_and_enter_follows_its_links(
    site: str, visit: Callable[[str], Page]
) -> None:
    page = visit(f"{site}/settings?tab=cranes")
    page.locator("#crane-grid .ag-row[row-index='0'] .ag-cell").first.wait_for()
    page.locator("#crane-grid .ag-header-cell").last.focus()
    page.keyboard.press("Tab")
    here = "document.activeElement.closest('.ag-cell')?.getAttribute('col-id')"
    assert page.evaluate(here) == "crane"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('#crane-grid .ag-root') === null"), "out of the grid"
    page.locator("#crane-grid .ag-header-cell").last.focus()
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowRight")
    assert page.evaluate(here) == "change"
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="What is entered of yard-02")).to_be_visible()


def test_the_focus_is_seen_on_a_field(site: str, visit: Callable[[str], Page]) -> None:
    page = visit(f"{site}/dispatch")
    for field in (page.get_by_label("Load [t]"), page.get_by_label("Day", exact=True)):
        field.focus()
        assert field.evaluate("one => getComputedStyle(one).outlineStyle") == "solid"


def test_an_engineer_excludes_a_span_from_its_trace_and_withdraws_it(
    site: str, visit: Callable[[str], Page], yard_url: str
) -> None:
    with connect(yard_url) as conn:
        (at,) = conn.execute(
            "select started_at from lift join crane using (crane_id) where name = 'yard-04' limit 1"
        ).fetchone() or (None,)
    span = f"from={at - timedelta(minutes=20):%Y-%m-%dT%H:%M:%SZ}&to={at + timedelta(minutes=20):%Y-%m-%dT%H:%M:%SZ}"
    page = visit(f"{site}/crane/yard-04?tab=trace&{span}")
    box = page.locator("#exclusions")
    expect(box).to_contain_text("Nothing is excluded.")
    page.get_by_role("button", name="Exclude span").click()
    expect(page.get_by_label("Reason", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Reason", exact=True).fill("pressure sensor hung")
    page.get_by_role("button", name="Exclude span").click()
    expect(page.locator(NOTICE)).to_contain_text("one day is counted again")
    expect(box.locator("ul")).to_contain_text("pressure sensor hung")
    assert sound(page)
    box.locator("summary", has_text="Withdraw").click()
    box.get_by_role("button", name="Withdraw").click()
    expect(page.locator(NOTICE)).to_contain_text("withdrawn")
    expect(box.locator("ul")).to_contain_text("Withdrawn by")


def test_an_engineer_enters_what_a_crane_is_like_from_a_day_on(
    strict_site: str, people: None, page: Page, yard_url: str
) -> None:
    sign_in(page, strict_site, "engineer")
    page.goto(f"{strict_site}/settings?tab=cranes&crane=yard-07")
    box = page.locator("#descriptions")
    expect(box).to_contain_text("From the beginning")
    page.get_by_label("Attachments", exact=True).fill("grab")
    page.get_by_role("button", name="Enter the change").click()
    expect(page.get_by_label("Attachments", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("Attachments", exact=True).fill("grab (invented), 240, for the season")
    page.get_by_label("From", exact=True).fill("2200-01-01")
    page.get_by_role("button", name="Enter the change").click()
    expect(page.get_by_label("From", exact=True)).to_have_attribute("aria-invalid", "true")
    page.get_by_label("From", exact=True).fill("2026-01-15")
    page.get_by_role("button", name="Enter the change").click()
    expect(page.locator(NOTICE)).to_contain_text("0 days are counted again")
    expect(box).to_contain_text("From 15 Jan 2026")
    expect(box).to_contain_text("grab (invented) 240 kg for the season")
    assert sound(page)
    box.locator("summary", has_text="Take out").click()
    box.get_by_role("button", name="Take out").click()
    expect(page.locator(NOTICE)).to_contain_text("taken out")


def test_an_engineer_finishes_a_dossier_and_its_file_has_the_hash_that_is_shown(
    site: str, visit: Callable[[str], Page], yard_url: str
) -> None:
    count(yard_url, threading.Event(), once=True)  # what other tests sent and entered: a dossier waits for it
    page = visit(f"{site}/life/yard-04")
    page.get_by_role("link", name="Dossier", exact=True).click()
    expect(page.get_by_role("heading", name="What is not known")).to_be_visible()
    expect(page.get_by_text("None is finished yet.")).to_be_visible()
    page.get_by_label("Note", exact=True).fill("after ten years (invented)")
    page.get_by_role("button", name="Finish dossier").click()
    expect(page.locator(NOTICE)).to_contain_text("Dossier 1 is finished and kept.")
    expect(page.get_by_text("after ten years (invented)")).to_be_visible()
    expect(page.get_by_text("No figure, entry or record differs.")).to_be_visible()
    with page.expect_download() as taken:
        page.get_by_role("link", name="PDF of dossier 1").click()
    found = hashlib.sha256(Path(taken.value.path()).read_bytes()).hexdigest()
    expect(page.get_by_text(f"SHA-256 of the PDF {found}")).to_be_visible()
    assert sound(page)


def test_an_administrator_is_told_of_a_token_before_it_expires(
    people: None, strict_site: str, yard_url: str, page: Page
) -> None:
    sign_in(page, strict_site, "admin")
    page.goto(f"{strict_site}/settings?tab=access")
    page.get_by_label("For", exact=True).fill("weekly export")
    page.get_by_label("Days", exact=True).fill("2")
    page.get_by_role("button", name="Make a token").click()
    expect(page.locator("#token-secret")).to_be_visible()
    with connect(yard_url) as conn:
        assert judge_all(conn).raised >= 1
        conn.commit()
    page.goto(f"{strict_site}/alerts")
    card = page.locator("section", has=page.get_by_role("heading", name="Accounts"))
    expect(card).to_contain_text("days to the expiry of a token: 2 (weekly export, form-admin)")
    card.get_by_role("link", name="Details").click()
    expect(page.locator(".bl-alert-detail h2")).to_contain_text("weekly export")
    assert sound(page)
    page.get_by_role("link", name="What it was found in").click()
    expect(page.locator("#tokens")).to_contain_text("form-admin: weekly export")
    expect(page.locator("#tokens")).to_contain_text("last used never")
    sign_in(page, strict_site, "engineer")
    page.goto(f"{strict_site}/alerts")
    expect(page.locator("#page h1")).to_be_visible()
    expect(page.locator("#page")).not_to_contain_text("weekly export")
