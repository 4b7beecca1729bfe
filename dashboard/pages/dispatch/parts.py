"""What the pages around dispatch share: their tabs, the zone of the yard, days in the address."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.parts import page
from dashboard.visit import Visit
from domain.job_answers import ReservationRow
from words.texts import spoken, t

TABS: Final = (
    ("one", "/dispatch"),
    ("calendar", "/dispatch/calendar"),
    ("day", "/dispatch/day"),
    ("levelling", "/dispatch/levelling"),
    ("measured", "/dispatch/measured"),
    ("charts", "/dispatch/charts"),
)


def head(here: str, title: str, context: Any = None, *controls: Any) -> html.Div:
    """The heading of a page, and the way to the others."""
    tabs = page.tabs(t("dispatch.tabs"), here, [(key, t(f"dispatch.tab.{key}"), href) for key, href in TABS])
    return html.Div([page.head(title, context, *controls), html.Div(tabs, className="bl-tabs-tall")])


def day_of(visit: Visit, name: str, zone: ZoneInfo) -> date:
    """A day from the address, today in the zone where there is none."""
    try:
        return date.fromisoformat(visit.query.get(name, ""))
    except ValueError:
        return visit.now.astimezone(zone).date()


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """When a day begins in a zone, in UTC."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def clock(row: ReservationRow) -> str:
    """From when until when, in the zone of the crane's site."""
    zone = ZoneInfo(row.time_zone)
    start, end = row.starts_at.astimezone(zone), row.ends_at.astimezone(zone)
    last = f"{end:%H:%M}" if end.date() == start.date() else f"{spoken().day(end, 'short')} {end:%H:%M}"
    return f"{start:%H:%M} – {last} {start.tzname()}"


def days_between(first: date, count: int) -> list[date]:
    """`count` days from the first."""
    return [first + timedelta(days=index) for index in range(count)]
