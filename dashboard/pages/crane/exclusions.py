"""Excluded spans on the trace of a crane: what is excluded, why and by whom, one more to exclude, one to withdraw."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import events, form, page
from dashboard.parts.form import Done, Values
from domain.channels import CHANNEL_NAMES
from domain.exclusion import CountedAgain, ExclusionAsked, ExclusionRow
from words import numbers
from words.texts import t

MAY_EXCLUDE: Final = ("engineer", "admin")
EVERY: Final = "all"
SHOWN: Final = 20
LONGEST_TRACE: Final = timedelta(days=31)


def section(
    crane: str, rows: Sequence[ExclusionRow], start: datetime, end: datetime, zone: ZoneInfo, *, may: bool
) -> html.Section:
    """The list of a crane, and for who may the form that excludes the span that is shown."""
    parts: list[Any] = [html.H2(t("exclusions.title")), page.note(t("exclusions.note"))]
    if may:
        parts.append(_form(crane, start, end))
    parts.append(page.entries([_line(row, zone, may=may) for row in rows[:SHOWN]], t("exclusions.none")))
    return html.Section(parts, className="bl-card", id="exclusions")


def of_fleet(rows: Sequence[ExclusionRow], zone: ZoneInfo) -> html.Section | None:
    """What is excluded of every crane in scope, newest first; nothing without any."""
    shown = [row for row in rows if row.withdrawn_at is None][:SHOWN]
    if not shown:
        return None
    lines = page.entries([_line(row, zone, may=False, of=row.crane) for row in shown])
    return page.card(t("exclusions.title"), lines, note=t("exclusions.fleet"))


def in_force(rows: Sequence[ExclusionRow], start: datetime, end: datetime) -> list[ExclusionRow]:
    """Those that take something out of a span."""
    return [row for row in rows if row.withdrawn_at is None and row.from_at < end and row.to_at > start]


def _form(crane: str, start: datetime, end: datetime) -> html.Div:
    name = "exclusion"
    fields = [
        form.text(name, "reason", note=t("exclusions.reason.note")),
        form.choose(
            name,
            "channel",
            EVERY,
            [(EVERY, t("exclusions.every")), *((one, t(f"channel.{one}")) for one in CHANNEL_NAMES)],
            note=t("exclusions.channel.note"),
        ),
        form.yes_no(name, "readings_false", False, note=t("exclusions.false.note")),
    ]
    context = {"crane": crane, "from_at": start.isoformat(), "to_at": end.isoformat()}
    return form.form(name, fields, t("exclusions.exclude"), context=context)


def _line(row: ExclusionRow, zone: ZoneInfo, *, may: bool, of: str = "") -> list[Any]:
    span = t(
        "exclusions.span",
        start=numbers.moment(row.from_at, zone, seconds=True),
        end=numbers.moment(row.to_at, zone, seconds=True),
    )
    words = t(
        "exclusions.line",
        channel=t(f"channel.{row.channel}") if row.channel else t("exclusions.every"),
        reason=row.reason if not row.readings_false else t("exclusions.reason.false", reason=row.reason),
        who=row.entered_by,
        when=numbers.moment(row.entered_at, zone),
    )
    if row.withdrawn_at is not None:
        when = numbers.moment(row.withdrawn_at, zone)
        words = f"{words} {t('exclusions.withdrawn', who=row.withdrawn_by or '', when=when)}"
    parts: list[Any] = [html.Div([page.link(f"{of} {span}".strip(), _trace_of(row)), html.Br(), words])]
    if may and row.withdrawn_at is None:
        parts.append(
            form.sure(
                "exclusion-withdraw",
                t("exclusions.withdraw"),
                t("exclusions.withdraw.sure"),
                key=str(row.exclusion_id),
                context={"crane": row.crane, "exclusion_id": row.exclusion_id},
            )
        )
    return parts


def _trace_of(row: ExclusionRow) -> str:
    return events.trace_address(row.crane, row.from_at, min(row.to_at, row.from_at + LONGEST_TRACE))


def _again(key: str, counted: CountedAgain) -> str:
    return t(key, count=counted.days)


@form.handles("exclusion")
async def _exclude(client: Client, values: Values, context: Values) -> Done:
    channel = values.get("channel")
    asked = form.read(
        ExclusionAsked,
        {
            "reason": values.get("reason"),
            "channel": None if channel == EVERY else channel,
            "readings_false": values.get("readings_false") == "yes",
            "from_at": context["from_at"],
            "to_at": context["to_at"],
        },
    )
    done = await client.exclude(str(context["crane"]), asked)
    return Done(said=_again("exclusions.excluded", done.counted_again))


@form.handles("exclusion-withdraw")
async def _withdraw(client: Client, _values: Values, context: Values) -> Done:
    done = await client.withdraw_exclusion(str(context["crane"]), int(context["exclusion_id"]))
    return Done(said=_again("exclusions.taken_back", done.counted_again))
