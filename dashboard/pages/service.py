"""Service: what is due, crane by crane, and the special assessment of each."""

from datetime import date
from typing import Any

from dash import html

from dashboard.parts import charts, grid, marks, page, states
from dashboard.parts.grid import column
from dashboard.visit import Visit, attempt
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
        return html.Div([page.head(t("service.title")), states.no_fleet()])
    plans = await attempt(visit.client.service_of_all())
    today = visit.now.date()
    rows = [_row(row, today) for row in fleet.rows]
    due = sum(row["state"] in (State.WATCH, State.ACT) for row in rows)
    return html.Div(
        [
            page.head(
                t("service.title"),
                t("service.context", count=due),
                page.button(t("service.enter"), "/settings?tab=service"),
            ),
            page.card(
                t("service.table"),
                grid.grid("service-grid", t("service.table"), _columns(), rows),
                note=t("service.note"),
                flush=True,
            ),
            charts.either(t("service.plans"), plans, lambda found: _plans(list(found.items), today)),
            page.card(t("service.intervals"), html.P(t("service.intervals.text"))),
            marks.cautions(fleet.cautions),
        ]
    )


def _due(when: date | None, today: date) -> tuple[State, str]:
    return attention.due_state(when, today), marks.due_words(when, today)


def _plans(plans: list[ServiceRow], today: date) -> html.Section:
    """Every interval that is entered, with what has run since it was last done."""
    title = t("service.plans")
    if not plans:
        return charts.nothing(title, t("service.plans.none"))
    columns: list[dict[str, Any]] = [
        column("crane", t("fleet.col.crane"), 110),
        column("plan", t("service.col.plan"), 120),
        column("urgency", t("service.col.state"), 130, "MarkCell", sort="desc"),
        column("due", t("service.col.due"), 120, narrow=False),
        column("hours", t("service.col.hours"), 130, narrow=False, right=True),
        column("lifts", t("service.col.lifts"), 120, narrow=False, right=True),
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
    return page.card(
        title, grid.grid("plan-grid", title, columns, rows), note=t("service.plans.note"), flush=True
    )


def _columns() -> list[dict[str, Any]]:
    return [
        column("crane", t("fleet.col.crane"), 140, "CraneCell"),
        column("urgency", t("service.col.state"), 170, "MarkCell", sort="desc"),
        column("which", t("service.col.which"), 150, narrow=False),
        column("service", t("service.col.service"), 130, narrow=False),
        column("assessment", t("service.col.assessment"), 150, narrow=False),
        column("reason", t("service.col.reason"), 260, flex=2, narrow=False, sortable=False, wrap=True),
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
