"""Live values: waiting for a change, server-sent events, and the typed client over both."""

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client, NotAllowed
from domain.answers import LiveChanges
from domain.dispatch_answers import DispatchQuestion
from domain.errors import InvalidInput, NotFound, Unavailable
from tests.support import rows

pytestmark = pytest.mark.anyio


def change_live(url: str, crane: str, value: float) -> None:
    """What ingest does at a commit."""
    with psycopg.connect(url, autocommit=True) as conn:
        newest = {"at": datetime.now(UTC), "last_values": {"utilisation_pct": value}}
        rows.change(conn, "live", newest, crane=crane)
        conn.execute("select pg_notify('boomledger_live', %s)", (crane,))


@pytest.fixture
async def open_fresh_api(fresh_yard_url: str) -> AsyncIterator[FastAPI]:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app):
        yield app


async def until_listening(app: FastAPI, url: str) -> None:
    """Notify until the listener has heard something."""
    before = app.state.hub.version
    async with asyncio.timeout(60):
        while app.state.hub.version == before:
            await asyncio.to_thread(change_live, url, "heron-3", 1.0)
            await asyncio.sleep(0.05)


async def test_a_waiting_request_wakes_at_the_commit(open_fresh_api: FastAPI, fresh_yard_url: str) -> None:
    await until_listening(open_fresh_api, fresh_yard_url)
    async with Client(app=open_fresh_api) as client:
        changes = client.live_changes(wait_s=30)
        first = await anext(changes)
        assert {row.crane for row in first.items} == {"heron-3", "plover-2", "crake-1"}
        waiting = asyncio.create_task(anext(changes))
        await asyncio.to_thread(change_live, fresh_yard_url, "heron-3", 77.0)
        async with asyncio.timeout(60):
            second = await waiting
            while second.items[0].values != {"utilisation_pct": 77.0}:  # an earlier notice may still come in
                second = await anext(changes)
    assert [row.crane for row in second.items] == ["heron-3"]
    assert second.items[0].age_s < 60
    assert second.version > first.version


async def test_silence_is_answered_empty(open_fresh_api: FastAPI) -> None:
    async with Client(app=open_fresh_api) as client:
        changes = client.live_changes(wait_s=0.01)
        first = await anext(changes)
        second = await anext(changes)
    assert second == LiveChanges(version=first.version, items=())


async def test_a_reader_who_leaves_is_no_failure_of_the_server(open_fresh_api: FastAPI) -> None:
    async with Client(app=open_fresh_api) as client:
        changes = client.live_changes(wait_s=30)
        await anext(changes)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.5):
                await anext(changes)
    counted = {
        sample.labels["status"]: sample.value
        for metric in open_fresh_api.state.figures.registry.collect()
        for sample in metric.samples
        if sample.name == "boomledger_api_requests_total"
    }
    assert counted == {"200": 1, "499": 1}


async def test_events_are_sent_as_they_come_and_end_in_time(http: httpx.AsyncClient) -> None:
    response = await http.get("/live/stream", params={"seconds": 0.5})
    assert response.headers["content-type"].startswith("text/event-stream")
    first = response.text.split("\n\n")[0].split("\n")
    assert first[0] == "event: live"
    rows = json.loads(first[2].removeprefix("data: "))["items"]
    assert {row["crane"] for row in rows} == {"heron-3", "plover-2", "crake-1"}


async def test_the_client_gives_types_and_errors(open_api: FastAPI) -> None:
    async with Client(app=open_api) as client:
        assert [row.name for row in await client.all_cranes()] == ["crake-1", "heron-3", "plover-2"]
        start, end = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC)
        assert len((await client.lifts("heron-3", start, end)).items) == 6
        assert (await client.samples("heron-3", start, end)).recorded_samples == 3600
        assert (await client.life("heron-3")).f1 == 1.1
        assert len((await client.events(start, end, crane="heron-3")).items) == 10
        assert (await client.me()).via == "open"
        found = await client.dispatch(DispatchQuestion(mass_kg=1000, rigging_kg=0, outreach_m=5))
        assert {row.crane for row in found.candidates} == {"crake-1", "heron-3", "plover-2"}
        with pytest.raises(NotFound, match="no-such"):
            await client.crane("no-such")
        with pytest.raises(InvalidInput):
            await client.lifts("heron-3", end, start)


async def test_the_client_says_when_it_may_not(api: FastAPI) -> None:
    async with Client(app=api) as client:
        with pytest.raises(NotAllowed, match="sign in"):
            await client.fleet()


async def test_the_client_says_when_nobody_answers() -> None:
    async with Client("http://127.0.0.1:9/api/v1") as client:
        with pytest.raises(Unavailable, match="did not answer"):
            await client.fleet()


async def test_a_lost_database_is_503_and_not_ready(open_api: FastAPI, http: httpx.AsyncClient) -> None:
    await open_api.state.pool.close()
    assert (await http.get("/healthz")).status_code == 200
    assert (await http.get("/readyz")).status_code == 503
    response = await http.get("/cranes")
    assert response.status_code == 503
    assert "database" in response.json()["detail"]
