"""Whether the api is alive and ready, what is running, and figures for Prometheus."""

from importlib.metadata import PackageNotFoundError, version
from typing import Annotated

import psycopg
from fastapi import APIRouter, Depends, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from psycopg_pool import PoolTimeout

from api.deps import get_pool
from domain.answers import Health, Version
from store.sight import Pool

router = APIRouter(tags=["health"])


@router.get("/healthz")
async def health() -> Health:
    """Alive: the process answers. Says nothing about the database."""
    return Health(status="ok")


@router.get("/readyz", responses={503: {"model": Health}})
async def ready(response: Response, pool: Annotated[Pool, Depends(get_pool)]) -> Health:
    """Ready: the database answers."""
    try:
        async with pool.connection(timeout=2) as conn:
            await conn.execute("select 1")
    except (psycopg.OperationalError, PoolTimeout):
        response.status_code = 503
        return Health(status="not ready", detail="the database does not answer")
    return Health(status="ok")


@router.get("/version")
async def show_version() -> Version:
    """What is running."""
    return Version(name="boomledger", version=running_version(), api="v1")


@router.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
async def metrics(request: Request) -> Response:
    """Figures for Prometheus."""
    return Response(generate_latest(request.app.state.figures.registry), media_type=CONTENT_TYPE_LATEST)


def running_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("boomledger")
    except PackageNotFoundError:
        return "0"
