"""From an address to a page. The address holds everything: page, crane, period, filters, tab."""

import asyncio
import logging
import re
from dataclasses import dataclass
from typing import Any, Final, Protocol

from dash import Dash, Input, Output

from dashboard import shell
from dashboard.client import Client, NotAllowed
from dashboard.pages import alerts, faults, replay, service
from dashboard.pages.crane import now as crane_now
from dashboard.pages.crane import page as crane
from dashboard.pages.dispatch import calendar as dispatch_calendar
from dashboard.pages.dispatch import charts as dispatch_charts
from dashboard.pages.dispatch import day as dispatch_day
from dashboard.pages.dispatch import levelling as dispatch_levelling
from dashboard.pages.dispatch import page as dispatch
from dashboard.pages.dispatch import reservation as dispatch_reservation
from dashboard.pages.fleet import page as fleet
from dashboard.pages.health import file_import as health_import
from dashboard.pages.health import page as health
from dashboard.pages.life import dossier
from dashboard.pages.life import page as life
from dashboard.pages.life import record_form as life_record_form
from dashboard.pages.life import records as life_records
from dashboard.pages.overloads import entry as overload_entry
from dashboard.pages.overloads import page as overloads
from dashboard.pages.settings import crane_form as settings_crane_form
from dashboard.pages.settings import page as settings
from dashboard.parts import form, states
from dashboard.visit import Asked, Finished, Render, Visit, query_of
from domain.errors import BoomledgerError, NotFound
from words.numbers import Units
from words.texts import t

_LOG = logging.getLogger("dashboard")
_NAME: Final = r"(?P<crane>[a-z0-9][a-z0-9-]{0,62})"


@dataclass(frozen=True)
class Route:
    """One kind of address: a pattern, the text of its title, and what draws it."""

    pattern: str
    title: str
    render: Render


ROUTES: Final[tuple[Route, ...]] = (
    Route("/", "fleet.title", fleet.render_start),
    Route("/fleet", "fleet.title", fleet.render),
    Route(f"/crane/{_NAME}", "crane.title", crane.render),
    Route("/dispatch", "dispatch.title", dispatch.render),
    Route("/dispatch/calendar", "dispatch.calendar.title", dispatch_calendar.render),
    Route(
        r"/dispatch/reservation/(?P<reservation>\d{1,15})",
        "dispatch.reservation.title",
        dispatch_reservation.render,
    ),
    Route("/dispatch/day", "dispatch.day.title", dispatch_day.render),
    Route("/dispatch/levelling", "dispatch.levelling.title", dispatch_levelling.render),
    Route("/dispatch/measured", "dispatch.measured.title", dispatch_levelling.render_measured),
    Route("/dispatch/charts", "dispatch.charts.title", dispatch_charts.render_list),
    Route(f"/dispatch/charts/{_NAME}", "dispatch.charts.title", dispatch_charts.render),
    Route("/life", "life.title", life.render_list),
    Route(f"/life/{_NAME}", "life.title", life.render),
    Route(f"/life/{_NAME}/records", "records.title", life_records.render),
    Route(f"/life/{_NAME}/dossier", "dossier.title", dossier.render),
    Route("/overloads", "overloads.title", overloads.render),
    Route(f"/overloads/{_NAME}", "overloads.title", overload_entry.render),
    Route("/faults", "faults.title", faults.render),
    Route("/alerts", "alerts.title", alerts.render),
    Route("/service", "service.title", service.render),
    Route("/data", "health.title", health.render),
    Route(f"/replay/{_NAME}", "replay.title", replay.render),
    Route("/replay", "replay.title", replay.render_list),
    Route("/settings", "settings.title", settings.render),
)


def match(path: str) -> tuple[Route, dict[str, str]] | None:
    """The route of a path with the names in it, or None."""
    trimmed = path.rstrip("/") or "/"
    for route in ROUTES:
        found = re.fullmatch(route.pattern, trimmed)
        if found is not None:
            return route, found.groupdict()
    return None


async def draw(client: Client, path: str, search: str | None, units: Units) -> tuple[Any, str]:
    """The page at an address and its window title. Whatever goes wrong becomes a picture that says so."""
    found = match(path)
    if found is None:
        return states.not_found(t("state.not_found.page", path=path)), t("state.not_found.title")
    route, place = found
    visit = Visit(client=client, path=path, place=place, query=query_of(search), units=units)
    title = " · ".join([*place.values(), t(route.title), t("app.name")])
    try:
        return await route.render(visit), title
    except NotAllowed as problem:
        return states.not_allowed(str(problem), signed_in=problem.problem.status == 403), title
    except NotFound as problem:
        return states.not_found(str(problem)), title
    except BoomledgerError as problem:
        return states.error(str(problem), visit.href()), title
    except Exception:
        _LOG.exception("page %s could not be drawn", route.pattern)
        return states.error(t("state.error.bug"), visit.href()), title


async def finished(client: Client, asked: Asked) -> Finished:
    """A page, its window title, how many alerts wait, and that in words."""
    page, alerts = await asyncio.gather(draw(client, *asked), shell.alerts_waiting(client))
    return Finished(*page, *alerts)


class _Page(Protocol):
    async def __call__(self, asked: Asked, *, anew: bool) -> Finished: ...


def register(app: Dash, client: Client, page: _Page) -> None:
    """The one callback that draws pages, and those that pages bring along. page: what `finished` gives, as it goes out."""

    @app.callback(
        Output("page", "children"),
        Output("window-title", "data"),
        Output("alert-count", "children"),
        Output("alert-count", "title"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("units", "data"),
        Input("redraw", "data"),
    )
    async def show(path: str | None, search: str | None, units: str | None, again: str | None) -> Finished:
        asked = Asked(path or "/", search or "", Units(units or Units.METRIC))
        return await page(asked, anew=again is not None)

    form.register(app, client)
    fleet.register(app)
    dispatch.register(app, client)
    crane_now.register(app, client)
    dispatch_charts.register(app)
    life.register(app, client)
    life_record_form.register(app, client)
    settings_crane_form.register(app)
    health_import.register(app, client)
