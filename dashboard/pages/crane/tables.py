"""The tabs of a crane that list: lifts, events, and the recorded trace of a span."""

from datetime import date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard.pages.crane import exclusions as crane_exclusions
from dashboard.pages.crane import faults as crane_faults
from dashboard.parts import charts, events, grid, page, period, trace
from dashboard.parts.grid import bars, column
from dashboard.visit import Trouble, Visit, attempt, together
from domain import attention
from domain.answers import CraneDetail, Lift
from domain.attention import utilisation_state
from domain.messages import EventKind
from domain.remark import rounded
from words import numbers
from words.texts import t

DAYS: Final = ("7", "30", "90")
MARGIN: Final = timedelta(seconds=15)
LIFT_CSV: Final = {
    "started_at_utc": "from_utc", "ended_at_utc": "to_utc", "peak_utilisation_pct": "peak",
    "peak_structural_pct": "structural", "mass_kg_estimated": "mass", "peak_outreach_m": "outreach",
    "slew_travel_deg": "slew", "limiter_stops": "stops", "limiter_overrides": "overrides",
}  # fmt: skip
KINDS: Final[dict[str, tuple[EventKind, ...]]] = {
    "all": (),
    "limiter": (EventKind.WARNING, EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE),
    "faults": (EventKind.FAULT,),
    "modes": (EventKind.MODE_CHANGE, EventKind.SERVICE),
}
TRACE_CHANNELS: Final = (
    "utilisation_pct",
    "outreach_m",
    "slew_deg",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
)


async def render_lifts(visit: Visit, detail: CraneDetail) -> Any:
    """Every lift of a period, each with the way to its trace."""
    zone = ZoneInfo(detail.site.time_zone)
    chosen = period.chosen(visit, DAYS, zone)
    answer = await visit.client.lifts(detail.crane.name, chosen.start, chosen.end, limit=500)
    top = period.control(visit, chosen, DAYS)
    if not answer.items:
        words = t("lifts.none", first=numbers.day(chosen.first), last=numbers.day(chosen.last))
        return html.Div([top, charts.nothing(t("lifts.title"), words)])
    heaviest = max(answer.items, key=lambda lift: lift.peak_utilisation_pct)
    summary = [
        t("lifts.summary", count=numbers.plain(len(answer.items)), peak=numbers.percent(heaviest.peak_utilisation_pct, "least")),
        page.link(numbers.moment(heaviest.started_at, zone), _trace_of(heaviest)),
        t("lifts.summary.rest"),
    ]  # fmt: skip
    after: list[Any] = [charts.grid_csv("lift-grid", LIFT_CSV)]
    if answer.next_cursor:
        summary.append(t("lifts.more"))
        after.append(_earlier(visit, chosen, answer.items[-1].started_at.astimezone(zone).date()))
    return html.Div(
        [
            top,
            page.card(
                t("lifts.title"),
                grid.grid(
                    "lift-grid",
                    t("lifts.title"),
                    _lift_columns(visit, zone),
                    [_lift_row(lift, visit, zone) for lift in answer.items],
                ),
                html.P(after, className="bl-after-grid"),
                note=summary,
                flush=True,
            ),
        ]
    )


def _earlier(visit: Visit, chosen: period.Period, oldest: date) -> dcc.Link:
    """To the lifts of the period that had no room: those up to the day of the oldest one shown."""
    first = str(chosen.first)
    href = visit.href(days=period.DATES, first=first, last=str(max(oldest, chosen.first or oldest)))
    return page.link(t("lifts.earlier"), href)


def _trace_of(lift: Lift) -> str:
    return events.trace_address(lift.crane, lift.started_at - MARGIN, lift.ended_at + MARGIN)


def _lift_columns(visit: Visit, zone: ZoneInfo) -> list[dict[str, Any]]:
    length, mass = numbers.length_unit(visit.units), numbers.mass_unit(visit.units)
    return [
        column("started", t("lifts.col.started", zone=zone.key), 150, "LinkCell", flex=2),
        bars("peak", t("lifts.col.peak"), 130, 120.0, (attention.WARNING_PCT, 120.0)),
        column(
            "mass",
            t("lifts.col.mass", unit=mass),
            90,
            "DayCell",
            cellClass=["ag-right-aligned-cell", "bl-cell-estimated"],
            narrow=False,
            right=True,
        ),
        column("outreach", t("lifts.col.outreach", unit=length), 90, "DayCell", narrow=False, right=True),
        column("structural", t("lifts.col.structural"), 90, narrow=False, right=True),
        column("slew", t("lifts.col.slew"), 90, narrow=False, right=True),
        column("stops", t("fleet.col.stops"), 90, narrow=False, right=True),
        column("overrides", t("fleet.col.overrides"), 95, narrow=False, right=True),
        column("lasted", t("lifts.col.lasted"), 90, narrow=False, sortable=False),
    ]


