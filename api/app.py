"""The api as one ASGI app. Mount it at /api/v1, or serve it alone.

settings = ApiSettings(open_access=True)          # a demo on one's own machine
api = create_api("postgresql://...", settings)
async with running(api):                          # a mounted app's lifespan is not run by its parent
    ...
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import Final

from fastapi import Depends, FastAPI
from fastapi.routing import APIRoute
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Scope

from answers.dispatch_fleet import DispatchFleet
from answers.fleet import FleetAtAGlance
from api.bounds import known_parameters, only_known_parameters
from api.gate import Gate
from api.hub import Hub
from api.import_jobs import ImportJobs
from api.limits import Limited, Limits
from api.matching import Matched, well_formed_headers
from api.middleware import BodyBound, Figures, Observe, PageHeaders
from api.permissions import Least, least_of
from api.problems import add_problem_handlers
from api.reads import Reads
from api.routes import (
    access,
    alert_rules,
    alerts,
    channels,
    clock_corrections,
    counters,
    cranes,
    descriptions,
    dispatch,
    docs,
    dossier,
    exclusions,
    faults,
    health,
    imports,
    life,
    life_records,
    live,
    load_charts,
    maintenance,
    near_limit,
    overloads,
    quarantine,
    records,
    registration,
    reservations,
    sign_on,
    spectrum,
)
from api.routes import reports as report_routes
from api.settings import ApiSettings, running_version
from api.sign_on import SignOn
from api.spec import describe
from api.stages import Audited, Idempotent, Tagged
from domain.accounts import RESET_PATH
from store.connection import open_async_pool
from store.site_scope import Pool, work_under_role
from store.system_watch import Answering

API_PATH: Final = "/api/v1"
PAGE_BYTES_MAX: Final = 25_000_000
"""Largest body of a page: a file that is brought in on the screen, written as text."""
PAGE_SECONDS_MAX: Final = 300.0
ROUTERS = (
    health.router,
    cranes.fleet,
    cranes.router,
    registration.router,
    registration.tables,
    descriptions.router,
    live.router,
    records.router,
    quarantine.router,
    channels.router,
    channels.writes,
    clock_corrections.router,
    clock_corrections.writes,
    quarantine.writes,
    spectrum.router,
    spectrum.tables,
    life.router,
    life_records.router,
    exclusions.router,
    overloads.router,
    overloads.writes,
    exclusions.writes,
    faults.router,
    faults.listed,
    near_limit.router,
    near_limit.of_crane,
    maintenance.router,
    faults.findings_router,
    maintenance.writes,
    report_routes.router,
    dossier.router,
    dispatch.router,
    reservations.router,
    load_charts.router,
    cranes.drawings,
    counters.router,
    imports.router,
    alerts.router,
    alerts.single,
    alert_rules.router,
    alert_rules.writes,
    access.router,
    sign_on.router,
    docs.router,
)


def create_api(database_url: str, settings: ApiSettings | None = None) -> FastAPI:
    """The api over one database. Nothing is connected before `open_api`, `running` or the app's own lifespan."""
    settings = settings or ApiSettings()
    api = FastAPI(
        title="Boomledger",
        version=running_version(),
        summary="What loader cranes did, how much life is left in them, and which can take a job.",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,  # a redirect would be built from the Host header
        lifespan=running,
        dependencies=[Depends(only_known_parameters), Depends(well_formed_headers)],
    )
    api.state.database_url = database_url
    api.state.settings = settings
    api.state.figures = Figures()
    api.state.limits = limits = Limits(settings)
    api.state.imports = ImportJobs()
    api.state.at_a_glance = FleetAtAGlance()
    api.state.sign_on = None if settings.sign_on is None else SignOn(settings.sign_on)
    for router in ROUTERS:
        api.include_router(router)
    least = least_roles()
    api.state.parameters = known_parameters(every_route())
    api.state.describe = lambda: describe(api, every_route())
    api.state.allowed = allowed_methods
    add_problem_handlers(api)
    api.add_middleware(Tagged)
    api.add_middleware(Matched, pool=lambda: api.state.pool, at_once=settings.pool_size // 2)
    api.state.reads = Reads(lambda: api.state.pool)
    api.add_middleware(Audited, pool=lambda: api.state.pool, reads=api.state.reads)
    api.add_middleware(Idempotent, pool=lambda: api.state.pool, least=least)
    api.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    api.add_middleware(Limited, limits=limits, by="account")
    api.add_middleware(Gate, settings=settings, pool=lambda: api.state.pool, exempt=open_paths())
    api.add_middleware(Limited, limits=limits, by="address")
    api.add_middleware(
        BodyBound,
        bytes_max=settings.body_bytes_max,
        seconds_max=settings.body_seconds_max,
        of_paths={**imports.bounds(settings), **life_records.bounds(settings)},
    )
    api.add_middleware(Observe, figures=api.state.figures)
    return api


def guard(
    server: ASGIApp, api: FastAPI, *, content_security_policy: str, login_page: str = "/login"
) -> ASGIApp:
    """A server that has the api mounted at API_PATH (pages, assets, live connections), behind the same gate.

    Without it only the api is closed: pages would show themselves to everyone who reaches the port.
    """
    gated = Gate(
        Limited(server, limits=api.state.limits, by="account", pages=True),
        settings=api.state.settings,
        pool=lambda: api.state.pool,
        exempt={login_page, RESET_PATH, *(API_PATH + path for path in open_paths())},
        login_page=login_page,
    )
    bounded = BodyBound(
        Limited(gated, limits=api.state.limits, by="address"),
        bytes_max=PAGE_BYTES_MAX,
        seconds_max=PAGE_SECONDS_MAX,
        of_paths={
            API_PATH + path: most
            for found in (imports.bounds(api.state.settings), life_records.bounds(api.state.settings))
            for path, most in found.items()
        },
    )
    return PageHeaders(bounded, content_security_policy=content_security_policy)


def every_route() -> list[APIRoute]:
    """Every route of the api."""
    return [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]


def least_roles() -> dict[tuple[str, str], Least]:
    """What each route asks for, by (method, path). Raises ValueError where one names no role."""
    return {
        (method, route.path): least_of(route) for route in every_route() for method in route.methods or ()
    }


def open_paths() -> set[str]:
    """Paths that answer who has not signed in."""
    return {path for (_, path), least in least_roles().items() if least.role is None}


def allowed_methods(scope: Scope) -> list[str]:
    """Methods that some route answers on the path of a request."""
    path = scope["path"].removeprefix(scope.get("root_path", ""))
    found = {
        method for route in every_route() if route.path_regex.match(path) for method in route.methods or ()
    }
    return sorted(found)


async def open_api(api: FastAPI) -> None:
    """Connect to the database and begin to listen for live values."""
    settings: ApiSettings = api.state.settings
    pool: Pool = await open_async_pool(
        api.state.database_url,
        max_size=settings.pool_size,
        configure=partial(work_under_role, key=settings.scope_key_text),
    )
    api.state.pool = pool
    api.state.dispatch_fleet = DispatchFleet(pool)
    api.state.answering = Answering(api.state.database_url, writes=False).start()
    await api.state.answering.first()
    api.state.hub = Hub(api.state.database_url)
    api.state.hub.open()
    api.state.reads.open()


async def close_api(api: FastAPI) -> None:
    """Give connections back and stop listening."""
    await api.state.hub.close()
    await api.state.reads.close()
    api.state.answering.close()
    await api.state.dispatch_fleet.close()
    await api.state.pool.close()


@asynccontextmanager
async def running(api: FastAPI) -> AsyncIterator[None]:
    """The api, open inside the block."""
    await open_api(api)
    try:
        yield
    finally:
        await close_api(api)
