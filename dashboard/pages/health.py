"""Data health: how old the data of each crane is, what was set aside and why."""

from collections import Counter
from typing import Any
from zoneinfo import ZoneInfo

from dash import html

from dashboard import numbers
from dashboard.parts import charts, grid, marks, page
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import UTC_ZONE, ZONES, Trouble, Visit, together
from domain.answers import FleetAnswer, FleetRow, QuarantineRow

SILENT_AFTER_S = 86_400.0


async def render(visit: Visit) -> Any:
    """Whether the figures of the other pages can be believed."""
    fleet, quarantine = await together(visit.client.fleet(days=7), visit.client.quarantine(limit=200))
    zone = UTC_ZONE
    if isinstance(fleet, FleetAnswer) and fleet.rows:
        zone = await ZONES.of_site(fleet.rows[0].site, fleet.rows[0].crane, visit.client)
    return html.Div(
        [
            page.head(t("health.title"), t("health.context")),
            charts.missing(t("health.ages"), fleet) if isinstance(fleet, Trouble) else _ages(fleet),
            charts.missing(t("health.quarantine"), quarantine)
            if isinstance(quarantine, Trouble)
            else _quarantine(quarantine.items, zone),
        ]
    )


def _age_state(row: FleetRow) -> tuple[State, str]:
    if row.age_s is None:
        return State.STALE, t("health.never")
    if row.age_s > SILENT_AFTER_S:
        return State.STALE, t("health.silent")
    if row.age_s < 0:
        return State.ACT, t("health.ahead")
    return State.OK, t("health.current") if row.online else t("health.offline")


def _ages(fleet: FleetAnswer) -> html.Section:
    if not fleet.rows:
        return charts.nothing(t("health.ages"), t("fleet.empty.text"))
    order = [State.OK, State.STALE, State.WATCH, State.ACT]
    rows = []
    for row in fleet.rows:
        state, word = _age_state(row)
        rows.append(
            {
                "crane": row.crane,
                "title": row.title or row.type,
                "urgency": order.index(state),
                "state": state.value,
                "word": word,
                "at": row.last_at.isoformat() if row.last_at else None,
                "recorded": round(row.recorded_s / 3600, 1),
                "lifts": row.lifts,
            }
        )
    columns: list[dict[str, Any]] = [
        {"field": "crane", "headerName": t("fleet.col.crane"), "cellRenderer": "CraneCell", "minWidth": 130},
        {
            "field": "urgency",
            "headerName": t("health.col.state"),
            "cellRenderer": "MarkCell",
            "sort": "desc",
            "minWidth": 160,
        },
        {
            "field": "at",
            "headerName": t("health.col.newest"),
            "cellRenderer": "AgeCell",
            "minWidth": 140,
            "narrow": False,
        },
        {
            "field": "recorded",
            "headerName": t("health.col.recorded"),
            "type": "rightAligned",
            "minWidth": 120,
            "narrow": False,
        },
        {
            "field": "lifts",
            "headerName": t("health.col.lifts"),
            "type": "rightAligned",
            "minWidth": 100,
            "narrow": False,
        },
    ]
    silent = sum(row["state"] == State.STALE for row in rows)
    return html.Section(
        [
            html.Div(
                [
                    html.H2(t("health.ages")),
                    html.P(t("health.ages.summary", silent=silent, count=len(rows)), className="bl-summary"),
                ]
            ),
            grid.grid("age-grid", t("health.ages"), columns, rows),
        ],
        className="bl-card bl-card-flush",
    )


def _quarantine(rows: tuple[QuarantineRow, ...], zone: ZoneInfo) -> html.Section:
    title = t("health.quarantine")
    if not rows:
        return html.Section(
            [html.H2(title), marks.mark(State.OK, t("health.quarantine.none"))], className="bl-card"
        )
    reasons = Counter(row.reason for row in rows)
    columns: list[dict[str, Any]] = [
        {
            "field": "received",
            "headerName": t("health.col.received", zone=zone.key),
            "minWidth": 200,
            "flex": 1,
        },
        {"field": "crane", "headerName": t("fleet.col.crane"), "minWidth": 110},
        {"field": "reason", "headerName": t("health.col.reason"), "filter": True, "minWidth": 150},
        {
            "field": "detail",
            "headerName": t("health.col.detail"),
            "minWidth": 260,
            "flex": 2,
            "wrapText": True,
            "cellClass": "bl-cell-wrap",
            "narrow": False,
        },
        {
            "field": "start",
            "headerName": t("health.col.start"),
            "minWidth": 200,
            "flex": 1,
            "cellClass": "bl-cell-mono",
            "narrow": False,
        },
    ]
    data = [
        {
            "received": numbers.moment(row.received_at, zone, seconds=True),
            "crane": row.crane or numbers.MISSING,
            "reason": t(f"quarantine.{row.reason}"),
            "detail": row.detail,
            "start": row.raw_start[:80],
        }
        for row in rows
    ]
    words = numbers.listed(
        [f"{count} {t(f'quarantine.{reason}')}" for reason, count in reasons.most_common()]
    )
    return html.Section(
        [
            html.Div(
                [
                    html.H2(title),
                    html.P(t("health.quarantine.summary", reasons=words), className="bl-summary"),
                ]
            ),
            grid.grid("quarantine-grid", title, columns, data),
        ],
        className="bl-card bl-card-flush",
    )
