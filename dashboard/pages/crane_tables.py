"""The tabs of a crane that list: lifts, events, and the recorded trace of a span."""

from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard import numbers
from dashboard.pages import crane_faults
from dashboard.parts import charts, events, grid, marks, page, trace
from dashboard.parts.marks import utilisation_state
from dashboard.texts import t
from dashboard.visit import Trouble, Visit, together
from domain.answers import CraneDetail
from domain.errors import InvalidInput
from domain.lift import Lift

DAYS: Final = ("7", "30", "90")
MARGIN: Final = timedelta(seconds=15)
TRACE_CHANNELS: Final = (
    "utilisation_pct",
    "outreach_m",
    "slew_deg",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
)
LONGEST_TRACE: Final = timedelta(days=31)


def _days(visit: Visit) -> tuple[str, Any]:
    days = visit.choice("days", DAYS)
    return days, page.choice(
        "days", days, [(one, t("period.days", count=one)) for one in DAYS], label=t("period"), default="7"
    )


async def render_lifts(visit: Visit, detail: CraneDetail) -> Any:
    """Every lift of a period, each with the way to its trace."""
    days, control = _days(visit)
    zone = ZoneInfo(detail.site.time_zone)
    answer = await visit.client.lifts(
        detail.crane.name, visit.now - timedelta(days=int(days)), visit.now, limit=500
    )
    top = html.Div(control, className="bl-period")
    if not answer.items:
        return html.Div([top, charts.nothing(t("lifts.title"), t("lifts.none", days=days))])
    heaviest = max(answer.items, key=lambda lift: lift.peak_utilisation_pct)
    return html.Div(
        [
            top,
            html.Section(
                [
                    html.Div(
                        [
                            html.H2(t("lifts.title")),
                            html.P(
                                t(
                                    "lifts.summary",
                                    count=numbers.plain(len(answer.items)),
                                    more=t("lifts.more") if answer.next_cursor else "",
                                    peak=numbers.percent(heaviest.peak_utilisation_pct),
                                    when=numbers.moment(heaviest.started_at, zone),
                                ),
                                className="bl-summary",
                            ),
                        ]
                    ),
                    grid.grid(
                        "lift-grid",
                        t("lifts.title"),
                        _lift_columns(visit, zone),
                        [_lift_row(lift, visit, zone) for lift in answer.items],
                    ),
                ],
                className="bl-card bl-card-flush",
            ),
        ]
    )


def _lift_columns(visit: Visit, zone: ZoneInfo) -> list[dict[str, Any]]:
    length, mass = numbers.length_unit(visit.units), numbers.mass_unit(visit.units)
    return [
        {
            "field": "started",
            "headerName": t("lifts.col.started", zone=zone.key),
            "cellRenderer": "LinkCell",
            "minWidth": 210,
            "flex": 1,
        },
        {
            "field": "peak",
            "headerName": t("lifts.col.peak"),
            "cellRenderer": "BarCell",
            "cellRendererParams": {"kind": "peak", "full": 120.0, "band": [marks.WARNING_PCT, 120.0]},
            "minWidth": 130,
        },
        {
            "field": "mass",
            "headerName": t("lifts.col.mass", unit=mass),
            "type": "rightAligned",
            "minWidth": 90,
            "narrow": False,
        },
        {
            "field": "outreach",
            "headerName": t("lifts.col.outreach", unit=length),
            "type": "rightAligned",
            "minWidth": 90,
            "narrow": False,
        },
        {
            "field": "structural",
            "headerName": t("lifts.col.structural"),
            "type": "rightAligned",
            "minWidth": 90,
            "narrow": False,
        },
        {
            "field": "slew",
            "headerName": t("lifts.col.slew"),
            "type": "rightAligned",
            "minWidth": 90,
            "narrow": False,
        },
        {
            "field": "stops",
            "headerName": t("fleet.col.stops"),
            "type": "rightAligned",
            "minWidth": 90,
            "narrow": False,
        },
        {
            "field": "overrides",
            "headerName": t("fleet.col.overrides"),
            "type": "rightAligned",
            "minWidth": 95,
            "narrow": False,
        },
        {
            "field": "lasted",
            "headerName": t("lifts.col.lasted"),
            "minWidth": 90,
            "narrow": False,
            "sortable": False,
        },
    ]


