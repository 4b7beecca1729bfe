"""Settings: the cranes and their load charts as the system knows them; who runs what version."""

from typing import Any

from dash import html

from dashboard import numbers
from dashboard.parts import charts, grid, page, states
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import Trouble, Visit, together


async def render(visit: Visit) -> Any:
    """What is entered. Changes are made through the api or the command line, where they are checked and kept."""
    version, cranes = await together(visit.client.version(), visit.client.all_cranes())
    parts: list[Any] = [page.head(t("settings.title"), t("settings.context"))]
    if isinstance(cranes, Trouble):
        parts.append(charts.missing(t("settings.cranes"), cranes))
    elif not cranes:
        parts.append(states.empty(t("fleet.empty.title"), t("fleet.empty.text")))
    else:
        columns: list[dict[str, Any]] = [
            {
                "field": "crane",
                "headerName": t("fleet.col.crane"),
                "cellRenderer": "CraneCell",
                "minWidth": 150,
            },
            {"field": "type", "headerName": t("settings.col.type"), "minWidth": 150},
            {"field": "site", "headerName": t("settings.col.site"), "minWidth": 120, "narrow": False},
            {
                "field": "registered",
                "headerName": t("settings.col.registered"),
                "minWidth": 130,
                "narrow": False,
            },
            {
                "field": "urgency",
                "headerName": t("settings.col.state"),
                "cellRenderer": "MarkCell",
                "minWidth": 150,
                "narrow": False,
            },
        ]
        rows = [
            {
                "crane": row.name,
                "title": row.title,
                "type": row.type_title or row.type,
                "site": row.site,
                "registered": numbers.day(row.registered_at.date()),
                "urgency": int(row.draft),
                "state": (State.WATCH if row.draft else State.OK).value,
                "word": t("attention.draft") if row.draft else t("settings.complete"),
            }
            for row in cranes
        ]
        parts.append(
            html.Section(
                [html.H2(t("settings.cranes")), grid.grid("crane-grid", t("settings.cranes"), columns, rows)],
                className="bl-card bl-card-flush",
            )
        )
    parts.append(
        html.Section([html.H2(t("settings.units")), html.P(t("settings.units.text"))], className="bl-card")
    )
    words = (
        t("settings.version.unknown")
        if isinstance(version, Trouble)
        else t("settings.version", name=version.name, version=version.version, api=version.api)
    )
    about = [
        html.H2(t("settings.about")),
        html.P(words),
        html.A(t("settings.api"), href="/api/v1/docs", className="bl-link"),
    ]
    parts.append(html.Section(about, className="bl-card"))
    return html.Div(parts)
