"""One overload: the lift with its trace, what was decided about it, and the form that decides."""

from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard.client import Client
from dashboard.pages.overloads import page as overloads
from dashboard.pages.overloads.page import MARGIN, MAY_DECIDE
from dashboard.parts import charts, events, form, marks, page, trace
from dashboard.parts.form import Done, Values
from dashboard.visit import Trouble, Visit, together
from domain.errors import InvalidInput
from domain.overload import (
    OverloadDecision,
    OverloadDecisionAsked,
    OverloadEntry,
    OverloadRow,
    OverloadState,
)
from words import numbers
from words.texts import t

POINTS: Final = 800


async def render(visit: Visit) -> Any:
    """The entry of the lift that was under way at the moment in the address; the list of the crane without one."""
    if "at" not in visit.query:
        return await overloads.render(visit)
    name = visit.place["crane"]
    detail = await visit.client.crane(name)
    zone = ZoneInfo(detail.site.time_zone)
    found, tag = await visit.client.overload(name, _moment(visit.query["at"]))
    row = found.entry
    start, end = row.started_at - MARGIN, row.ended_at + MARGIN
    samples, happened, excluded, me = await together(
        visit.client.samples(name, start, end, channels=("utilisation_pct", "outreach_m"), points=POINTS),
        visit.client.events(start, end, crane=name, limit=200),
        visit.client.exclusions(name),
        visit.client.me(),
    )
    shown = () if isinstance(happened, Trouble) else happened.items
    out = () if isinstance(excluded, Trouble) else excluded.items
    may = not isinstance(me, Trouble) and me.role in MAY_DECIDE
    span = [one for one in out if one.withdrawn_at is None and one.from_at < end and one.to_at > start]
    return html.Div(
        [
            _head(row, zone),
            _facts(row, visit),
            *(
                [charts.missing(t("trace.title"), samples)]
                if isinstance(samples, Trouble)
                else [
                    trace.utilisation(samples, shown, zone, excluded=span),
                    trace.channel(
                        samples, "outreach_m", zone, visit.units, computed="outreach_m" in samples.computed
                    ),
                ]
            ),
            _decision(found, tag, zone, may=may),
            events.event_list(shown, zone) if shown else None,
            marks.cautions(found.cautions, strong=True),
        ]
    )


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None:
        raise InvalidInput(t("overloads.at.problem"), field="at")
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def _head(row: OverloadRow, zone: ZoneInfo) -> Any:
    words = t(
        "overloads.span" if row.in_lift else "overloads.span_without_lift",
        start=numbers.moment(row.started_at, zone, seconds=True),
        end=numbers.moment(row.ended_at, zone, seconds=True),
    )
    start, end = row.started_at - MARGIN, row.ended_at + MARGIN
    replay = {
        "from": start.isoformat(),
        "to": end.isoformat(),
        "at": row.started_at.isoformat(timespec="seconds"),
    }
    quiet = "bl-button bl-button-quiet"
    return page.head(
        t("overloads.entry", crane=row.crane),
        words,
        dcc.Link(t("overloads.to_list"), href=overloads.list_address(row.crane, "all"), className=quiet),
        dcc.Link(t("overloads.to_trace"), href=overloads.trace_address(row.crane, row), className=quiet),
        dcc.Link(t("crane.to_replay"), href=f"/replay/{row.crane}?{urlencode(replay)}", className=quiet),
    )


def _facts(row: OverloadRow, visit: Visit) -> html.Section:
    lasted = numbers.duration((row.ended_at - row.started_at).total_seconds())
    notes: list[Any] = []
    if row.state is OverloadState.OPEN and row.decided_peak_structural_pct is not None:
        then = overloads.peak_text(row.decided_peak_structural_pct)
        notes.append(html.P(t("overloads.risen", then=then), className="bl-partial"))
    if not row.counted:
        notes.append(html.P(t("overloads.gone"), className="bl-partial"))
    elif not row.in_lift:
        notes.append(html.P(t("overloads.without_lift"), className="bl-partial"))
    mass = numbers.mass(row.mass_kg, visit.units)
    return page.card(
        t("overloads.lift" if row.in_lift else "overloads.time"),
        marks.facts(
            marks.fact(t("overloads.col.peak"), overloads.peak_text(row.peak_structural_pct), t("overloads.peak.note")),
            marks.fact(t("overloads.col.utilisation"), overloads.peak_text(row.peak_utilisation_pct), t("overloads.utilisation.note")),
            marks.fact(t("overloads.mass"), mass if row.mass_kg is None else f"≈{numbers.NBSP}{mass}", t("overloads.mass.note")),
            marks.fact(t("overloads.outreach"), numbers.length(row.peak_outreach_m, visit.units), t("overloads.outreach.note")),
            marks.fact(t("overloads.limiter"), f"{row.limiter_stops} / {row.limiter_overrides}", t("overloads.limiter.note")),
            marks.fact(t("lifts.col.lasted"), lasted),
        ),
        *notes,
        note=marks.mark(*overloads.state_of(row)),
    )  # fmt: skip


def _decision(found: OverloadEntry, tag: str, zone: ZoneInfo, *, may: bool) -> html.Section:
    row = found.entry
    parts: list[Any] = [
        html.H2(t("overloads.decision")),
        page.note(t("overloads.decision.note")),
    ]
    lines = [_line(one, zone, holds=place == 0) for place, one in enumerate(found.decisions)]
    parts.append(page.entries(lines, t("overloads.decision.none")))
    if may:
        asks = _form(row, tag)
        again = t("overloads.again") if row.state is OverloadState.DECIDED else ""
        parts.append(page.fold(again, asks) if again else asks)
    else:
        parts.append(page.note(t("overloads.not_yours")))
    steps = [
        page.link(t("overloads.exclude"), overloads.trace_address(row.crane, row)),
        page.link(t("overloads.condition"), f"/settings?crane={row.crane}"),
    ]
    parts.append(page.note([t("overloads.next"), " ", steps[0], " · ", steps[1]]))
    return html.Section(parts, className="bl-card", id="decision")


def _form(row: OverloadRow, tag: str) -> html.Div:
    context = {"crane": row.crane, "at": row.started_at.isoformat(), "tag": tag}
    return form.form("overload", overloads.decision_fields("overload"), t("overloads.save"), context=context)


def _line(one: OverloadDecision, zone: ZoneInfo, *, holds: bool) -> list[Any]:
    said = t(
        "overloads.said",
        who=one.decided_by,
        when=numbers.moment(one.decided_at, zone),
        peak=overloads.peak_text(one.peak_structural_pct),
    )
    return [
        html.Div(
            [
                html.Strong(t(f"overloads.cause.{one.cause}")),
                f": {one.note}" if one.note else "",
                html.Br(),
                one.decided,
                html.Br(),
                html.Span(said, className="bl-cell-note"),
            ]
        ),
        html.Span(t("overloads.holds" if holds else "overloads.earlier_one"), className="bl-cell-note"),
    ]


@form.handles("overload")
async def _decide(client: Client, values: Values, context: Values) -> Done:
    asked = form.read(OverloadDecisionAsked, values)
    at = datetime.fromisoformat(str(context["at"]))
    await client.decide_overload(str(context["crane"]), at, asked, tag=str(context.get("tag") or "") or None)
    return Done(said=t("overloads.saved"))
