"""Whether the api is alive and ready, what is running, and figures for Prometheus."""

import asyncio
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from psycopg_pool import PoolTimeout

from api.deps import Conn, get_pool
from api.middleware import Figures
from api.permissions import OPEN, VIEWER
from api.settings import running_version
from domain.answers import Health, SystemAnswer, SystemPart, SystemTrouble, Version
from domain.system_watch import troubles
from store.connection import AWAY
from store.site_scope import Pool, site_scope
from store.system_watch import HEARTBEATS, Answering, newest_work_async
from words.alerts import system_words

router = APIRouter(tags=["health"])
READY_WITHIN_S: Final = 2.0


@router.get("/healthz", dependencies=[OPEN])
async def health() -> Health:
    """Alive: the process answers. Says nothing about the database."""
    return Health(status="ok")


@router.get("/readyz", dependencies=[OPEN], responses={503: {"model": Health}})
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


@router.get("/version", dependencies=[VIEWER])
async def show_version() -> Version:
    """What is running."""
    return Version(name="boomledger", version=running_version(), api="v1")


@router.get("/system", dependencies=[VIEWER])
async def show_system(conn: Conn) -> SystemAnswer:
    """Whether ingest, broker, counting, alerts and backup work, and how old the newest message and count are."""
    work = await newest_work_async(conn)
    heartbeats = await HEARTBEATS.all_async(conn)
    wrong = troubles(heartbeats, work)
    return SystemAnswer(
        at=work.at,
        newest_commit_at=work.committed_at,
        newest_count_at=work.counted_at,
        parts=tuple(
            SystemPart(part=one.process, told_at=one.beat_at, working_at=one.working_at) for one in heartbeats
        ),
        troubles=tuple(
            SystemTrouble(
                part=one.subject,
                since=one.since,
                code=one.told.code,
                text=words.text,
                consequence=words.consequence,
                what_to_do=words.action,
            )
            for one, words in zip(wrong, map(system_words, wrong), strict=True)
        ),
    )


@router.get(
    "/metrics",
    dependencies=[VIEWER],
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}}},
)
async def metrics(request: Request, pool: Annotated[Pool, Depends(get_pool)]) -> Response:
    """Figures for Prometheus, with the age of the newest message stored and of the newest count, of the whole fleet."""
    figures: Figures = request.app.state.figures
    try:
        async with asyncio.timeout(READY_WITHIN_S), site_scope(pool, None) as conn:
            figures.set_ages(await newest_work_async(conn))
    except (*AWAY, PoolTimeout, TimeoutError):
        figures.set_ages(None)
    return Response(generate_latest(request.app.state.figures.registry), media_type=CONTENT_TYPE_LATEST)
