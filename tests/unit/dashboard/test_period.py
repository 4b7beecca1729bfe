"""Periods and spans: from words and typed days to the address, and from the address to times."""

import asyncio
from datetime import UTC, date, datetime, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest

from dashboard.parts import form, period
from dashboard.visit import Visit, query_of
from domain.errors import InvalidInput

VIENNA = ZoneInfo("Europe/Vienna")
NOW = datetime(2026, 11, 25, 23, 30, tzinfo=UTC)  # the 26th at the site
WORDS = ("30", "7", period.ALL)


def visited(**query: str) -> Visit:
    return Visit(client=cast("Any", None), path="/crane/heron-3", query=query, now=NOW)


def sent(name: str, values: dict[str, str], context: dict[str, Any]) -> Any:
    return asyncio.run(form.send(cast("Any", None), name, values, context))


def test_days_end_today_at_the_site() -> None:
    found = period.chosen(visited(days="7"), WORDS, VIENNA)
    assert (found.first, found.last) == (date(2026, 11, 20), date(2026, 11, 26))
    assert found.start.isoformat() == "2026-11-20T00:00:00+01:00"
    assert found.end.isoformat() == "2026-11-27T00:00:00+01:00"


def test_typed_days_are_whole_local_days_over_a_change_of_clocks() -> None:
    found = period.chosen(visited(days="dates", first="2026-10-25", last="2026-10-25"), WORDS, VIENNA)
    assert found.end.astimezone(UTC) - found.start.astimezone(UTC) == timedelta(hours=25)


@pytest.mark.parametrize(
    "query", [{"first": "soon"}, {"first": "2026-03-02", "last": "2026-03-01"}, {"first": "2020-01-01", "last": "2026-01-01"}]
)  # fmt: skip
def test_days_that_cannot_be_are_refused(query: dict[str, str]) -> None:
    with pytest.raises(InvalidInput):
        period.chosen(visited(days="dates", **query), WORDS, VIENNA)


def test_typed_days_go_into_the_address_and_come_back_from_it() -> None:
    here = {"path": "/crane/heron-3", "query": {"tab": "duty"}}
    done = sent("dates", {"first": "2026-03-01", "last": "2026-03-09"}, here)
    query = query_of(done.go_to.partition("?")[2])
    assert query == {"tab": "duty", "days": "dates", "first": "2026-03-01", "last": "2026-03-09"}
    found = period.chosen(visited(**query), WORDS, VIENNA)
    assert (found.first, found.last) == (date(2026, 3, 1), date(2026, 3, 9))
    wrong = sent("dates", {"first": "2026-03-10", "last": "2026-03-09"}, here)
    assert set(wrong.problems) == {"last"}
    assert set(sent("dates", {"first": "", "last": "2026-03-09"}, here).problems) == {"first"}


def test_a_typed_span_is_of_the_clock_of_the_site() -> None:
    here = {"path": "/replay/heron-3", "query": {"at": "2026-01-01T00:00:00Z"}, "zone": "Europe/Vienna"}
    done = sent("span", {"from": "2026-07-01T08:00:00", "to": "2026-07-01T08:30"}, here)
    assert done.go_to == "/replay/heron-3?from=2026-07-01T06%3A00%3A00Z&to=2026-07-01T06%3A30%3A00Z"
    start, end = period.span(visited(**query_of(done.go_to.partition("?")[2])), VIENNA)
    assert (start, end) == (datetime(2026, 7, 1, 6, tzinfo=UTC), datetime(2026, 7, 1, 6, 30, tzinfo=UTC))
    assert set(sent("span", {"from": "2026-07-01T08:00", "to": "2026-07-01T08:00"}, here).problems) == {"to"}
    assert set(sent("span", {"from": "8", "to": "2026-07-01T08:00"}, here).problems) == {"from"}


def test_a_span_without_an_offset_in_the_address_is_local_and_without_one_is_the_newest_hour() -> None:
    start, end = period.span(visited(**{"from": "2026-07-01T08:00"}), VIENNA)
    assert (start, end) == (datetime(2026, 7, 1, 6, tzinfo=UTC), datetime(2026, 7, 1, 7, tzinfo=UTC))
    newest = datetime(2026, 11, 20, 9, tzinfo=UTC)
    assert period.span(visited(), VIENNA, end=newest) == (newest - timedelta(hours=1), newest)
    with pytest.raises(InvalidInput):
        period.span(visited(**{"from": "2026-07-01", "to": "2026-09-01"}), VIENNA)
