"""Findings about readings on screens: a list with the trace of each one click away, and a line beside the figures they move."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.parts import events, grid, marks, page
from dashboard.parts.grid import column
from dashboard.visit import Trouble
from domain.answers import Page
from domain.attention import State
from domain.findings import FindingRow
from words import numbers
from words.numbers import Units
from words.texts import t

LONGEST_TRACE: Final = timedelta(days=31)
TITLES_MOST: Final = 4


def trace_of(row: FindingRow) -> str:
    """The address of the trace of its worst stretch."""
    return events.trace_address(row.crane, row.from_at, min(row.to_at, row.from_at + LONGEST_TRACE))


def list_of(crane: str) -> str:
    """The address of what is found at one crane."""
    return f"/data?crane={crane}"


def line(found: Page[FindingRow] | Trouble, crane: str) -> html.P | None:
    """Which findings move the figures of a crane, with the way to them; nothing without any."""
    if isinstance(found, Trouble):
        return html.P(t("findings.unknown"), className="bl-partial")
    if not found.items:
        return None
    titles = list(dict.fromkeys(row.title for row in found.items))
    more = t("list.more", count=len(titles) - TITLES_MOST) if len(titles) > TITLES_MOST else ""
    count, named = len(titles), ", ".join(titles[:TITLES_MOST]) + more
    link = page.link(t("findings.see"), list_of(crane))
    words = t("findings.line", count=count, titles=named)
    return html.P(
        [marks.mark(State.WATCH, t("attention.findings", count=count)), f" {words} ", link],
        className="bl-findings",
    )


def table(rows: Sequence[FindingRow], zone: ZoneInfo, units: Units) -> html.Div:
    """Every finding with its days, the figures that it moves and which way, and what to do; newest first."""
    columns: list[dict[str, Any]] = [
        column("crane", t("fleet.col.crane"), 96, "CraneCell", filter=True),
        column("finding", t("findings.col.title"), 150, flex=2, filter=True, tall=True),
        column("trace", t("findings.col.trace", zone=zone.key), 128, "LinkCell", flex=2),
        column("days", t("findings.col.days"), 110, narrow=False, tall=True),
        column("size", t("findings.col.size"), 90, narrow=False, sortable=False, right=True),
        column("moves", t("findings.col.moves"), 190, flex=3, narrow=False, tall=True),
        column("next", t("findings.col.next"), 220, flex=4, narrow=False, tall=True),
    ]
    newest = sorted(rows, key=lambda row: (row.day_to, row.from_at), reverse=True)
    return grid.grid(
        "findings-grid", t("findings.title"), columns, [_row(row, zone, units) for row in newest]
    )


def _row(row: FindingRow, zone: ZoneInfo, units: Units) -> dict[str, Any]:
    channel = f" ({row.channel})" if row.channel else ""
    days = numbers.day(row.day_to)
    if row.days > 1:
        days = t(
            "findings.days", count=row.days, first=numbers.day(row.day_from), last=numbers.day(row.day_to)
        )
    return {
        "crane": row.crane,
        "finding": row.title + channel,
        "trace": numbers.moment(row.from_at, zone),
        "trace_href": trace_of(row),
        "days": days,
        "size": numbers.length(row.size, units) if row.unit == "m" else _size(row),
        "moves": t("findings.moves", figures=row.figures, way=row.moves),
        "next": row.next_step,
    }


def _size(row: FindingRow) -> str:
    return f"{numbers.plain(row.size, 1 if abs(row.size) < 100 else 0)} {row.unit}"
