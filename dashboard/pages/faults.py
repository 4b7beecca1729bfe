"""Faults: what is open now, which codes come most often, when they came, and the trace around each."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

from dash import dcc, html

from dashboard import numbers
from dashboard.parts import charts, events, marks, page
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import UTC_ZONE, ZONES, Visit, attempt
from domain.answers import EventRow, FaultRow, Page
from domain.messages import EventKind, EventState

DAYS: Final = ("30", "7", "90")
PARETO_CODES: Final = 12
KINDS: Final = {"faults": (EventKind.FAULT,), "all": (EventKind.FAULT, EventKind.WARNING)}


async def render(visit: Visit) -> Any:
    """The faults of the whole fleet."""
    days = visit.choice("days", DAYS)
    kinds = visit.choice("kinds", tuple(KINDS))
    fleet = await visit.client.fleet(days=int(days))
    found = await visit.client.events(
        visit.now - timedelta(days=int(days)),
        visit.now,
        kinds=KINDS[kinds],
        limit=500,
    )
    zone = (
        UTC_ZONE
        if not fleet.rows
        else await ZONES.of_site(fleet.rows[0].site, fleet.rows[0].crane, visit.client)
    )
    faulty = [row.crane for row in fleet.rows if row.open_faults]
    opened = [(crane, await attempt(visit.client.faults(crane, days=int(days)))) for crane in faulty[:20]]
    raised = [event for event in found.items if event.state is EventState.RAISED]
    control = page.choice(
        "days",
        days,
        [(one, t("period.days", count=one)) for one in ("7", "30", "90")],
        label=t("period"),
        default="30",
    )
    which = page.choice(
        "kinds",
        kinds,
        [(one, t(f"faults.kinds.{one}")) for one in KINDS],
        label=t("faults.kinds"),
        default="faults",
    )
    head = page.head(t("faults.title"), t("faults.context"), which, control)
    if not raised and not faulty:
        return html.Div([head, charts.nothing(t("faults.open"), t("faults.none", days=days))])
    return html.Div(
        [
            head,
            _open(
                [
                    (crane, row)
                    for crane, answer in opened
                    if isinstance(answer, Page)
                    for row in answer.items
                    if row.open_since
                ],
                zone,
            ),
            html.Div([_pareto(raised), _timeline(raised, zone)], className="bl-two") if raised else None,
            html.Section(
                [html.H2(t("events.title")), events.event_grid(found.items, zone, with_crane=True)],
                className="bl-card bl-card-flush",
            ),
        ]
    )


def _open(rows: list[tuple[str, FaultRow]], zone: Any) -> html.Section:
    title = html.H2(t("faults.open"))
    if not rows:
        return html.Section([title, marks.mark(State.OK, t("faults.open.none"))], className="bl-card")
    by_crane: dict[str, list[FaultRow]] = defaultdict(list)
    for crane, row in rows:
        by_crane[crane].append(row)
    items = [
        html.Li(
            [
                page.crane_link(crane, tab="events"),
                html.Ul([html.Li(_open_line(crane, row, zone)) for row in faults], className="bl-events"),
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


def _open_line(crane: str, row: FaultRow, zone: Any) -> list[Any]:
    since = row.open_since or row.last_at
    return [
        marks.mark(State.ACT, row.code or t("event.fault")),
        html.Span(row.text),
        html.Span(
            t("faults.since", when=numbers.moment(since, zone), count=row.raised), className="bl-cell-note"
        ),
        dcc.Link(
            t("events.trace"),
            href=events.trace_address(crane, since - events.CONTEXT, since + events.CONTEXT),
            className="bl-link",
        ),
    ]


def _pareto(raised: Sequence[EventRow]) -> Any:
    title = t("pareto.title")
    counts = Counter(event.code or t("pareto.no_code") for event in raised)
    words = {event.code: event.text for event in raised}
    top = counts.most_common(PARETO_CODES)
    figure = {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "y": [f"{code}  " for code, _ in reversed(top)],
                "x": [count for _, count in reversed(top)],
                "marker": {"color": "@series"},
                "text": [words.get(code, "")[:40] for code, _ in reversed(top)],
                "textposition": "auto",
                "insidetextanchor": "start",
                "hovertemplate": "%{y}: %{x}<br>%{text}<extra></extra>",
            }
        ],
        "layout": charts.layout(
            x_title=t("axis.times_raised"),
            y_title="",
            height=max(220, 60 + 26 * len(top)),
            yaxis={"type": "category", "showgrid": False},
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


def _timeline(raised: Sequence[EventRow], zone: Any) -> Any:
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
