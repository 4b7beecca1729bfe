"""The fleet crane by crane: a table that sorts, filters and shows each figure against its band."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

from dash import html

from dashboard.parts import grid, marks, page
from dashboard.parts.grid import bars, column
from domain import attention
from domain.attention import State
from domain.fleet_answers import FleetRow
from words import numbers
from words.texts import t

NEAR_FULL_PCT: Final = 10.0
CSV_FIELDS: Final = {
    "crane": "crane",
    "title": "title",
    "state": "word",
    "near_limit_pct": "near",
    "limiter_stops": "stops",
    "limiter_overrides": "overrides",
    "used_share": "life",
    "used_share_unknown": "life_unknown",
    "unknown_years": "unknown_years",
    "assessment_on": "assessment",
    "assessment_state": "assessment_state",
    "assessment_by": "assessment_by",
    "assessment_reason": "assessment_reason",
    "service_due_on": "service",
    "open_faults": "faults",
}
FILTERED_BESIDES: Final = ("title", "word")


def pressing(row: FleetRow, today: date) -> tuple[State, str]:
    """The state of a crane in the fleet and its word: the most pressing one of all that hold."""
    if row.draft:
        return State.WATCH, t("attention.draft")
    if row.open_faults:
        return State.ACT, t("attention.fault", count=row.open_faults)
    near = attention.near_limit_state(row.near_limit_pct)
    life = (
        attention.life_state(row.used_share, row.review_at_share) if row.used_share is not None else State.OK
    )
    assessment = attention.assessment_state(row.assessment_on, today)
    service = attention.due_state(row.service_due_on, today)
    for state in (State.ACT, State.WATCH):
        for kind, found in (("assessment", assessment), ("near", near), ("life", life), ("service", service)):
            if found is state:
                return state, t(f"attention.{kind}.{state}")
    if row.open_overloads:
        return State.WATCH, t("attention.overloads", count=row.open_overloads)
    if row.findings:
        return State.WATCH, t("attention.findings", count=row.findings)
    if attention.silent(row.age_s):
        return State.STALE, t("attention.silent")
    return State.OK, t("attention.none")


def table(rows: Sequence[FleetRow], why: Mapping[str, tuple[str, str]], today: date) -> html.Div:
    """One row a crane, the most pressing first."""
    return grid.grid(
        "fleet-grid",
        t("fleet.table"),
        _columns(),
        [_grid_row(row, why.get(row.crane, ("", "")), today) for row in rows],
        getRowId={"function": "params.data.crane"},
        tooltipShowDelay=300,
        includeHiddenColumnsInQuickFilter=True,
    )


def _count(field: str, width: int) -> dict[str, Any]:
    return column(field, t(f"fleet.col.{field}"), width, narrow=False, right=True, fixed=True)


def _columns() -> list[dict[str, Any]]:
    near = (attention.NEAR_ACT_PCT, NEAR_FULL_PCT)
    return [
        column("crane", t("fleet.col.crane"), 98, "CraneCell", flex=3),
        column("urgency", t("fleet.col.state"), 116, "MarkCell", flex=3, sort="desc"),
        bars("near", t("fleet.col.near"), 92, NEAR_FULL_PCT, near, flex=2),
        column("why", t("fleet.col.why"), 118, flex=3, narrow=False, sortable=False, tooltipField="why_long", wrap=True),
        _count("stops", 74),
        _count("overrides", 88),
        bars("life", t("fleet.col.life"), 150, 1.0, flex=2, narrow=False),
        column("assessment", t("life.col.assessment"), 116, "DueCell", narrow=False, tooltipField="assessment_reason", fixed=True),
        column("service", t("fleet.col.service"), 84, "DueCell", narrow=False, fixed=True),
        _count("faults", 66),
        column("now", t("fleet.col.now"), 68, "NowCell", narrow=False, sortable=False, fixed=True),
        column("at", t("fleet.col.age"), 96, "AgeCell", cellRendererParams=page.STALE, narrow=False, fixed=True),
        *({"field": name, "hide": True} for name in FILTERED_BESIDES),
    ]  # fmt: skip


def _grid_row(row: FleetRow, why: tuple[str, str], today: date) -> dict[str, Any]:
    state, word = pressing(row, today)
    short, long = why
    near_state = attention.near_limit_state(row.near_limit_pct)
    life_state = attention.life_state(row.used_share, row.review_at_share)
    doubt = t("attention.findings", count=row.findings) if row.findings else ""
    return {
        "crane": row.crane,
        "title": row.title or row.type,
        "urgency": state.urgency,
        "state": state.value,
        "word": word,
        "near": row.near_limit_pct,
        "near_state": near_state.value,
        "near_text": numbers.percent(row.near_limit_pct),
        "near_note": _trend(row),
        "why": "; ".join(filter(None, (short or _other_reason(row, today), doubt))),
        "why_long": "; ".join(filter(None, (long or _other_reason(row, today), doubt))),
        "stops": row.limiter_stops,
        "overrides": row.limiter_overrides,
        "life": row.used_share,
        "life_state": life_state.value,
        "life_text": marks.life_words(row),
        "life_band": [row.review_at_share, 1.0],
        "life_unknown": row.used_share_unknown,
        "unknown_years": row.unknown_years,
        "assessment": row.assessment_on.isoformat() if row.assessment_on else None,
        "assessment_state": attention.assessment_state(row.assessment_on, today).value,
        "assessment_text": numbers.day(row.assessment_on),
        "assessment_by": row.assessment_by,
        "assessment_reason": row.assessment_reason,
        "service": row.service_due_on.isoformat() if row.service_due_on else None,
        "service_state": attention.due_state(row.service_due_on, today).value,
        "service_text": numbers.day(row.service_due_on),
        "faults": row.open_faults,
        "now": row.utilisation_pct,
        "at": row.last_at.isoformat() if row.last_at else None,
    }


def _other_reason(row: FleetRow, today: date) -> str:
    """What else a person should know of a crane that does not stand out by its near-limit time."""
    if row.emergency_s >= 60:
        return t("fleet.why.emergency", time=numbers.duration(row.emergency_s))
    if attention.assessment_state(row.assessment_on, today) is not State.OK:
        return t("fleet.why.assessment", day=numbers.day(row.assessment_on))
    if row.spent_on is not None and attention.life_state(row.used_share, row.review_at_share) is not State.OK:
        return t("fleet.why.spent", day=numbers.day(row.spent_on))
    return ""


def _trend(row: FleetRow) -> str:
    """The change from the period of equal length before."""
    if row.near_limit_pct_before is None or row.near_limit_pct is None:
        return ""
    change = row.near_limit_pct - row.near_limit_pct_before
    if abs(change) < 0.1:
        return ""
    return t("trend.up" if change > 0 else "trend.down", points=numbers.plain(abs(change), 1))
