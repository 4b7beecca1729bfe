"""Whether the api is alive and ready, what is running, and figures for Prometheus."""

import asyncio
from importlib.metadata import PackageNotFoundError, version
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from psycopg_pool import PoolTimeout

from api.deps import get_pool
from domain.answers import Health, Version
from store.answering import Answering
from store.connection import AWAY
from store.sight import Pool

router = APIRouter(tags=["health"])
READY_WITHIN_S: Final = 2.0


@router.get("/healthz")
async def health() -> Health:
    """Alive: the process answers. Says nothing about the database."""
    return Health(status="ok")


@router.get("/readyz", responses={503: {"model": Health}})
async def ready(request: Request, response: Response, pool: Annotated[Pool, Depends(get_pool)]) -> Health:
    """Ready: the database answered within the last 5 s, and has a connection for a request."""
    answering: Answering = request.app.state.answering
    problem = answering.problem()
    if not problem:
        try:
            async with asyncio.timeout(READY_WITHIN_S), pool.connection(timeout=READY_WITHIN_S):
                pass
        except (*AWAY, PoolTimeout, TimeoutError):
            problem = "no connection to the database is free"
    if problem:
        response.status_code = 503
        # Whoever asks may be anybody: the log says where the database is and what it answered.
        return Health(status="not ready", detail=problem.partition(":")[0])
    return Health(status="ok", detail="the database takes no writes" if answering.read_only else "")


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
