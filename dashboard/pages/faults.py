"""Faults: what is open now, which codes come most often, when they came, and the trace around each."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import timedelta
from textwrap import shorten
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard import numbers
from dashboard.parts import charts, events, marks, page
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, together
from domain.answers import EventRow
from domain.messages import EventKind, EventState
from domain.upkeep import OpenFaultRow

DAYS: Final = ("30", "7", "90")
MEANING_CHARACTERS: Final = 44  # what a phone has room for
PARETO_CODES: Final = 12
KINDS: Final = {"faults": (EventKind.FAULT,), "all": (EventKind.FAULT, EventKind.WARNING)}


async def render(visit: Visit) -> Any:
    """The faults of the whole fleet."""
    days = visit.choice("days", DAYS)
    kinds = visit.choice("kinds", tuple(KINDS))
    since = visit.now - timedelta(days=int(days))
    opened, found = await together(
        visit.client.open_faults(), visit.client.events(since, visit.now, kinds=KINDS[kinds], limit=500)
    )
    zone = await _zone(visit)
    head = page.head(t("faults.title"), t("faults.context"), *_controls(kinds, days))
    open_part = (
        charts.missing(t("faults.open"), opened) if isinstance(opened, Trouble) else _open(opened.items, zone)
    )
    if isinstance(found, Trouble):
        return html.Div([head, open_part, charts.missing(t("events.title"), found)])
    raised = [event for event in found.items if event.state is EventState.RAISED]
    if not raised:
        return html.Div([head, open_part, charts.nothing(t("pareto.title"), t("faults.none", days=days))])
    return html.Div(
        [
            head,
            open_part,
            html.Div([_pareto(raised), _timeline(raised, zone)], className="bl-two"),
            html.Section(
                [html.H2(t("events.title")), events.event_grid(found.items, zone, with_crane=True)],
                className="bl-card bl-card-flush",
            ),
        ]
    )


async def _zone(visit: Visit) -> ZoneInfo:
    """The zone of the first site in sight."""
    first = (await visit.client.cranes(limit=1)).items[:1]
    return await ZONES.of_site(first[0].site, first[0].name, visit.client) if first else UTC_ZONE


def _controls(kinds: str, days: str) -> list[Any]:
    which = [(one, t(f"faults.kinds.{one}")) for one in KINDS]
    spans = [(one, t("period.days", count=one)) for one in ("7", "30", "90")]
    return [
        page.choice("kinds", kinds, which, label=t("faults.kinds"), default="faults"),
        page.choice("days", days, spans, label=t("period"), default="30"),
    ]


def _open(rows: Sequence[OpenFaultRow], zone: ZoneInfo) -> html.Section:
    title = html.H2(t("faults.open"))
    if not rows:
        return html.Section([title, marks.mark(State.OK, t("faults.open.none"))], className="bl-card")
    by_crane: dict[str, list[OpenFaultRow]] = defaultdict(list)
    for row in rows:
        by_crane[row.crane].append(row)
    items = [
        html.Li(
            [
                page.crane_link(crane, tab="events"),
                html.Ul([html.Li(_open_line(row, zone)) for row in faults], className="bl-events"),
            ]
        )
        for crane, faults in sorted(by_crane.items())
    ]
    return html.Section(
        [
            title,
            html.P(t("faults.open.note"), className="bl-summary"),
            html.Ul(items, className="bl-open-faults"),
        ],
        className="bl-card",
    )


def _open_line(row: OpenFaultRow, zone: ZoneInfo) -> list[Any]:
    """Code, what it means, what to do, since when, and the trace around it."""
    words = [row.meaning or row.text]
    if row.advice:
        words += [html.Br(), html.Strong(row.advice)]
    at = row.raised_at
    return [
        marks.mark(State.ACT, row.code or t("event.fault")),
        html.Span(words),
        html.Span(
            t("faults.since", when=numbers.moment(at, zone), count=row.raised_times), className="bl-cell-note"
        ),
        dcc.Link(
            t("events.trace"),
            href=events.trace_address(row.crane, at - events.CONTEXT, at + events.CONTEXT),
            className="bl-link",
        ),
    ]


def _pareto(raised: Sequence[EventRow]) -> Any:
    title = t("pareto.title")
    counts = Counter(event.code or t("pareto.no_code") for event in raised)
    words = {event.code: event.text for event in raised}
    top = counts.most_common(PARETO_CODES)
    codes = [f"{code}  " for code, _ in reversed(top)]
    meanings = [words.get(code, "") for code, _ in reversed(top)]
    figure = {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "y": codes,
                "x": [count for _, count in reversed(top)],
                "width": 0.4,
                "offset": -0.45,  # in the lower half of its place: the meaning stands above it, at any width of the screen
                "marker": {"color": "@series"},
                "customdata": meanings,
                "hovertemplate": "%{y}: %{x}<br>%{customdata}<extra></extra>",
            },
            {
                "type": "scatter",
                "mode": "text",
                "y": codes,
                "x": [0] * len(top),
                "text": [shorten(one, MEANING_CHARACTERS, placeholder="…") for one in meanings],
                "textposition": "top right",
                "textfont": {"size": 12},
                "cliponaxis": False,
                "hoverinfo": "skip",
            },
        ],
        "layout": charts.layout(
            x_title=t("axis.times_raised"),
            y_title="",
            height=max(220, 60 + 38 * len(top)),
            yaxis={"type": "category", "showgrid": False},
            xaxis={"rangemode": "tozero"},
        ),
    }
    covered = sum(count for _, count in top[:3])
    return charts.chart(
        "status-codes",
        title,
        t(
            "pareto.summary",
            total=numbers.plain(len(raised)),
            codes=len(counts),
            share=numbers.percent(100 * covered / len(raised)),
        ),
        figure,
        headers=("code", "raised", "text"),
        rows=[(code, count, words.get(code, "")) for code, count in counts.most_common()],
    )


def _timeline(raised: Sequence[EventRow], zone: ZoneInfo) -> Any:
    title = t("timeline.title")
    cranes = sorted({event.crane for event in raised}, reverse=True)
    figure = {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [event.at.astimezone(zone).replace(tzinfo=None).isoformat() for event in raised],
                "y": [event.crane for event in raised],
                "text": [f"{event.code} {event.text}" for event in raised],
                "hovertemplate": "%{y}, %{x|%d %b %H:%M}<br>%{text}<extra></extra>",
                "marker": {
                    "size": 9,
                    "line": {"color": "@ink", "width": 1},
                    "color": [
                        "@act_fill" if event.kind is EventKind.FAULT else "@watch_fill" for event in raised
                    ],
                    "symbol": ["x" if event.kind is EventKind.FAULT else "triangle-up" for event in raised],
                },
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.time", zone=zone.key),
            y_title="",
            height=max(220, 60 + 26 * len(cranes)),
            yaxis={"type": "category", "categoryorder": "array", "categoryarray": cranes},
        ),
    }
    return charts.chart(
        "fault-timeline",
        title,
        t("timeline.summary", cranes=len(cranes)),
        figure,
        headers=("at_utc", "crane", "kind", "code", "text"),
        rows=[(e.at.isoformat(), e.crane, e.kind.value, e.code, e.text) for e in raised],
    )
