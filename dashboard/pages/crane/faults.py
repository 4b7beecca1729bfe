"""Faults of a crane from raised to cleared, each with what the crane was doing when it came."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.parts import events, grid, page
from dashboard.parts.grid import column
from domain.attention import State
from domain.fault_answers import FaultEpisodeRow, FaultsAndOverloadsAnswer
from words import numbers, remarks
from words.numbers import Units
from words.texts import t

AROUND: Final = timedelta(minutes=2)


def section(
    crane: str,
    rows: Sequence[FaultEpisodeRow],
    zone: ZoneInfo,
    units: Units,
    together: FaultsAndOverloadsAnswer | None,
) -> html.Section | None:
    """Every fault of the period with its circumstances, and whether faults and overloads of a year come on the same days.

    Nothing where there was no fault.
    """
    if not rows:
        return None
    title = t("episodes.title")
    columns: list[dict[str, Any]] = [
        column("at", t("events.col.at", zone=zone.key), 150, "LinkCell"),
        column("urgency", t("events.col.code"), 110, "MarkCell"),
        column(
            "meaning", t("codes.col.meaning"), 180, flex=2, narrow=False, tooltipField="advice", wrap=True
        ),
        column("lasted", t("episodes.col.open"), 90, narrow=False),
        column("repeats", t("episodes.col.repeats"), 84, narrow=False, right=True),
        column("mode", t("channel.mode"), 110, narrow=False),
        column("doing", t("episodes.col.doing"), 220, flex=3, narrow=False, wrap=True),
    ]
    data = [_row(crane, row, zone, units) for row in rows]
    repeated = sum(row.repeats > 0 for row in rows)
    words = t("episodes.summary", count=len(rows), repeated=repeated)
    return html.Section(
        [
            html.Div([html.H2(title), page.note(words), _with_overloads(together)]),
            grid.grid("episode-grid", title, columns, data, rowHeight=62),
        ],
        className="bl-card bl-card-flush",
    )


def _with_overloads(found: FaultsAndOverloadsAnswer | None) -> html.P | None:
    if found is None or not found.enough:
        return None
    words = t("episodes.overloads", sentence=remarks.text(found.remark), caution=found.caution)
    return page.note(words)


def _row(crane: str, row: FaultEpisodeRow, zone: ZoneInfo, units: Units) -> dict[str, Any]:
    state = State.ACT if row.cleared_at is None else State.OK
    return {
        "at": numbers.moment(row.raised_at, zone),
        "at_href": events.trace_address(crane, row.raised_at - AROUND, row.raised_at + AROUND),
        "urgency": row.code,
        "state": state.value,
        "word": row.code,
        "meaning": row.meaning or row.text,
        "advice": row.advice or "",
        "lasted": t("episodes.still_open") if row.cleared_at is None else numbers.duration(row.open_s),
        "repeats": row.repeats,
        "mode": t(f"mode.{row.mode}") if row.mode else numbers.MISSING,
        "doing": doing(row, units),
    }


def doing(row: FaultEpisodeRow, units: Units) -> str:
    """Utilisation and place of the hook at the moment, in words; what was not recorded is left out."""
    parts = []
    if row.utilisation_pct is not None:
        parts.append(
            t(
                "episodes.utilisation",
                now=numbers.percent(row.utilisation_pct),
                peak=numbers.percent(row.peak_utilisation_pct, "least"),
            )
        )
    if row.outreach_m is not None:
        parts.append(t("episodes.outreach", outreach=numbers.length(row.outreach_m, units)))
    if row.slew_deg is not None:
        parts.append(t("episodes.slew", slew=numbers.plain(row.slew_deg)))
    return ", ".join(parts) or t("episodes.unknown")
