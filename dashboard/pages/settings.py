"""Settings: what is entered and may be changed, by role: cranes, status codes, service, alerts, people, access."""

from collections.abc import Awaitable, Callable
from typing import Any, Final

from dash import dcc, html

from dashboard import numbers
from dashboard.pages import (
    settings_access,
    settings_alerts,
    settings_codes,
    settings_people,
    settings_service,
)
from dashboard.parts import grid, page, states
from dashboard.parts.marks import State
from dashboard.texts import t
from dashboard.visit import Trouble, Visit, attempt
from domain.accounts import WhoAmI

TABS: Final = ("cranes", "service", "codes", "alerts", "people", "access", "about")
NOBODY: Final = WhoAmI(account="", role="viewer", sites=None, via="")


async def render(visit: Visit) -> Any:
    """One tab of the settings, with forms for what the role may change."""
    tab = visit.choice("tab", TABS)
    me = await attempt(visit.client.me())
    who = NOBODY if isinstance(me, Trouble) else me
    draw: dict[str, Callable[[Visit, WhoAmI], Awaitable[Any]]] = {
        "cranes": _cranes,
        "service": settings_service.render,
        "codes": settings_codes.render,
        "alerts": settings_alerts.render,
        "people": settings_people.render,
        "access": settings_access.render,
        "about": _about,
    }
    links = [(one, t(f"settings.tab.{one}"), visit.href(visit.path, tab=one)) for one in TABS]
    return html.Div(
        [
            page.head(t("settings.title"), t("settings.context", role=t(f"role.{who.role}"))),
            page.tabs(t("settings.tabs"), tab, links),
            await draw[tab](visit, who),
        ]
    )


async def _cranes(visit: Visit, who: WhoAmI) -> Any:
    """The cranes, each with the ways to what is entered for it."""
    rows = await visit.client.all_cranes()
    if not rows:
        return states.empty(
            t("first.title"),
            t("settings.cranes.none"),
            dcc.Link(t("settings.cranes.how"), href="/fleet", className="bl-button"),
        )
    columns: list[dict[str, Any]] = [
        {"field": "crane", "headerName": t("fleet.col.crane"), "cellRenderer": "CraneCell", "minWidth": 120},
        {"field": "type", "headerName": t("settings.col.type"), "filter": True, "minWidth": 120},
        {"field": "site", "headerName": t("settings.col.site"), "filter": True, "minWidth": 110, "narrow": False},
        {"field": "registered", "headerName": t("settings.col.registered"), "minWidth": 110, "narrow": False},
        {"field": "urgency", "headerName": t("settings.col.state"), "cellRenderer": "MarkCell", "minWidth": 130, "narrow": False},
        {"field": "service", "headerName": t("settings.tab.service"), "cellRenderer": "LinkCell", "minWidth": 100, "narrow": False, "sortable": False},
        {"field": "details", "headerName": t("details.title"), "cellRenderer": "LinkCell", "minWidth": 100, "narrow": False, "sortable": False},
    ]  # fmt: skip
    data = [
        {
            "crane": row.name,
            "title": row.title,
            "type": row.type_title or row.type,
            "site": row.site,
            "registered": numbers.day(row.registered_at.date()),
            "urgency": int(row.draft),
            "state": (State.WATCH if row.draft else State.OK).value,
            "word": t("attention.draft") if row.draft else t("settings.complete"),
            "service": t("settings.intervals"),
            "service_href": f"/settings?tab=service&crane={row.name}",
            "details": t("settings.details"),
            "details_href": f"/life/{row.name}",
        }
        for row in rows
    ]
    return html.Section(
        [
            html.Div(
                [html.H2(t("settings.cranes")), html.P(t("settings.cranes.note"), className="bl-summary")]
            ),
            grid.grid("crane-grid", t("settings.cranes"), columns, data),
        ],
        className="bl-card bl-card-flush",
    )


async def _about(visit: Visit, _who: WhoAmI) -> Any:
    version = await attempt(visit.client.version())
    words = (
        t("settings.version.unknown")
        if isinstance(version, Trouble)
        else t("settings.version", name=version.name, version=version.version, api=version.api)
    )
    return html.Div(
        [
            html.Section(
                [html.H2(t("settings.units")), html.P(t("settings.units.text"))], className="bl-card"
            ),
            html.Section(
                [
                    html.H2(t("settings.about")),
                    html.P(words),
                    html.A(t("settings.api"), href="/api/v1/docs", className="bl-link"),
                ],
                className="bl-card",
            ),
        ]
    )
