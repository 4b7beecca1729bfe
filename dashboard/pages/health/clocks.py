"""A part of Data health: messages of a sender whose clock was wrong get other times, and their own again."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form
from dashboard.parts.form import Done, Values
from dashboard.visit import Trouble
from domain.answers import Page
from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow
from domain.messages import MAX_INT63
from domain.units import MS_PER_S, ms_to_s
from words import numbers
from words.texts import t

SHOWN: Final = 20


def section(
    found: Page[ClockCorrectionRow] | Trouble, cranes: Sequence[str], crane: str, zone: ZoneInfo
) -> html.Section:
    """What is corrected and how it stands, one more to enter, one to withdraw."""
    title = t("clocks.title")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    name = "clock"
    first = crane or (cranes[0] if cranes else "")
    fields = [
        form.choose(name, "crane", first, [(one, one) for one in cranes]),
        form.text(name, "boot", note=t("clocks.boot.note")),
        form.text(name, "seq_from", note=t("clocks.seq_from.note")),
        form.text(name, "seq_to", note=t("clocks.seq_to.note")),
        form.number(name, "offset_s", note=t("clocks.offset.note")),
        form.text(name, "reason", note=t("clocks.reason.note")),
    ]
    lines = [html.Li(_line(row, zone)) for row in found.items[:SHOWN]]
    return html.Section(
        [
            html.H2(title),
            html.P(t("clocks.note"), className="bl-summary"),
            form.form(name, fields, t("clocks.correct")),
            form.entries(lines, t("clocks.none")),
        ],
        className="bl-card",
        id="clocks",
    )


def _line(row: ClockCorrectionRow, zone: ZoneInfo) -> list[Any]:
    words = t(
        "clocks.line",
        crane=row.crane,
        boot=str(row.boot),
        numbers=t("clocks.numbers", first=str(row.seq_from), last=str(row.seq_to))
        if row.seq_to < MAX_INT63
        else t("clocks.from", first=str(row.seq_from)),
        offset=f"{ms_to_s(row.offset_ms):+,.3f}".rstrip("0").rstrip("."),
        reason=row.reason,
        who=row.entered_by,
        when=numbers.moment(row.entered_at, zone),
    )
    parts: list[Any] = [html.Div([html.Strong(_state(row)), html.Br(), words])]
    if row.withdrawn_at is None and not row.problem:
        parts.append(
            form.sure(
                "clock-withdraw",
                t("clocks.withdraw"),
                t("clocks.withdraw.sure"),
                key=str(row.correction_id),
                context={"crane": row.crane, "correction_id": row.correction_id},
            )
        )
    return parts


def _state(row: ClockCorrectionRow) -> str:
    if row.problem:
        return t("clocks.state.failed", problem=row.problem)
    if row.withdrawn_at is not None:
        done = row.reverted_at is not None or row.applied_at is None
        return t("clocks.state.withdrawn" if done else "clocks.state.waits")
    if row.applied_at is None:
        return t("clocks.state.waits")
    return t("clocks.state.in_force", count=row.messages)


@form.handles("clock")
async def _correct(client: Client, values: Values, _context: Values) -> Done:
    given = {name: value for name, value in values.items() if name not in ("crane", "offset_s")}
    for name in (
        "boot",
        "seq_from",
        "seq_to",
    ):  # typed as text: a browser's numbers are not exact beyond 2^53
        if (text := str(given.get(name, ""))).isdecimal():
            given[name] = int(text)
    offset_s = values.get("offset_s")
    if offset_s not in (None, ""):
        given["offset_ms"] = round(float(str(offset_s)) * MS_PER_S)
    try:
        asked = form.read(ClockCorrectionAsked, given)
    except form.Unreadable as problem:
        named = {
            "offset_s" if field == "offset_ms" else field: words for field, words in problem.problems.items()
        }
        raise form.Unreadable(named) from problem
    await client.correct_clock(str(values["crane"]), asked)
    return Done(said=t("clocks.entered"))


@form.handles("clock-withdraw")
async def _withdraw(client: Client, _values: Values, context: Values) -> Done:
    await client.withdraw_clock_correction(str(context["crane"]), int(context["correction_id"]))
    return Done(said=t("clocks.withdrawn"))