def _lift_row(lift: Lift, visit: Visit, zone: ZoneInfo) -> dict[str, Any]:
    peak = lift.peak_utilisation_pct
    return {
        "started": numbers.moment(lift.started_at, zone, seconds=True),
        "started_href": events.trace_address(lift.crane, lift.started_at - MARGIN, lift.ended_at + MARGIN),
        "peak": peak,
        "peak_state": utilisation_state(peak).value,
        "peak_text": numbers.percent(peak),
        "peak_note": "",
        "structural": round(lift.peak_structural_pct),
        "mass": None if lift.mass_kg is None else round(lift.mass_kg / numbers.mass_factor(visit.units), 2),
        "outreach": None
        if lift.peak_outreach_m is None
        else round(lift.peak_outreach_m / numbers.length_factor(visit.units), 1),
        "slew": round(lift.slew_travel_deg),
        "stops": lift.limiter_stops,
        "overrides": lift.limiter_overrides,
        "lasted": numbers.duration((lift.ended_at - lift.started_at).total_seconds()),
    }


async def render_events(visit: Visit, detail: CraneDetail) -> Any:
    """Every event of a period."""
    days, control = _days(visit)
    zone = ZoneInfo(detail.site.time_zone)
    start, name = visit.now - timedelta(days=int(days)), detail.crane.name
    answer, episodes = await together(
        visit.client.events(start, visit.now, crane=name, limit=500),
        visit.client.fault_episodes(name, start, visit.now),
    )
    if isinstance(answer, Trouble):
        return charts.missing(t("events.title"), answer)
    top = html.Div(control, className="bl-period")
    if not answer.items:
        return html.Div([top, charts.nothing(t("events.title"), t("events.none"))])
    summary = t(
        "events.summary",
        count=numbers.plain(len(answer.items)),
        more=t("lifts.more") if answer.next_cursor else "",
    )
    return html.Div(
        [
            top,
            charts.missing(t("episodes.title"), episodes)
            if isinstance(episodes, Trouble)
            else crane_faults.section(name, episodes.items, zone, visit.units),
            html.Section(
                [
                    html.Div([html.H2(t("events.title")), html.P(summary, className="bl-summary")]),
                    events.event_grid(answer.items, zone),
                ],
                className="bl-card bl-card-flush",
            ),
        ]
    )


async def render_trace(visit: Visit, detail: CraneDetail) -> Any:
    """The recorded channels between two times: the evidence behind a lift or an event."""
    name = detail.crane.name
    zone = ZoneInfo(detail.site.time_zone)
    start, end = span_of(visit)
    samples, found = await together(
        visit.client.samples(name, start, end, channels=TRACE_CHANNELS, points=800),
        visit.client.events(start, end, crane=name, limit=200),
    )
    if isinstance(samples, Trouble):
        return charts.missing(t("trace.title"), samples)
    shown = () if isinstance(found, Trouble) else found.items
    middle = start + (end - start) / 2  # an event's trace is made around it: the replay opens at its second
    span = {"from": start.isoformat(), "to": end.isoformat(), "at": middle.isoformat(timespec="seconds")}
    replay = visit.href(f"/replay/{name}", **span)
    return html.Div(
        [
            html.P(
                [
                    t(
                        "trace.span",
                        start=numbers.moment(start, zone, seconds=True),
                        end=numbers.moment(end, zone, seconds=True),
                        samples=numbers.plain(samples.recorded_samples),
                    ),
                    " ",
                    dcc.Link(t("trace.replay"), href=replay, className="bl-link"),
                ],
                className="bl-period",
            ),
            trace.utilisation(samples, shown, zone),
            *(trace.channel(samples, channel, zone) for channel in TRACE_CHANNELS[1:]),
            events.event_list(shown, zone),
        ]
    )


def span_of(visit: Visit) -> tuple[datetime, datetime]:
    """The span that an address asks for with `from` and `to`; the last hour where it names none."""
    try:
        start = (
            datetime.fromisoformat(visit.query["from"])
            if "from" in visit.query
            else visit.now - timedelta(hours=1)
        )
        end = datetime.fromisoformat(visit.query["to"]) if "to" in visit.query else start + timedelta(hours=1)
    except ValueError as problem:
        raise InvalidInput(t("trace.bad_span"), field="from") from problem
    start, end = (when if when.tzinfo else when.replace(tzinfo=UTC) for when in (start, end))
    if not timedelta(0) < end - start <= LONGEST_TRACE:
        raise InvalidInput(t("trace.bad_span"), field="to")
    return start, end
