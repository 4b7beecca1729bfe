"""Life of all cranes: the used share of each, those not known and the most used first."""

import math
from typing import Any

from dash import html

from dashboard.parts import grid, marks, page, states
from dashboard.parts.grid import bars, column
from dashboard.visit import Visit
from domain import attention
from domain.fleet_answers import FleetRow
from words import numbers
from words.texts import t


async def render_list(visit: Visit) -> Any:
    """Every crane by used share, the most used first; what is forecast, and what compares."""
    # No figure here depends on the days: those of the fleet page.
    fleet = await visit.client.fleet(days=7, rates=False)
    if not fleet.rows:
        return html.Div([page.head(t("life.title")), states.no_fleet()])
    return html.Div(
        [
            page.head(t("life.title"), t("life.context")),
            page.card(
                t("life.list"),
                grid.grid("life-grid", t("life.list"), _columns(), grid_rows(fleet.rows)),
                note=_summary(fleet.rows),
                flush=True,
            ),
            marks.cautions(fleet.cautions),
        ]
    )


def grid_rows(rows: tuple[FleetRow, ...]) -> list[dict[str, Any]]:
    """Plain values of the grid: cranes without a known share first, since nothing says they are unused; then by share."""
    ranked = sorted(
        rows, key=lambda row: math.inf if row.used_share is None else row.used_share, reverse=True
    )
    return [_grid_row(row) for row in ranked]


def _summary(rows: tuple[FleetRow, ...]) -> str:
    past = sum((row.used_share or 0) >= row.review_at_share for row in rows)
    unknown = sum(row.used_share is None for row in rows)
    words = [t("life.list.past", count=past) if past else t("life.list.none_past")]
    if unknown:
        words.append(t("life.list.unknown", count=unknown))
    history = sum(row.unknown_years > 0 for row in rows)
    if history:
        words.append(t("life.list.history", count=history))
    words.append(t("life.list.assessment"))
    return " ".join(words)


def _columns() -> list[dict[str, Any]]:
    return [
        column("crane", t("fleet.col.crane"), 98, "LinkCell", flex=2),
        column("title", t("settings.col.type"), 120, flex=3, narrow=False),
        bars("life", t("life.used"), 120, 1.0, flex=4),
        column("spent", t("life.col.spent"), 110, "DayCell", flex=2),
        column("assessment", t("life.col.assessment"), 120, "DayCell", flex=2, narrow=False),
    ]


def _grid_row(row: FleetRow) -> dict[str, Any]:
    return {
        "crane": row.crane,
        "crane_href": f"/life/{row.crane}",
        "title": row.title or row.type,
        "life": row.used_share,
        "life_state": attention.life_state(row.used_share, row.review_at_share).value,
        "life_text": marks.life_words(row),
        "life_band": [row.review_at_share, 1.0],
        "spent": row.spent_on.isoformat() if row.spent_on else None,
        "assessment": row.assessment_on.isoformat() if row.assessment_on else None,
        "assessment_text": numbers.day(row.assessment_on),
        "spent_text": numbers.day(row.spent_on) if row.spent_on else t("life.spent_on.unknown"),
    }
