"""The replay page: what happened stands on the trace, the jump goes to it, and its address opens at that second."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from domain.messages import EventKind, EventState
from store import cranes, events
from store.connection import connect
from store.segments import from_ms

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def span(yard_url: str) -> tuple[datetime, datetime, list[events.Event]]:
    """Twenty minutes around a limiter stop of the bold crane, with what happened in them."""
    kinds = {EventKind.WARNING, EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE, EventKind.FAULT}
    now = datetime.now(UTC)
    with connect(yard_url) as conn:
        crane_id = cranes.directory(conn)["yard-04"].crane_id
        found = events.read(conn, crane_id, now - timedelta(days=5), now)
        middle = next(event.at for event in found if event.kind is EventKind.LIMITER_STOP)
        start, end = middle - timedelta(minutes=10), middle + timedelta(minutes=10)
    inside = [
        event
        for event in found
        if start <= event.at < end and event.kind in kinds and event.state is EventState.RAISED
    ]
    return start, end, inside


def address(site: str, span: tuple[datetime, datetime, list[events.Event]]) -> str:
    return f"{site}/replay/yard-04?from={_z(span[0])}&to={_z(span[1])}"


def _z(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def place_of(page: Page) -> datetime:
    return from_ms(int(page.locator("#replay").get_attribute("data-at") or "0"))


def test_every_event_stands_on_the_trace_and_the_jump_visits_them(
    site: str, visit: Callable[[str], Page], span: tuple[datetime, datetime, list[events.Event]]
) -> None:
    page = visit(address(site, span))
    expect(page.locator(".bl-replay-line")).to_have_attribute("d", re.compile(r"^M\d"))
    for kind in {event.kind for event in span[2]}:
        marks = page.locator(f'.bl-replay-trace [data-kind="{kind}"]')
        expect(marks).to_have_count(sum(event.kind is kind for event in span[2]))
    visited = [place_of(page)]
    onward = page.get_by_role("button", name="Next event")
    while onward.is_enabled():
        onward.click()
        visited.append(place_of(page))
    stops = visited[1:]
    assert stops == sorted(stops)
    assert stops
    assert set(stops) <= {event.at for event in span[2]}
    # what follows within half a second is passed together with what it follows
    for event in span[2]:
        assert any(abs(event.at - stop) <= timedelta(seconds=0.5) for stop in (*stops, visited[0]))
    expect(page.locator("#replay-event")).not_to_be_empty()
    page.get_by_role("button", name="Event before").click()
    assert place_of(page) < stops[-1]


def test_its_address_opens_at_the_same_second(
    site: str, visit: Callable[[str], Page], span: tuple[datetime, datetime, list[events.Event]]
) -> None:
    page = visit(address(site, span))
    opened = page.locator("#replay").get_attribute("data-at") or ""
    page.get_by_role("button", name="Next event").click()
    # A busy browser may tell of a click before the page has taken it.
    expect(page.locator("#replay")).not_to_have_attribute("data-at", opened)
    there, shown = place_of(page), page.locator("#replay-time").inner_text()
    # Asked of the page itself: the driver hears of an address that was only replaced a moment later. Dash may put the one of the
    # visit back for a moment.
    link = page.locator("#replay-link").get_attribute("href")
    page.wait_for_function("link => location.pathname + location.search === link", arg=link)
    here = page.evaluate("location.pathname + location.search")
    again = page.context.new_page()
    again.goto(site + here)
    again.wait_for_selector("#replay-time")
    expect(again.locator("#replay-time")).to_have_text(shown)
    assert abs(place_of(again) - there) < timedelta(seconds=1)


def test_the_trace_of_an_event_leads_to_its_second(
    site: str, visit: Callable[[str], Page], span: tuple[datetime, datetime, list[events.Event]]
) -> None:
    at = span[2][0].at
    around = f"from={_z(at - timedelta(minutes=2))}&to={_z(at + timedelta(minutes=2))}"
    page = visit(f"{site}/crane/yard-04?tab=trace&{around}")
    page.get_by_role("link", name="Replay this span").click()
    page.wait_for_selector("#replay-time")
    assert abs(place_of(page) - at) < timedelta(seconds=1)


def test_it_plays_with_the_pictures_moving_and_holds(
    site: str, visit: Callable[[str], Page], span: tuple[datetime, datetime, list[events.Event]]
) -> None:
    page = visit(address(site, span))
    page.get_by_role("button", name="120×").click()
    before = place_of(page)
    boom = page.locator("#replay-side .bl-boom-main").get_attribute("points")
    page.get_by_role("button", name="Play").click()
    page.wait_for_function("Number(document.querySelector('#replay').dataset.draws || 0) > 10")
    expect(page.locator("#replay-side .bl-boom-main")).not_to_have_attribute("points", str(boom))
    page.locator("#replay-play").click()
    held = place_of(page)
    assert held > before
    expect(page.locator("#replay")).to_have_attribute("data-playing", "no")
    page.locator("#replay-place").focus()
    page.keyboard.press("ArrowRight")
    assert timedelta(0) < place_of(page) - held <= timedelta(seconds=1.5)
