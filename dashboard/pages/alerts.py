"""Alerts: what wants somebody, by crane and priority; who has it; on the shelf until when; what became of it."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import dcc, html

from dashboard.client import Client
from dashboard.parts import form, grid, marks, page, states
from dashboard.parts.form import Done, Values
from dashboard.parts.grid import column
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, attempt
from domain.alerts import FLEET_KINDS, AlertDetail, AlertKind, AlertRow, Priority, Shelved
from domain.attention import State
from words import numbers
from words.texts import t

SHOWS: Final = ("open", "all")
AT_MOST: Final = 200
SHELF_HOURS: Final = ("4", "24", "168", "720")
STATES: Final = {Priority.HIGH: State.ACT, Priority.MEDIUM: State.WATCH, Priority.LOW: State.OK}
MAY_ACKNOWLEDGE: Final = ("dispatcher", "engineer", "admin")
MAY_SHELVE: Final = ("engineer", "admin")


async def render(visit: Visit) -> Any:
    """Open alerts grouped by crane; one of them with its history and what can be done about it."""
    show = visit.choice("show", SHOWS)
    me = await attempt(visit.client.me())
    role = "" if isinstance(me, Trouble) else me.role
    listed = (await visit.client.alerts(open_only=True, limit=AT_MOST)).items
    head = page.head(
        t("alerts.title"),
        _context(listed),
        page.choice(
            "show",
            show,
            [(one, t(f"alerts.show.{one}")) for one in SHOWS],
            label=t("alerts.show"),
            default="open",
        ),
        page.button(t("alerts.rules"), "/settings?tab=alerts"),
    )
    zones = await ZONES.of_rows(listed, visit.client)
    parts: list[Any] = [head]
    number = visit.number("alert", 0)
    chosen = await attempt(visit.client.alert(int(number))) if number >= 1 else None
    detail = await _detail(visit, chosen, role) if chosen is not None else None
    groups = _groups(listed, zones, visit, role)
    parts.append(html.Div([groups, detail], className="bl-alerts" if detail is not None else None))
    if show == "all":
        parts.append(await _past(visit))
    return html.Div(parts)


def _context(listed: Sequence[AlertRow]) -> str:
    waiting = sum(row.state == "open" for row in listed)
    cranes = len({row.crane for row in listed if row.state == "open" and row.crane})
    return t("alerts.context", count=waiting, cranes=cranes) if waiting else t("alerts.context.none")


def _order(row: AlertRow) -> tuple[bool, int, float]:
    return row.state == "shelved", row.priority.rank, -row.raised_at.timestamp()


def _groups(rows: Sequence[AlertRow], zones: dict[str, ZoneInfo], visit: Visit, role: str) -> Any:
    if not rows:
        return states.empty(
            t("alerts.none.title"),
            t("alerts.none.text"),
            dcc.Link(t("alerts.rules"), href="/settings?tab=alerts", className="bl-button"),
        )
    worst: dict[str, tuple[Any, ...]] = {}
    for row in sorted(rows, key=_order):
        worst.setdefault(_about(row), _order(row))
    by_crane = sorted(rows, key=lambda row: (worst[_about(row)], _about(row), row.crane == "", _order(row)))
    cards = []
    for (crane, _), group in groupby(by_crane, key=lambda row: (_about(row), row.crane == "")):
        found = list(group)
        items = [html.Li(_line(row, zones.get(row.site, UTC_ZONE), visit, role)) for row in found]
        heading = html.H2(
            [
                page.crane_link(crane) if crane else _whose(found[0]),
                html.Span(t("alerts.count", count=len(items)), className="bl-cell-note"),
            ]
        )
        cards.append(html.Section([heading, html.Ul(items, className="bl-alert-list")], className="bl-card"))
    return html.Div(cards)


def _about(row: AlertRow) -> str:
    """The crane that an alert is about; empty where it is about several, or about an account."""
    return "" if row.kind in FLEET_KINDS else row.crane


def _whose(row: AlertRow) -> str:
    """What an alert is about."""
    return _about(row) or t("alerts.fleet" if row.crane else "alerts.accounts")


def _line(row: AlertRow, zone: ZoneInfo, visit: Visit, role: str) -> list[Any]:
    state = State.STALE if row.state == "shelved" else STATES[row.priority]
    who = _holder(row, zone)
    link = page.link(
        t("alerts.more"), visit.href(alert=str(row.alert_id)), title=t("alerts.more.label", text=row.text)
    )
    parts: list[Any] = [
        marks.mark(state, t(f"alerts.priority.{row.priority}")),
        html.Div(
            [
                html.Strong(row.text),
                html.Span(
                    t("alerts.since", when=numbers.moment(row.raised_at, zone)), className="bl-cell-note"
                ),
                html.Span(who, className="bl-cell-note") if who else None,
                html.Span(row.action, className="bl-alert-action"),
            ],
            className="bl-alert-words",
        ),
        link,
    ]
    if row.state == "open" and role in MAY_ACKNOWLEDGE:
        key = str(row.alert_id)
        label = t("alerts.take.label", text=row.text)
        parts.append(
            form.form(
                "acknowledge", (), t("alerts.take"), key=key, context={"alert": key}, quiet=True, label=label
            )
        )
    return parts


def _holder(row: AlertRow, zone: ZoneInfo) -> str:
    if row.state == "shelved":
        return t(
            "alerts.shelved",
            who=row.shelved_by,
            until=numbers.moment(row.shelved_until, zone),
            why=row.shelved_reason,
        )
    if row.acknowledged_by:
        return t("alerts.taken", who=row.acknowledged_by, when=numbers.moment(row.acknowledged_at, zone))
    return ""


async def _detail(visit: Visit, chosen: AlertDetail | Trouble, role: str) -> html.Section:
    title = t("alerts.detail")
    if isinstance(chosen, Trouble):
        return page.card(title, states.partial(title, chosen.text))
    row = chosen.alert
    zone = await ZONES.of_site(row.site, row.crane, visit.client) if row.crane else UTC_ZONE
    history = [
        html.Li(
            [
                html.Time(numbers.moment(one.at, zone), dateTime=one.at.isoformat()),
                html.Span(t(f"alerts.what.{one.what}") + (f", {one.by_whom}" if one.by_whom else "")),
                html.Span(one.note, className="bl-cell-note"),
            ]
        )
        for one in chosen.history
    ]
    unit = f"{numbers.NBSP}{row.unit}"
    arrive: dict[str, Any] = {"data-arrive": str(row.alert_id)}
    return page.card(
        f"{row.crane}: {row.text}" if _about(row) else row.text,
        marks.facts(
            marks.fact(
                t("alerts.value"),
                _figure(row.value) + unit,
                t("alerts.raised_at", level=f"{row.raise_at:g}{unit}"),
            ),
            marks.fact(t("alerts.worst"), _figure(row.worst_value) + unit),
            marks.fact(t("alerts.rule"), row.rule),
        ),
        html.Dl(
            [
                part
                for name in ("cause", "consequence", "action")
                for part in (html.Dt(t(f"alerts.{name}")), html.Dd(getattr(row, name)))
            ],
            className="bl-alert-why",
        ),
        html.P(page.link(t("alerts.evidence"), evidence(row))),
        *_actions(row, role),
        html.H3(t("alerts.history")),
        html.Ol(history, className="bl-alert-history"),
        page.link(t("alerts.close"), visit.href(alert=None)),
        kind="bl-alert-detail",
        **arrive,
    )


def _figure(value: float | None) -> str:
    return numbers.plain(value, 0 if value is None or value == round(value) else 1)


def evidence(row: AlertRow) -> str:
    """The page that shows what the alert found."""
    crane = f"/crane/{row.crane}"
    return {
        AlertKind.NEAR_LIMIT_SHARE: f"{crane}?tab=duty",
        AlertKind.LIMITER_OVERRIDES: f"{crane}?tab=events&kinds=limiter",
        AlertKind.LIFE_USED: f"/life/{row.crane}",
        AlertKind.LIFE_DATE: f"/life/{row.crane}",
        AlertKind.ASSESSMENT_DUE: f"/life/{row.crane}",
        AlertKind.HISTORY_UNKNOWN: "/settings?tab=history",
        AlertKind.FAULT_CODE: f"{crane}?tab=events&kinds=faults",
        AlertKind.OFFLINE: crane,
        AlertKind.QUARANTINE_RATE: "/data",
        AlertKind.SERVICE_DUE: "/service",
        AlertKind.TOKEN_EXPIRY: "/settings?tab=people",
        AlertKind.FINDING: f"/data?crane={row.crane}",
    }[row.kind]


def _actions(row: AlertRow, role: str) -> list[Any]:
    key, context = f"d{row.alert_id}", {"alert": str(row.alert_id)}
    parts: list[Any] = []
    if row.state == "cleared":
        return parts
    if role in MAY_ACKNOWLEDGE:
        parts.append(
            form.form(
                "acknowledge",
                [form.text("acknowledge", "note", key=key)],
                t("alerts.take"),
                key=key,
                context=context,
            )
        )
    if role in MAY_SHELVE and row.state == "shelved":
        parts.append(form.form("unshelve", (), t("alerts.unshelve"), key=key, context=context, quiet=True))
    elif role in MAY_SHELVE:
        fields = [
            form.choose(
                "shelve", "hours", "24", [(one, t(f"alerts.hours.{one}")) for one in SHELF_HOURS], key=key
            ),
            form.text("shelve", "reason", key=key, note=t("alerts.shelve.note")),
        ]
        parts.append(form.form("shelve", fields, t("alerts.shelve"), key=key, context=context, quiet=True))
    if not parts:
        parts.append(page.note(t("alerts.not_yours")))
    return parts


async def _past(visit: Visit) -> Any:
    """Every alert, the cleared ones too."""
    rows = (await visit.client.alerts(limit=AT_MOST)).items
    columns: list[dict[str, Any]] = [
        column("raised", t("alerts.col.raised"), 128, "LinkCell", flex=2),
        column("crane", t("fleet.col.crane"), 96, filter=True),
        column("urgency", t("alerts.col.priority"), 110, "MarkCell", narrow=False),
        column("text", t("alerts.col.text"), 110, flex=3, wrap=True),
        column("standing", t("alerts.col.state"), 120, filter=True, narrow=False),
    ]
    zones = await ZONES.of_rows(rows, visit.client)
    data = [
        {
            "raised": numbers.moment(row.raised_at, zones.get(row.site, UTC_ZONE)),
            "raised_href": visit.href(alert=str(row.alert_id)),
            "crane": _whose(row),
            "urgency": STATES[row.priority].urgency,
            "state": (State.OK if row.state == "cleared" else STATES[row.priority]).value,
            "word": t(f"alerts.priority.{row.priority}"),
            "text": row.text,
            "standing": t(f"alerts.state.{row.state}"),
        }
        for row in rows
    ]
    title = t("alerts.all")
    return html.Section(
        [html.H2(title), grid.grid("alert-grid", title, columns, data)], className="bl-card bl-card-flush"
    )


@form.handles("acknowledge")
async def _acknowledge(client: Client, values: Values, context: Values) -> Done:
    await client.acknowledge_alert(int(context["alert"]), str(values.get("note") or ""))
    return Done(said=t("alerts.done.taken"))


@form.handles("shelve")
async def _shelve(client: Client, values: Values, context: Values) -> Done:
    until = datetime.now(UTC) + timedelta(hours=int(values["hours"]))
    asked = form.read(Shelved, {"until": until, "reason": values["reason"]})
    await client.shelve_alert(int(context["alert"]), asked)
    return Done(said=t("alerts.done.shelved"))


@form.handles("unshelve")
async def _unshelve(client: Client, _values: Values, context: Values) -> Done:
    await client.unshelve_alert(int(context["alert"]))
    return Done(said=t("alerts.done.unshelved"))
