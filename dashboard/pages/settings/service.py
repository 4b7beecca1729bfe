"""Intervals of service of a crane: enter, change, forget, and enter that one was done."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form, marks, page
from dashboard.parts.form import Done, Values
from dashboard.visit import UTC_ZONE, Trouble, Visit, together
from domain import attention
from domain.accounts import WhoAmI
from domain.maintenance import ServiceDoneAsked, ServicePlanAsked, ServiceRow
from domain.moments import now_utc, today_in
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")


async def render(visit: Visit, who: WhoAmI) -> Any:
    """The intervals of the crane that the address names, else of the first."""
    cranes = await visit.client.all_cranes()
    if not cranes:
        return charts.nothing(t("service.plans"), t("settings.cranes.none"))
    names = [row.name for row in cranes]
    chosen = visit.query.get("crane") if visit.query.get("crane") in names else names[0]
    crane = str(chosen)
    choice = dmc.Select(
        id={"type": "query", "name": "crane", "default": names[0]},
        label=t("fleet.col.crane"),
        data=[{"value": row.name, "label": f"{row.name} {row.title}".strip()} for row in cranes],
        value=crane,
        searchable=True,
        allowDeselect=False,
        size="sm",
        maw=360,
    )
    plans, done = await together(visit.client.service(crane), visit.client.services_done(crane))
    parts: list[Any] = [
        html.H2(t("service.of", crane=crane)),
        choice,
        page.note(t("service.intervals.text")),
    ]
    if isinstance(plans, Trouble):
        return html.Section([*parts, html.P(plans.text, className="bl-partial")], className="bl-card")
    may = who.role in MAY_ENTER
    lines = [_line(row, visit, may) for row in plans.items]
    parts.append(page.entries(lines, t("service.plans.none")))
    cards: list[Any] = [html.Section(parts, className="bl-card")]
    if may:
        cards.append(_plan_form(crane, names))
        if plans.items:
            cards.append(_done_form(crane, plans.items))
    else:
        cards.append(page.note(t("details.not_yours")))
    if not isinstance(done, Trouble) and done.items:
        rows = [
            (one.plan, numbers.moment(one.done_at, UTC_ZONE), one.done_by, one.note) for one in done.items
        ]
        cards.append(_done_table(rows))
    return html.Div(cards)  # fmt: skip


def _line(row: ServiceRow, visit: Visit, may: bool) -> list[Any]:
    today = visit.now.date()
    state = _state(row, visit)
    parts = [
        t(f"service.every.{unit}", count=numbers.plain(every))
        for unit, every in (("hours", row.every_hours), ("lifts", row.every_lifts), ("days", row.every_days))
        if every is not None
    ]
    words = t(
        "service.line",
        every=numbers.listed(parts),
        hours=numbers.plain(row.hours_since, 0),
        lifts=numbers.plain(row.lifts_since),
        since=numbers.day(row.counted_from.date()),
        due=numbers.day(row.due_on) if row.due_on else t("service.later"),
    )
    key = f"{row.crane}/{row.plan}"
    found = [
        html.Div([html.Strong(row.plan), html.Br(), words]),
        marks.mark(state, t("service.is_overdue") if row.overdue else marks.due_words(row.due_on, today)),
    ]
    if may:
        found.append(
            form.sure(
                "plan-drop",
                t("details.drop"),
                t("service.drop.sure"),
                key=key,
                context={"crane": row.crane, "plan": row.plan},
            )
        )
    return found  # fmt: skip


def _state(row: ServiceRow, visit: Visit) -> attention.State:
    return attention.State.ACT if row.overdue else attention.due_state(row.due_on, visit.now.date())


def _plan_form(crane: str, names: list[str]) -> html.Section:
    name = "plan"
    fields = [
        form.text(name, "plan", note=t("service.name.note")),
        form.number(name, "every_hours", note=t("service.hours.note"), min=0),
        form.number(name, "every_lifts", min=0, allowDecimal=False),
        form.number(name, "every_days", note=t("service.days.note"), min=0, allowDecimal=False),
        form.text(name, "note"),
        form.choose(name, "reach", "one", [("one", t("service.reach.this", crane=crane)), ("all", t("service.reach.all", count=len(names)))]),
    ]  # fmt: skip
    return page.card(t("service.new"), form.form(name, fields, t("service.save"), context={"crane": crane}))  # fmt: skip


def _done_form(crane: str, plans: tuple[ServiceRow, ...]) -> html.Section:
    name = "plan_done"
    fields = [
        form.choose(name, "plan_id", str(plans[0].plan_id), [(str(one.plan_id), one.plan) for one in plans]),
        form.text(name, "done_on", today_in().isoformat(), note=t("service.day.note")),
        form.text(name, "note"),
    ]
    return page.card(
        t("service.done"),
        form.form(name, fields, t("service.done.save"), context={"crane": crane}),
        note=t("service.done.note"),
    )


def _done_table(rows: Sequence[tuple[str, ...]]) -> html.Section:
    headers = [t(f"service.done.col.{name}") for name in ("plan", "when", "who", "note")]
    return page.card(
        t("service.done.list"),
        page.table(headers, [html.Tr([html.Td(value) for value in row]) for row in rows]),
    )


@form.handles("plan")
async def _enter(client: Client, values: Values, context: Values) -> Done:
    name = str(values.get("plan") or "").strip()
    if not name:
        raise form.Unreadable({"plan": t("form.needed")})
    asked = form.read(
        ServicePlanAsked, {key: values[key] for key in ("every_hours", "every_lifts", "every_days", "note")}
    )
    cranes = [context["crane"]]
    if values.get("reach") == "all":
        cranes = [row.name for row in await client.all_cranes()]
    for crane in cranes:
        await client.write_service_plan(crane, name, asked)
    return Done(said=t("service.saved", name=name, count=len(cranes)))  # fmt: skip


@form.handles("plan-drop")
async def _drop(client: Client, _values: Values, context: Values) -> Done:
    await client.drop_service_plan(context["crane"], context["plan"])
    return Done(said=t("details.dropped", name=context["plan"]))


@form.handles("plan_done")
async def _done(client: Client, values: Values, context: Values) -> Done:
    zone = ZoneInfo((await client.crane(context["crane"])).site.time_zone)
    try:
        day = datetime.fromisoformat(str(values.get("done_on") or "")).replace(hour=12, tzinfo=zone)
    except ValueError as problem:
        raise form.Unreadable({"done_on": t("service.day.bad")}) from problem
    day = min(day, now_utc())
    asked = form.read(
        ServiceDoneAsked, {"plan_id": int(values["plan_id"]), "done_at": day, "note": values.get("note")}
    )
    row = await client.write_service_done(context["crane"], asked)
    return Done(said=t("service.done.saved", plan=row.plan))  # fmt: skip
