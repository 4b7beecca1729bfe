"""Counters of the crane's own on its Life page: readings against the record, the factor f1 by month, a form for more."""

from typing import Any, Final

from dash import html

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values
from domain.history import CounterKind, CounterReadingAsked, CounterReadingRow, CountersAnswer, CounterSpanRow
from domain.life_answers import LifeAnswer, MonthFactorRow
from words import numbers, remarks
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")
MOST_MONTHS: Final = 24


def section(life: LifeAnswer, found: CountersAnswer, role: str) -> html.Section:
    """What supports the record, month by month, and the readings behind it."""
    parts: list[Any] = [
        html.H2(t("counters.title")),
        page.note(t("counters.summary", f1=numbers.plain(life.f1, 2), reason=remarks.text(life.f1_reason))),
        *(html.P(remarks.text(problem), className="bl-partial") for problem in found.problems),
    ]
    if found.spans:
        parts.append(_table("span", [_span(one) for one in reversed(found.spans)]))
    else:
        parts.append(page.nothing(t("counters.none")))
    if life.f1_by_month:
        rows = [_month(one) for one in reversed(life.f1_by_month[-MOST_MONTHS:])]
        parts.append(page.fold(t("counters.months"), _table("month", rows)))
    if found.readings:
        readings = [_reading(life.crane, one, role) for one in reversed(found.readings[-MOST_MONTHS:])]
        parts.append(page.fold(t("counters.readings"), _table("reading", readings)))
    if role in MAY_ENTER:
        parts.append(page.fold(t("counters.enter"), _form(life.crane)))
    return html.Section(parts, className="bl-card")  # fmt: skip


def _form(crane: str) -> Any:
    kinds = [(kind.value, t(f"counters.kind.{kind}")) for kind in CounterKind]
    fields = [
        form.choose("counter", "kind", CounterKind.OPERATING_HOURS, kinds),
        form.text("counter", "read_on", note=t("counters.read_on.note")),
        form.number("counter", "value", min=0),
        form.yes_no("counter", "restarted", False, note=t("counters.restarted.note")),
        form.text("counter", "note"),
    ]
    return form.form("counter", fields, t("counters.save"), context={"crane": crane})


def _span(row: CounterSpanRow) -> tuple[Any, ...]:
    word = "counters.agrees" if row.agrees else "counters.more"
    return (
        t(f"counters.kind.{row.kind}"),
        f"{numbers.day(row.after)} – {numbers.day(row.upto)}",
        numbers.plain(row.gained, 1),
        numbers.plain(row.recorded, 1),
        t(word),
    )


def _month(row: MonthFactorRow) -> tuple[Any, ...]:
    return (
        f"{row.month:%Y-%m}",
        numbers.plain(row.f1, 2),
        numbers.share(row.coverage),
        remarks.text(row.reason),
    )


def _reading(crane: str, row: CounterReadingRow, role: str) -> tuple[Any, ...]:
    take_back = ""
    if row.reading_id is not None and role in MAY_ENTER:
        take_back = form.sure(
            "counter-drop",
            t("counters.drop"),
            t("counters.drop.sure"),
            key=f"{row.read_on}",
            context={"crane": crane, "reading_id": row.reading_id},
        )
    return (
        t(f"counters.kind.{row.kind}"),
        numbers.day(row.read_on),
        numbers.plain(row.value, 1) + (t("counters.restarted") if row.restarted else ""),
        t(f"counters.source.{row.source}"),
        take_back,
    )


def _table(kind: str, rows: list[tuple[Any, ...]]) -> html.Div:
    headers = [t(f"counters.{kind}.{place}") for place in range(1, len(rows[0]) + 1)]
    return html.Div(
        page.table(headers, rows),
        className="bl-scroll",
    )


@form.handles("counter")
async def _enter(client: Client, values: Values, context: Values) -> Done:
    asked = form.read(CounterReadingAsked, {**values, "restarted": values.get("restarted") == "yes"})
    await client.enter_counter(str(context["crane"]), asked)
    return Done(said=t("counters.saved"))


@form.handles("counter-drop")
async def _drop(client: Client, _values: Values, context: Values) -> Done:
    await client.drop_counter(str(context["crane"]), int(context["reading_id"]))
    return Done(said=t("counters.dropped"))
