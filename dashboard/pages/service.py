"""Service: what is due, crane by crane, and the special assessment of each."""

from datetime import date
from typing import Any

from dash import dcc, html

from dashboard.parts import charts, grid, marks, page, states
from dashboard.visit import Trouble, Visit, attempt
from domain import attention
from domain.attention import State
from domain.fleet_answers import FleetRow
from domain.maintenance import ServiceRow
from words import numbers
from words.texts import t


async def render(visit: Visit) -> Any:
    """Dates that must not be missed, the nearest first."""
    # No figure here depends on the days: those of the fleet page.
    fleet = await visit.client.fleet(days=7, rates=False)
    if not fleet.rows:
        return html.Div(
            [page.head(t("service.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    plans = await attempt(visit.client.service_of_all())
    today = visit.now.date()
    rows = [_row(row, today) for row in fleet.rows]
    due = sum(row["state"] in (State.WATCH, State.ACT) for row in rows)
    return html.Div(
        [
            page.head(
                t("service.title"),
                t("service.context", count=due),
                dcc.Link(
                    t("service.enter"), href="/settings?tab=service", className="bl-button bl-button-quiet"
                ),
            ),
            html.Section(
                [
                    html.Div(
                        [html.H2(t("service.table")), html.P(t("service.note"), className="bl-summary")]
                    ),
                    grid.grid("service-grid", t("service.table"), _columns(), rows),
                ],
                className="bl-card bl-card-flush",
            ),
            charts.missing(t("service.plans"), plans)
            if isinstance(plans, Trouble)
            else _plans(list(plans.items), today),
            html.Section(
                [html.H2(t("service.intervals")), html.P(t("service.intervals.text"))], className="bl-card"
            ),
            marks.cautions(fleet.cautions),
        ]
    )


def _due(when: date | None, today: date) -> tuple[State, str]:
    return attention.due_state(when, today), marks.due_words(when, today)


def _plans(plans: list[ServiceRow], today: date) -> html.Section:
    """Every interval that is entered, with what has run since it was last done."""
    title = t("service.plans")
    if not plans:
        return html.Section(
            [html.H2(title), html.P(t("service.plans.none"), className="bl-nothing")], className="bl-card"
        )
    columns: list[dict[str, Any]] = [
        {"field": "crane", "headerName": t("fleet.col.crane"), "minWidth": 110},
        {"field": "plan", "headerName": t("service.col.plan"), "minWidth": 120},
        {
            "field": "urgency",
            "headerName": t("service.col.state"),
            "cellRenderer": "MarkCell",
            "sort": "desc",
            "minWidth": 130,
        },
        {"field": "due", "headerName": t("service.col.due"), "minWidth": 120, "narrow": False},
        {
            "field": "hours",
            "headerName": t("service.col.hours"),
            "type": "rightAligned",
            "minWidth": 130,
            "narrow": False,
        },
        {
            "field": "lifts",
            "headerName": t("service.col.lifts"),
            "type": "rightAligned",
            "minWidth": 120,
            "narrow": False,
        },
    ]
    rows = []
    for one in plans:
        state, word = (State.ACT, t("service.is_overdue")) if one.overdue else _due(one.due_on, today)
        rows.append(
            {
                "crane": one.crane,
                "plan": one.plan,
                "urgency": state.urgency,
                "state": state.value,
                "word": word,
                "due": numbers.day(one.due_on) if one.due_on else t("service.later"),
                "hours": f"{one.hours_since:.0f} / {one.every_hours:.0f}"
                if one.every_hours
                else f"{one.hours_since:.0f}",
                "lifts": f"{one.lifts_since} / {one.every_lifts}"
                if one.every_lifts
                else f"{one.lifts_since}",
            }
        )
    return html.Section(
        [
            html.Div([html.H2(title), html.P(t("service.plans.note"), className="bl-summary")]),
            grid.grid("plan-grid", title, columns, rows),
        ],
        className="bl-card bl-card-flush",
    )


def _columns() -> list[dict[str, Any]]:
    return [
        {"field": "crane", "headerName": t("fleet.col.crane"), "cellRenderer": "CraneCell", "minWidth": 140},
        {
            "field": "urgency",
            "headerName": t("service.col.state"),
            "cellRenderer": "MarkCell",
            "minWidth": 170,
            "sort": "desc",
        },
        {"field": "which", "headerName": t("service.col.which"), "minWidth": 150, "narrow": False},
        {"field": "service", "headerName": t("service.col.service"), "minWidth": 130, "narrow": False},
        {"field": "assessment", "headerName": t("service.col.assessment"), "minWidth": 150, "narrow": False},
        {
            "field": "reason",
            "headerName": t("service.col.reason"),
            "minWidth": 260,
            "flex": 2,
            "wrapText": True,
            "cellClass": "bl-cell-wrap",
            "narrow": False,
            "sortable": False,
        },
    ]


def _row(row: FleetRow, today: date) -> dict[str, Any]:
    assessment = row.assessment_on
    words = marks.due_words(assessment, today, attention.ASSESSMENT_SOON_DAYS)
    found = [
        (*_due(row.service_due_on, today), t("service.col.service")),
        (attention.assessment_state(assessment, today), words, t("service.col.assessment")),
    ]
    state, word, which = max(found, key=lambda one: one[0].urgency)
    quiet = state is State.OK
    return {
        "crane": row.crane,
        "title": row.title or row.type,
        "urgency": state.urgency,
        "state": state.value,
        "word": t("service.later") if quiet else word,
        "service": numbers.day(row.service_due_on),
        "assessment": numbers.day(assessment),
        "reason": row.assessment_reason,
        "which": "" if quiet else which,
    }
