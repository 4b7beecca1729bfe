"""A part of Data health: messages of a sender whose clock was wrong get other times, and their own again."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import charts, form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Trouble
from domain.answers import Page
from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow, ClockSuggestion
from domain.messages import MAX_INT63
from domain.units import MS_PER_S, S_PER_MIN, ms_to_s
from words import numbers
from words.texts import t

SHOWN: Final = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """What the page knows of one crane's clock beside its corrections."""

    crane: str  # that the page is about, empty without one
    boot: str  # whose offset is to stand in the form, as the address says it
    suggested: Page[ClockSuggestion] | Trouble | None
    refused: Sequence[str]  # cranes of which messages were refused for their time


def section(
    found: Page[ClockCorrectionRow] | Trouble, cranes: Sequence[str], evidence: Evidence, zone: ZoneInfo
) -> html.Section:
    """What is corrected and how it stands, what arrival suggests, one more to enter, one to withdraw."""
    title = t("clocks.title")
    if isinstance(found, Trouble):
        return charts.missing(title, found)
    name = "clock"
    suggested = evidence.suggested.items if isinstance(evidence.suggested, Page) else ()
    filled = next((one for one in suggested if str(one.boot) == evidence.boot), None)
    first = evidence.crane or (cranes[0] if cranes else "")
    fields = [
        form.choose(name, "crane", first, [(one, one) for one in cranes]),
        form.text(name, "boot", filled and str(filled.boot), note=t("clocks.boot.note")),
        form.text(name, "seq_from", filled and str(filled.seq_from), note=t("clocks.seq_from.note")),
        form.text(
            name,
            "seq_to",
            None if filled is None or filled.seq_to is None else str(filled.seq_to),
            note=t("clocks.seq_to.note"),
        ),
        form.number(name, "offset_s", filled and ms_to_s(filled.offset_ms), note=t("clocks.offset.note")),
        form.text(name, "reason", note=t("clocks.reason.note")),
    ]
    lines = [_line(row, zone) for row in found.items[:SHOWN]]
    return page.card(
        title,
        *_suggestions(evidence, filled, zone),
        form.form(name, fields, t("clocks.correct")),
        page.entries(lines, t("clocks.none")),
        note=t("clocks.note"),
        id="clocks",
    )


def _suggestions(evidence: Evidence, filled: ClockSuggestion | None, zone: ZoneInfo) -> list[Any]:
    """What arrival says of the clock of the page's crane, or the way to the cranes that were refused for their time."""
    if evidence.suggested is None:
        if not evidence.refused:
            return [page.note(t("clocks.suggested.choose"))]
        links: list[Any] = [page.link(one, f"/data?crane={one}") for one in evidence.refused]
        parted = [part for link in links for part in (link, ", ")][:-1]
        return [page.note([t("clocks.suggested.refused"), " ", *parted])]
    title = html.H3(t("clocks.suggested", crane=evidence.crane))
    if isinstance(evidence.suggested, Trouble):
        return [title, html.P(t("clocks.suggested.unknown"), className="bl-partial")]
    lines = [
        _suggestion(one, evidence.crane, zone, chosen=one is filled)
        for one in evidence.suggested.items[:SHOWN]
    ]
    return [
        title,
        page.note(t("clocks.suggested.note")),
        page.entries(lines, t("clocks.suggested.none")),
    ]


def _suggestion(one: ClockSuggestion, crane: str, zone: ZoneInfo, *, chosen: bool) -> list[Any]:
    which = "clocks.suggested.ahead" if one.offset_ms < 0 else "clocks.suggested.behind"
    said = [
        t(which, boot=str(one.boot), offset=numbers.whole_span(ms_to_s(abs(one.offset_ms)))),
        t(
            "clocks.suggested.from",
            count=one.messages,
            refused=numbers.plain(one.refused),
            first=numbers.moment(one.came_from, zone),
            last=numbers.moment(one.came_to, zone),
            spread=numbers.duration(math.ceil(ms_to_s(one.spread_ms))),
        ),
    ]
    if one.others:
        said.append(t("clocks.suggested.others", count=one.others))
    fill: Any = html.Em(t("clocks.suggested.filled"))
    if not chosen:
        address = f"/data?crane={crane}&boot={one.boot}#clocks"
        words = t("clocks.suggested.fill", boot=str(one.boot))
        fill = page.link(words, address)
    return [html.Div([html.Strong(said[0]), html.Br(), " ".join(said[1:]), " ", fill])]


def _line(row: ClockCorrectionRow, zone: ZoneInfo) -> list[Any]:
    words = t(
        "clocks.line",
        crane=row.crane,
        boot=str(row.boot),
        numbers=t("clocks.numbers", first=str(row.seq_from), last=str(row.seq_to))
        if row.seq_to < MAX_INT63
        else t("clocks.from", first=str(row.seq_from)),
        offset=_offset(ms_to_s(row.offset_ms)),
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


def _offset(offset_s: float) -> str:
    """In seconds, as it is entered, and as people say it."""
    said = f"{offset_s:+,.3f}".rstrip("0").rstrip(".") + f"{numbers.NBSP}s"
    return said if abs(offset_s) < S_PER_MIN else f"{said} ({numbers.whole_span(abs(offset_s))})"


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
