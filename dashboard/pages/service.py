"""Service: what is due, crane by crane, and the special assessment of each."""

from datetime import date
from typing import Any, Final

from dash import html

from dashboard import numbers
from dashboard.parts import grid, marks, page, states
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import Trouble, Visit, together
from domain.answers import FleetRow, LifeAnswer
from domain.upkeep import ServiceRow

AT_MOST: Final = 300
PLANS_OF_CRANES: Final = 60
ORDER: Final = (State.OK, State.STALE, State.WATCH, State.ACT)


async def render(visit: Visit) -> Any:
    """Dates that must not be missed, the nearest first."""
    fleet = await visit.client.fleet(days=30)
    if not fleet.rows:
        return html.Div(
            [page.head(t("service.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    rows = fleet.rows[:AT_MOST]
    lives = await together(*(visit.client.life(row.crane) for row in rows))
    plans = await together(*(visit.client.service(row.crane) for row in rows[:PLANS_OF_CRANES]))
    today = visit.now.date()
    known = [(row, life) for row, life in zip(rows, lives, strict=True) if isinstance(life, LifeAnswer)]
    missing = sum(isinstance(life, Trouble) for life in lives)
    due = sum(
        state is not State.OK
        for row, life in known
        for state, _ in (
            _due(row.service_due_on or life.service_due_on, today),
            _due(life.special_assessment_on, today),
        )
    )
    return html.Div(
        [
            page.head(t("service.title"), t("service.context", count=due, days=marks.DUE_SOON_DAYS)),
            html.Section(
                [
                    html.Div(
                        [html.H2(t("service.table")), html.P(t("service.note"), className="bl-summary")]
                    ),
                    states.partial(t("service.table"), t("service.missing", count=missing))
                    if missing
                    else None,
                    grid.grid(
                        "service-grid",
                        t("service.table"),
                        _columns(),
                        [_row(row, life, today) for row, life in known],
                    ),
                ],
                className="bl-card bl-card-flush",
            ),
            _plans(
                [plan for answer in plans if not isinstance(answer, Trouble) for plan in answer.items], today
            ),
            html.Section(
                [
                    html.H2(t("service.intervals")),
                    html.P(t("service.intervals.text")),
                ],
                className="bl-card",
            ),
            marks.cautions(fleet.cautions),
        ]
    )


def _due(when: date | None, today: date) -> tuple[State, str]:
    return marks.due_state(when, today), marks.due_words(when, today)


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
                "urgency": ORDER.index(state),
                "state": state.value,
                "word": word,
                "due": one.due_on.isoformat() if one.due_on else t("service.later"),
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


def _row(row: FleetRow, life: LifeAnswer, today: date) -> dict[str, Any]:
    service_on = row.service_due_on or life.service_due_on
    states_found = [
        (*_due(service_on, today), t("service.col.service")),
        (*_due(life.special_assessment_on, today), t("service.col.assessment")),
    ]
    state, word, which = max(states_found, key=lambda one: ORDER.index(one[0]))
    return {
        "crane": row.crane,
        "title": row.title or row.type,
        "urgency": ORDER.index(state),
        "state": state.value,
        "word": t("service.later") if state is State.OK else word,
        "service": service_on.isoformat() if service_on else t("service.not_set"),
        "assessment": life.special_assessment_on.isoformat(),
        "reason": life.special_assessment_reason,
        "which": numbers.MISSING if state is State.OK else which,
    }
