"""The api with open access over the invented yard, in a database of the test's own."""

from collections.abc import AsyncIterator

import httpx
import psycopg
import pytest

from api.app import create_api, running
from api.settings import ApiSettings
from simulator.yard import load_yard
from store import cranes


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def yard_database(database: str) -> str:
    """URL of a database that holds the yard's cranes, and no telemetry."""
    yard = load_yard()
    with psycopg.connect(database) as conn:
        cranes.save_site(conn, yard.site)
        for one in yard.cranes:
            cranes.save_crane(conn, one.crane)
    return database


@pytest.fixture
async def client(yard_database: str) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the api, with every right."""
    api = create_api(yard_database, ApiSettings(open_access=True))
    async with (
        running(api),
        httpx.AsyncClient(transport=httpx.ASGITransport(api), base_url="http://127.0.0.1") as asking,
    ):
        yield asking
