"""The overload register: lifts above the full structural rating of every crane in scope, or of one; what is open first."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, events, form, grid, marks, page
from dashboard.parts.form import Done, Values
from dashboard.parts.grid import column
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, together
from domain.accounts import WhoAmI
from domain.answers import Page
from domain.attention import State
from domain.exclusion import ExclusionRow
from domain.life_answers import LifeAnswer
from domain.overload import (
    OverloadCause,
    OverloadCount,
    OverloadRow,
    OverloadsDecisionAsked,
    OverloadState,
    peak_words,
)
from words import numbers
from words.texts import cautions, t

MAY_DECIDE: Final = ("engineer", "admin")
STATES: Final = ("open", "decided", "all")
SHOWN: Final = 500
ON_LIFE: Final = 5  # of one crane on its Life page
PAGE: Final = "/overloads"
MARGIN: Final = timedelta(seconds=30)  # of trace around a lift
CSV: Final = {
    "crane": "crane", "started_at_utc": "from_utc", "peak_structural_pct": "peak", "peak_utilisation_pct": "utilisation",
    "mass_kg_estimated": "mass", "peak_outreach_m": "outreach", "state": "word", "cause": "cause", "decided": "decided",
}  # fmt: skip


def address(row: OverloadRow) -> str:
    """The page of one entry."""
    return f"{PAGE}/{row.crane}?" + urlencode({"at": row.started_at.isoformat()})


def list_address(crane: str = "", state: str = "open") -> str:
    """The register, of one crane where it is named."""
    chosen = {**({"crane": crane} if crane else {}), **({} if state == STATES[0] else {"state": state})}
    return f"{PAGE}?{urlencode(chosen)}" if chosen else PAGE


async def render(visit: Visit) -> Any:
    """The list that the address names by crane and state."""
    state = visit.choice("state", STATES)
    crane = visit.place.get("crane") or visit.query.get("crane", "")
    wanted = None if state == "all" else OverloadState(state)
    found, counts, *more = await together(
        visit.client.overloads(crane or None, state=wanted, cursor=visit.query.get("cursor"), limit=SHOWN),
        visit.client.overload_counts(),
        *([visit.client.exclusions(crane), visit.client.me()] if crane else []),
    )
    words = [(one, t(f"overloads.state.{one}")) for one in STATES]
    head = page.head(
        t("overloads.of", crane=crane) if crane else t("overloads.title"),
        t("overloads.context"),
        page.choice("state", state, words, label=t("overloads.show"), default=STATES[0]),
        *(_to_crane(crane) if crane else ()),
    )
    if isinstance(found, Trouble):
        return html.Div([head, charts.missing(t("overloads.title"), found)])
    zones = await ZONES.of_rows(found.items, visit.client)
    return html.Div(
        [
            head,
            _list(visit, crane, found, _summary(counts, crane, more[:1]), zones),
            _several(crane) if _may(more) and _still_open(counts, crane) else None,
            marks.cautions(cautions("duty")),
        ]
    )


def decision_fields(name: str) -> list[Any]:
    """The fields of a form that decides."""
    causes = [(cause.value, t(f"overloads.cause.{cause}")) for cause in OverloadCause]
    return [
        form.choose(name, "cause", None, causes, placeholder=t("overloads.cause.choose")),
        form.text(name, "note", note=t("overloads.note.note"), lines=2),
        form.text(name, "decided", note=t("overloads.decided.note"), lines=2),
    ]


def _several(crane: str) -> html.Section:
    """The form that decides about several at once."""
    name = "overloads"
    fields = [
        form.number(name, "peak_up_to_pct", None, note=t("overloads.up_to.note"), min=100, decimalScale=1),
        form.text(name, "day_from", note=t("overloads.day.note")),
        form.text(name, "day_to", note=t("overloads.day.note")),
        *decision_fields(name),
    ]
    asks = form.form(name, fields, t("overloads.several.save"), context={"crane": crane})
    note = page.note(t("overloads.several.note"))
    parts = [html.Summary(t("overloads.several")), note, asks]
    return html.Section(html.Details(parts, className="bl-numbers"), className="bl-card", id="several")


@form.handles("overloads")
async def _decide_several(client: Client, values: Values, context: Values) -> Done:
    asked = form.read(OverloadsDecisionAsked, values)
    done = await client.decide_overloads(str(context["crane"]), asked)
    return Done(said=t("overloads.several.saved", count=done.decided, open=numbers.plain(done.open)))


def _to_crane(crane: str) -> tuple[Any, ...]:
    return (
        page.button(t("overloads.all"), list_address()),
        page.button(t("overloads.to_life"), f"/life/{crane}"),
    )


def _summary(counts: Page[OverloadCount] | Trouble, crane: str, more: Sequence[Any]) -> str:
    """How many there are and how many are open, whatever is shown; and what may be missing among them."""
    if isinstance(counts, Trouble):
        return t("overloads.unknown")
    of = [one for one in counts.items if not crane or one.crane == crane]
    entries, still = sum(one.entries for one in of), sum(one.open for one in of)
    if not entries:
        words = t("overloads.none")
    else:
        words = t("overloads.summary", entries=numbers.plain(entries), open=numbers.plain(still))
        top = max(of, key=lambda one: one.highest_peak_structural_pct or 0.0)
        if top.highest_peak_structural_pct is not None:
            words += t("overloads.highest", peak=peak_text(top.highest_peak_structural_pct), crane=top.crane)
    for excluded in more:
        if not isinstance(excluded, Trouble) and (count := _in_force(excluded)):
            words += t("overloads.excluded", count=count)
    return words


def _may(more: Sequence[Any]) -> bool:
    """Whether who asks decides: known where a crane is chosen."""
    me = more[1] if len(more) > 1 else None
    return isinstance(me, WhoAmI) and me.role in MAY_DECIDE


def _still_open(counts: Page[OverloadCount] | Trouble, crane: str) -> bool:
    return not isinstance(counts, Trouble) and any(one.open for one in counts.items if one.crane == crane)


def _in_force(excluded: Page[ExclusionRow]) -> int:
    return sum(row.withdrawn_at is None for row in excluded.items)


def _list(
    visit: Visit, crane: str, found: Page[OverloadRow], summary: str, zones: Mapping[str, ZoneInfo]
) -> html.Section:
    summaries = [page.note(words) for words in (summary, t("overloads.limits"))]
    top = html.Div([html.H2(t("overloads.list")), *summaries])
    if not found.items:
        return html.Section([top, page.nothing(t("overloads.none_shown"))], className="bl-card")
    after: list[Any] = [charts.grid_csv("overload-grid", CSV)]
    if found.next_cursor:
        earlier = visit.href(cursor=found.next_cursor)
        after.append(page.link(t("overloads.earlier"), earlier))
    rows = [_row(row, visit, zones.get(row.site, UTC_ZONE)) for row in found.items]
    return html.Section(
        [
            top,
            grid.grid("overload-grid", t("overloads.list"), _columns(visit, crane), rows),
            html.P(after, className="bl-after-grid"),
        ],
        className="bl-card bl-card-flush",
    )


def _columns(visit: Visit, crane: str) -> list[dict[str, Any]]:
    length, mass = numbers.length_unit(visit.units), numbers.mass_unit(visit.units)
    return [
        column("started", t("overloads.col.started"), 108, "LinkCell", flex=2),
        column("crane", t("fleet.col.crane"), 72, hide=bool(crane)),
        column("peak", t("overloads.col.peak"), 94, "DayCell", right=True),
        column("urgency", t("overloads.col.state"), 96, "MarkCell", flex=2),
        column("mass", t("lifts.col.mass", unit=mass), 96, "DayCell", narrow=False, right=True),
        column("outreach", t("lifts.col.outreach", unit=length), 90, "DayCell", narrow=False, right=True),
        column("said", t("overloads.decision"), 200, filter=True, flex=5, narrow=False, tall=True),
    ]


def _row(row: OverloadRow, visit: Visit, zone: ZoneInfo) -> dict[str, Any]:
    state, word = state_of(row)
    mass = None if row.mass_kg is None else row.mass_kg / numbers.mass_factor(visit.units)
    outreach = (
        None if row.peak_outreach_m is None else row.peak_outreach_m / numbers.length_factor(visit.units)
    )
    return {
        "started": numbers.moment(row.started_at, zone),
        "started_href": address(row),
        "from_utc": row.started_at.isoformat(),
        "crane": row.crane,
        "peak": row.peak_structural_pct,
        "peak_text": peak_text(row.peak_structural_pct),
        "urgency": state.urgency,
        "state": state.value,
        "word": word,
        "utilisation": row.peak_utilisation_pct,
        "mass": row.mass_kg,
        "mass_text": numbers.MISSING if mass is None else f"≈{numbers.NBSP}{numbers.plain(mass, 2)}",
        "outreach": row.peak_outreach_m,
        "outreach_text": numbers.plain(outreach, 1),
        "cause": row.cause or "",
        "decided": row.decided or "",
        "said": _said(row, zone),
    }


def _said(row: OverloadRow, zone: ZoneInfo) -> str:
    """The cause, what was decided, by whom and when."""
    if row.cause is None:
        return numbers.MISSING if row.in_lift else t("overloads.no_lift")
    who = t("overloads.by", who=row.decided_by, when=numbers.moment(row.decided_at, zone))
    return f"{t(f'overloads.cause.{row.cause}')}. {row.decided} {who}"


def state_of(row: OverloadRow) -> tuple[State, str]:
    """How much attention an entry wants, and its word."""
    if row.state is OverloadState.OPEN:
        return State.WATCH, t("overloads.open_again" if row.decisions else "overloads.open")
    return State.OK, t("overloads.decided" if row.counted else "overloads.not_counted")


def peak_text(peak_pct: float) -> str:
    """A peak to a tenth, never below what it is."""
    return peak_words(peak_pct).replace(" ", numbers.NBSP)


def on_life(life: LifeAnswer, found: Page[OverloadRow] | Trouble, zone: ZoneInfo) -> html.Section:
    """The register of a crane on its Life page: how many, and the newest of those that are open."""
    title = t("overloads.register")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    link = page.link(t("overloads.see"), list_address(life.crane, "all"))
    if not life.overloads:
        return charts.nothing(title, t("overloads.none"))
    words = t(
        "overloads.summary", entries=numbers.plain(life.overloads), open=numbers.plain(life.open_overloads)
    )
    lines = [html.Li(_line(row, zone)) for row in found.items]
    if life.open_overloads > len(found.items):
        lines.append(html.Li(t("overloads.more", count=life.open_overloads - len(found.items))))
    return page.card(
        title,
        html.Ul(lines, className="bl-entries") if lines else None,
        note=[words, " ", link],
        id="overloads",
    )


def _line(row: OverloadRow, zone: ZoneInfo) -> list[Any]:
    lasted = numbers.duration(max(row.ended_at - row.started_at, timedelta()).total_seconds())
    return [
        html.Div(
            [
                page.link(numbers.moment(row.started_at, zone, seconds=True), address(row)),
                " ",
                t("overloads.line", peak=peak_text(row.peak_structural_pct), lasted=lasted),
            ]
        ),
        marks.mark(*state_of(row)),
    ]


def trace_address(crane: str, row: OverloadRow) -> str:
    """The trace around a lift."""
    return events.trace_address(crane, row.started_at - MARGIN, row.ended_at + MARGIN)
