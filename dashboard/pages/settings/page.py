"""Settings: what is entered and may be changed, by role: cranes, status codes, service, alerts, people, access."""

from collections.abc import Awaitable, Callable
from typing import Any, Final

from dash import html

from dashboard.pages.settings import access as settings_access
from dashboard.pages.settings import alerts as settings_alerts
from dashboard.pages.settings import codes as settings_codes
from dashboard.pages.settings import cranes as settings_cranes
from dashboard.pages.settings import history as settings_history
from dashboard.pages.settings import kept as settings_kept
from dashboard.pages.settings import people as settings_people
from dashboard.pages.settings import service as settings_service
from dashboard.parts import page
from dashboard.visit import Trouble, Visit, attempt
from domain.accounts import WhoAmI
from words.texts import t

TABS: Final = ("cranes", "history", "service", "codes", "alerts", "people", "access", "kept", "about")
NOBODY: Final = WhoAmI(account="", role="viewer", sites=None, via="")


async def render(visit: Visit) -> Any:
    """One tab of the settings, with forms for what the role may change."""
    tab = visit.choice("tab", TABS)
    me = await attempt(visit.client.me())
    who = NOBODY if isinstance(me, Trouble) else me
    draw: dict[str, Callable[[Visit, WhoAmI], Awaitable[Any]]] = {
        "cranes": settings_cranes.render,
        "history": settings_history.render,
        "service": settings_service.render,
        "codes": settings_codes.render,
        "alerts": settings_alerts.render,
        "people": settings_people.render,
        "access": settings_access.render,
        "kept": settings_kept.render,
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


async def _about(visit: Visit, _who: WhoAmI) -> Any:
    version = await attempt(visit.client.version())
    words = (
        t("settings.version.unknown")
        if isinstance(version, Trouble)
        else t("settings.version", name=version.name, version=version.version, api=version.api)
    )
    return html.Div(
        [
            page.card(t("settings.units"), html.P(t("settings.units.text"))),
            page.card(t("settings.sources"), html.P(t("settings.sources.text"))),
            page.card(
                t("settings.about"),
                html.P(words),
                html.A(t("settings.api"), href="/api/v1/docs", className="bl-link"),
            ),
        ]
    )
