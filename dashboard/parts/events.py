"""Events in the order in which they happened, as a short list or as a grid."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dash import html

from dashboard.parts import charts, grid, marks, page
from dashboard.parts.grid import column
from domain.answers import EventRow
from domain.attention import State
from domain.messages import EventKind, EventState
from words import numbers
from words.texts import t

CSV_FIELDS: Final = {
    "at_utc": "at_utc", "crane": "crane", "kind": "kind", "state": "raised", "code": "code", "text": "text",
}  # fmt: skip
CONTEXT: Final = timedelta(minutes=2)
STATES: Final[dict[EventKind, State]] = {
    EventKind.FAULT: State.ACT,
    EventKind.LIMITER_OVERRIDE: State.ACT,
    EventKind.LIMITER_STOP: State.WATCH,
    EventKind.WARNING: State.WATCH,
    EventKind.MODE_CHANGE: State.OK,
    EventKind.SERVICE: State.OK,
}


def trace_address(crane: str, start: Any, end: Any) -> str:
    """The address of the recorded trace of a crane between two times."""
    return f"/crane/{crane}?" + urlencode({"tab": "trace", "from": start.isoformat(), "to": end.isoformat()})


def state_of(event: EventRow) -> State:
    """How much attention an event wants: a cleared one none."""
    return State.OK if event.state is EventState.CLEARED else STATES[event.kind]


def word_of(event: EventRow) -> str:
    """What happened, in the words of the trade."""
    word = t(f"event.{event.kind}")
    return f"{word} {t('event.cleared')}" if event.state is EventState.CLEARED else word


def event_list(events: Sequence[EventRow], zone: ZoneInfo, *, all_at: str | None = None) -> html.Section:
    """The newest events, each with the way to the trace around it. all_at: where every event is listed."""
    if not events:
        return charts.nothing(t("events.title"), t("events.none"))
    items = html.Ol([html.Li(_line(event, zone)) for event in events], className="bl-events")
    rest = html.P(page.link(t("events.all"), all_at), className="bl-after-grid") if all_at else None
    return page.card(t("events.title"), items, rest)


def _line(event: EventRow, zone: ZoneInfo) -> list[Any]:
    return [
        html.Time(numbers.moment(event.at, zone, seconds=True), dateTime=event.at.isoformat()),
        marks.mark(state_of(event), word_of(event)),
        html.Span(" ".join(filter(None, (event.code, event.text)))),
        page.link(
            t("events.trace"),
            trace_address(event.crane, event.at - CONTEXT, event.at + CONTEXT),
            title=t("events.trace.label", time=numbers.moment(event.at, zone, seconds=True)),
        ),
    ]


def event_grid(events: Sequence[EventRow], zone: ZoneInfo, *, with_crane: bool = False) -> html.Div:
    """All events of a period, sortable and filterable, and as a file."""
    columns: list[dict[str, Any]] = [
        column("at", t("events.col.at", zone=zone.key), 128, "LinkCell", flex=1),
        column("crane", t("fleet.col.crane"), 84, hide=not with_crane),
        column("word", t("events.col.kind"), 132, "MarkCell", filter=True),
        column("code", t("events.col.code"), 100, filter=True, narrow=False),
        column("text", t("events.col.text"), 240, filter=True, flex=2, narrow=False, wrap=True),
    ]
    rows = [
        {
            "at": numbers.moment(event.at, zone, seconds=True),
            "at_utc": event.at.isoformat(),
            "kind": event.kind.value,
            "raised": event.state.value,
            "at_href": trace_address(event.crane, event.at - CONTEXT, event.at + CONTEXT),
            "crane": event.crane,
            "word": word_of(event),
            "state": state_of(event).value,
            "code": event.code or numbers.MISSING,
            "text": event.text,
        }
        for event in events
    ]
    return html.Div(
        [
            grid.grid("event-grid", t("events.title"), columns, rows),
            html.P(charts.grid_csv("event-grid", CSV_FIELDS), className="bl-after-grid"),
        ]
    )