def _lift_row(lift: Lift, visit: Visit, zone: ZoneInfo) -> dict[str, Any]:
    peak = lift.peak_utilisation_pct
    return {
        "started": numbers.moment(lift.started_at, zone, seconds=True),
        "started_href": _trace_of(lift),
        "from_utc": lift.started_at.isoformat(),
        "to_utc": lift.ended_at.isoformat(),
        "peak": peak,
        "peak_state": utilisation_state(peak).value,
        "peak_text": numbers.percent(peak, "least"),
        "peak_note": "",
        "structural": int(rounded(lift.peak_structural_pct, 0, "least")),
        "mass": lift.mass_kg,
        "mass_text": _estimated(lift.mass_kg, visit),
        "outreach": lift.peak_outreach_m,
        "outreach_text": _length(lift.peak_outreach_m, visit),
        "slew": round(lift.slew_travel_deg),
        "stops": lift.limiter_stops,
        "overrides": lift.limiter_overrides,
        "lasted": numbers.duration((lift.ended_at - lift.started_at).total_seconds()),
    }


def _estimated(mass_kg: float | None, visit: Visit) -> str:
    """A mass in the unit of its column, marked as an estimate."""
    if mass_kg is None:
        return numbers.MISSING
    decimals = 0 if visit.units is numbers.Units.US else 2
    return f"≈{numbers.NBSP}{numbers.plain(mass_kg / numbers.mass_factor(visit.units), decimals)}"


def _length(length_m: float | None, visit: Visit) -> str:
    return numbers.plain(None if length_m is None else length_m / numbers.length_factor(visit.units), 1)


async def render_events(visit: Visit, detail: CraneDetail) -> Any:
    """Every event of a period."""
    zone = ZoneInfo(detail.site.time_zone)
    chosen, name = period.chosen(visit, DAYS, zone), detail.crane.name
    kinds = visit.choice("kinds", tuple(KINDS))
    answer, episodes, *overloads = await together(
        visit.client.events(chosen.start, chosen.end, crane=name, kinds=KINDS[kinds], limit=500),
        visit.client.fault_episodes(name, chosen.start, chosen.end),
        *([visit.client.faults_and_overloads(crane=name)] if kinds == "faults" else []),
    )
    words = [(one, t(f"events.kinds.{one}")) for one in KINDS]
    top = html.Div(
        [
            page.choice("kinds", kinds, words, label=t("events.kinds"), default="all"),
            period.control(visit, chosen, DAYS),
        ],
        className="bl-period",
    )
    if isinstance(answer, Trouble):
        return html.Div([top, charts.missing(t("events.title"), answer)])
    if not answer.items:
        return html.Div([top, charts.nothing(t("events.title"), t("events.none"))])
    summary = t(
        "events.summary",
        count=numbers.plain(len(answer.items)),
        more=t("events.more") if answer.next_cursor else "",
    )
    return html.Div(
        [
            top,
            charts.missing(t("episodes.title"), episodes)
            if isinstance(episodes, Trouble)
            else crane_faults.section(
                name,
                episodes.items,
                zone,
                visit.units,
                next((one for one in overloads if not isinstance(one, Trouble)), None),
            ),
            page.card(t("events.title"), events.event_grid(answer.items, zone), note=summary, flush=True),
        ]
    )


async def render_trace(visit: Visit, detail: CraneDetail) -> Any:
    """The recorded channels between two times: the evidence behind a lift or an event."""
    name = detail.crane.name
    zone = ZoneInfo(detail.site.time_zone)
    start, end = await shown_span(visit, name, zone)
    samples, found, excluded, me = await together(
        visit.client.samples(name, start, end, channels=TRACE_CHANNELS, points=800, further=True),
        visit.client.events(start, end, crane=name, limit=200),
        visit.client.exclusions(name),
        visit.client.me(),
    )
    if isinstance(samples, Trouble):
        return charts.missing(t("trace.title"), samples)
    shown = () if isinstance(found, Trouble) else found.items
    out = () if isinstance(excluded, Trouble) else excluded.items
    may = not isinstance(me, Trouble) and me.role in crane_exclusions.MAY_EXCLUDE
    middle = start + (end - start) / 2  # an event's trace is made around it: the replay opens at its second
    span = {"from": start.isoformat(), "to": end.isoformat(), "at": middle.isoformat(timespec="seconds")}
    replay = visit.href(f"/replay/{name}", **span)
    return html.Div(
        [
            period.span_form(visit, start, end, zone),
            html.P(
                [
                    t(
                        "trace.span",
                        start=numbers.moment(start, zone, seconds=True),
                        end=numbers.moment(end, zone, seconds=True),
                        samples=numbers.plain(samples.recorded_samples),
                    ),
                    " ",
                    page.link(t("trace.replay"), replay),
                ],
                className="bl-period",
            ),
            trace.utilisation(samples, shown, zone, excluded=crane_exclusions.in_force(out, start, end)),
            crane_exclusions.section(name, out, start, end, zone, may=may),
            *(
                trace.channel(samples, channel, zone, visit.units, computed=channel in samples.computed)
                for channel in dict.fromkeys((*TRACE_CHANNELS[1:], *samples.series))
                if channel != TRACE_CHANNELS[0]
            ),
            events.event_list(shown, zone),
        ]
    )


async def shown_span(visit: Visit, crane: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """The span that the address names, or the newest recorded hour of the crane."""
    end = None
    if "from" not in visit.query:
        live = await attempt(visit.client.live(crane))
        end = getattr(live, "at", None)
    return period.span(visit, zone, end=end)
