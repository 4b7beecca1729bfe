"""Faults: what is open now, which codes come most often, when they came, and the trace around each."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from textwrap import shorten
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.crane import faults as crane_faults
from dashboard.parts import charts, events, marks, page, period
from dashboard.visit import ZONES, Trouble, Visit, together
from domain.answers import EventRow, Page
from domain.attention import State
from domain.fault_answers import CraneFaultsRow, FaultPareto
from domain.maintenance import OpenFaultRow
from domain.messages import EventKind, EventState
from domain.units import S_PER_H
from words import numbers
from words.texts import t

DAYS: Final = ("30", "7", "90")
MEANING_CHARACTERS: Final = 44  # what a phone has room for
PARETO_CODES: Final = 12
MOST_EVENTS: Final = 500
EXPLAINED: Final = 6  # cranes of the open list for which is asked what they were doing
KINDS: Final = {"faults": (EventKind.FAULT,), "all": (EventKind.FAULT, EventKind.WARNING)}


async def render(visit: Visit) -> Any:
    """The faults of the whole fleet."""
    zone = await ZONES.of_yard(visit.client)
    chosen = period.chosen(visit, DAYS, zone)
    kinds = visit.choice("kinds", tuple(KINDS))
    opened, pareto, found = await together(
        visit.client.open_faults(),
        visit.client.fault_pareto(chosen.start, chosen.end),
        visit.client.events(chosen.start, chosen.end, kinds=KINDS[kinds], limit=MOST_EVENTS),
    )
    parts: list[Any] = [
        page.head(t("faults.title"), t("faults.context"), *_controls(visit, kinds, chosen)),
        charts.missing(t("faults.open"), opened)
        if isinstance(opened, Trouble)
        else _open(opened.items, await _moments(visit, opened.items), zone),
    ]
    texts = _texts(opened, found)
    if isinstance(pareto, Trouble):
        parts.append(charts.missing(t("pareto.title"), pareto))
    elif pareto.codes:
        parts.append(html.Div([_pareto(pareto, texts), _by_crane(pareto)], className="bl-two"))
    else:
        none = t("faults.none", first=numbers.day(chosen.first), last=numbers.day(chosen.last))
        parts.append(charts.nothing(t("pareto.title"), none))
    parts += (
        [charts.missing(t("events.title"), found)]
        if isinstance(found, Trouble)
        else _events(found, zone, chosen)
    )
    return html.Div(parts)


def _texts(opened: Any, found: Any) -> dict[str, str]:
    """What a code means, as the catalogue or the crane says it."""
    texts = {event.code: event.text for event in getattr(found, "items", ())}
    return texts | {row.code: row.meaning or row.text for row in getattr(opened, "items", ())}


def _events(found: Page[EventRow], zone: ZoneInfo, chosen: period.Period) -> list[Any]:
    """When they came, and each of them; what had no room is said."""
    raised = [event for event in found.items if event.state is EventState.RAISED]
    if not raised:
        return []
    more = t("faults.more", count=MOST_EVENTS) if found.next_cursor else ""
    head = html.Div([html.H2(t("events.title")), page.note(more) if more else None])
    return [
        _timeline(raised, zone, chosen, more),
        html.Section(
            [head, events.event_grid(found.items, zone, with_crane=True)], className="bl-card bl-card-flush"
        ),
    ]


async def _moments(visit: Visit, rows: Sequence[OpenFaultRow]) -> dict[tuple[str, str], str]:
    """What a crane was doing when an open fault came, by crane and code; for the first cranes of the list."""
    since: dict[str, datetime] = {}
    for row in rows:
        since[row.crane] = min(row.raised_at, since.get(row.crane, row.raised_at))
    asked = dict(list(since.items())[:EXPLAINED])
    span = period.LONGEST - timedelta(days=1)
    answers = await together(
        *(
            visit.client.fault_episodes(crane, max(first, visit.now - span), visit.now)
            for crane, first in asked.items()
        )
    )
    return {
        (crane, episode.code): crane_faults.doing(episode, visit.units)
        for crane, answer in zip(asked, answers, strict=True)
        for episode in getattr(answer, "items", ())
        if episode.cleared_at is None
    }


def _controls(visit: Visit, kinds: str, chosen: period.Period) -> list[Any]:
    which = [(one, t(f"faults.kinds.{one}")) for one in KINDS]
    return [
        page.choice("kinds", kinds, which, label=t("faults.kinds"), default="faults"),
        period.control(visit, chosen, DAYS),
    ]


def _open(
    rows: Sequence[OpenFaultRow], moments: Mapping[tuple[str, str], str], zone: ZoneInfo
) -> html.Section:
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
                html.Ul(
                    [html.Li(_open_line(row, moments.get((crane, row.code), ""), zone)) for row in faults],
                    className="bl-events",
                ),
            ]
        )
        for crane, faults in sorted(by_crane.items())
    ]
    return html.Section(
        [
            title,
            page.note(t("faults.open.note")),
            html.Ul(items, className="bl-open-faults"),
        ],
        className="bl-card",
    )


def _open_line(row: OpenFaultRow, moment: str, zone: ZoneInfo) -> list[Any]:
    """Code, what it means, what to do, what the crane was doing, since when, and the trace around it."""
    words: list[Any] = [row.meaning or row.text]
    if row.advice:
        words += [html.Br(), html.Strong(row.advice)]
    if moment:
        words += [html.Br(), html.Span(t("faults.moment", doing=moment), className="bl-cell-soft")]
    at = row.raised_at
    return [
        marks.mark(State.ACT, row.code or t("event.fault")),
        html.Span(words),
        html.Span(
            t("faults.since", when=numbers.moment(at, zone), count=row.raised_times), className="bl-cell-note"
        ),
        page.link(
            t("events.trace"), events.trace_address(row.crane, at - events.CONTEXT, at + events.CONTEXT)
        ),
    ]


def _pareto(found: FaultPareto, texts: Mapping[str, str]) -> Any:
    """Codes by how often they came, each with its share and the share with those above it."""
    title = t("pareto.title")
    total = sum(row.count for row in found.codes)
    top = found.codes[:PARETO_CODES][::-1]
    codes = [f"{row.code or t('pareto.no_code')}  " for row in top]
    meanings = [texts.get(row.code, "") for row in top]
    figure = {
        "data": [
            {
                "type": "bar",
                "orientation": "h",
                "y": codes,
                "x": [row.count for row in top],
                "width": 0.4,
                "offset": -0.45,  # in the lower half of its place: the meaning stands above it, at any width of the screen
                "marker": {"color": "@series"},
                "customdata": meanings,
                "text": [f"{row.count} · {numbers.share(row.running_share)}" for row in top],
                "textposition": "outside",
                "textfont": {"size": 12},
                "cliponaxis": False,
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
            xaxis={"range": [0, 1.35 * max(row.count for row in top)]},
        ),
    }
    third = found.codes[min(3, len(found.codes)) - 1]
    return charts.chart(
        "status-codes",
        title,
        t(
            "pareto.summary",
            total=numbers.plain(total),
            codes=len(found.codes),
            share=numbers.share(third.running_share),
        ),
        figure,
        headers=("code", "raised", "cranes", "open", "open_hours", "repeats", "running_share", "text"),
        rows=[
            (
                r.code,
                r.count,
                r.cranes,
                r.open,
                r.open_hours,
                r.repeats,
                r.running_share,
                texts.get(r.code, ""),
            )
            for r in found.codes
        ],
    )


def _by_crane(found: FaultPareto) -> html.Section:
    """The cranes with most faults, against their hours at work."""
    faulty = [row for row in found.cranes if row.count]
    rows = [
        (
            page.row_head(page.crane_link(row.crane, tab="events", kinds="faults")),
            numbers.plain(row.count),
            numbers.plain(row.codes),
            numbers.plain(row.open),
            _hours_between(row),
        )
        for row in faulty[:PARETO_CODES]
    ]
    headers = [t(f"faults.col.{name}") for name in ("crane", "count", "codes", "open", "between")]
    table = (
        ("crane", "raised", "codes", "open", "working_hours", "hours_between"),
        [(r.crane, r.count, r.codes, r.open, r.working_hours, r.hours_between) for r in faulty],
    )
    return page.card(
        t("faults.by_crane"),
        page.table(headers, rows),
        charts.numbers_behind("faults-by-crane", *table),
        note=t("faults.by_crane.note"),
    )


def _hours_between(row: CraneFaultsRow) -> str:
    if row.hours_between is None:
        return numbers.MISSING
    return numbers.hours(S_PER_H * row.hours_between)


def _timeline(raised: Sequence[EventRow], zone: ZoneInfo, chosen: period.Period, more: str) -> Any:
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
            xaxis={
                "type": "date",
                "tickformatstops": charts.TIMES,
                "range": [str(chosen.first), str((chosen.last or chosen.end.date()) + timedelta(days=1))],
            },
            yaxis={"type": "category", "categoryorder": "array", "categoryarray": cranes},
        ),
    }
    return charts.chart(
        "fault-timeline",
        title,
        f"{t('timeline.summary', cranes=len(cranes))} {more}".strip(),
        figure,
        headers=("at_utc", "crane", "kind", "code", "text"),
        rows=[(e.at.isoformat(), e.crane, e.kind.value, e.code, e.text) for e in raised],
    )
