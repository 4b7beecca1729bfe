"""A part of Data health: further channels that cranes send, registered with name, unit and range."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Trouble
from domain.answers import Page
from domain.errors import InvalidInput
from domain.further_channel import FurtherChannelAsked, FurtherChannelRow, check_name
from words import numbers
from words.texts import t

EVERY: Final = "*"
SHOWN: Final = 50


def section(
    found: Page[FurtherChannelRow] | Trouble, cranes: Sequence[str], crane: str, zone: ZoneInfo
) -> html.Section:
    """What is registered, one more to register, one to withdraw."""
    title = t("further.title")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    options = [(EVERY, t("further.every")), *((one, one) for one in cranes)]
    name = "further"
    fields = [
        form.choose(name, "crane", crane or EVERY, options, note=t("further.crane.note")),
        form.text(name, "name", note=t("further.name.note")),
        form.text(name, "unit", note=t("further.unit.note")),
        form.number(name, "low"),
        form.number(name, "high", note=t("further.high.note")),
        form.text(name, "meaning"),
    ]
    lines = [_line(row, zone) for row in found.items if row.withdrawn_at is None][:SHOWN]
    return page.card(
        title,
        form.form(name, fields, t("further.register")),
        page.entries(lines, t("further.none")),
        note=t("further.note"),
        id="channels",
    )


def _line(row: FurtherChannelRow, zone: ZoneInfo) -> list[Any]:
    words = t(
        "further.line",
        crane=row.crane or t("further.every"),
        low=numbers.plain(row.low, 1),
        high=numbers.plain(row.high, 1),
        unit=row.unit,
        who=row.registered_by,
        when=numbers.moment(row.registered_at, zone),
    )
    brought = (
        t("further.waits") if row.brought_in_at is None else t("further.brought_in", count=row.brought_in)
    )
    return [
        html.Div([html.Strong(row.name), f" {row.meaning}", html.Br(), f"{words} {brought}"]),
        form.sure(
            "further-withdraw",
            t("further.withdraw"),
            t("further.withdraw.sure"),
            key=str(row.channel_id),
            context={"crane": row.crane or EVERY, "name": row.name},
        ),
    ]


@form.handles("further")
async def _register(client: Client, values: Values, _context: Values) -> Done:
    given = {name: value for name, value in values.items() if name not in ("crane", "name")}
    asked = form.read(FurtherChannelAsked, given)
    crane, name = str(values["crane"]), str(values.get("name") or "").strip()
    try:
        check_name(name, asked.unit)
    except InvalidInput as problem:
        raise form.Unreadable({"name": str(problem)}) from problem
    if crane == EVERY:
        await client.register_channel(name, asked)
    else:
        await client.register_crane_channel(crane, name, asked)
    return Done(said=t("further.registered"))


@form.handles("further-withdraw")
async def _withdraw(client: Client, _values: Values, context: Values) -> Done:
    crane, name = str(context["crane"]), str(context["name"])
    if crane == EVERY:
        await client.withdraw_channel(name)
    else:
        await client.withdraw_crane_channel(crane, name)
    return Done(said=t("further.withdrawn"))
