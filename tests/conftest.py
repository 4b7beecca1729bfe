"""Fixtures shared by every test: a database server, a fresh migrated database, a broker.

The server is the one that BOOMLEDGER_TEST_DATABASE_URL names (an account that may create databases), else a
TimescaleDB container when a container engine answers, else the embedded PostgreSQL. With BOOMLEDGER_TEST_CITUS_WORKERS
(host:port,host:port) it is the coordinator of a Citus cluster, and every database is spread over the workers.
"""

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import structlog

from boomledger.broker import Broker, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from tests.support.databases import migrate_and_spread, new_database, new_template

# A server that is thrown away need not survive; without these a copy of a database costs twice the processor time.
SERVER_SETTINGS = {
    "fsync": "off",
    "full_page_writes": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "autovacuum": "off",
    "max_connections": "200",
}
CONTAINER_IMAGE = "timescale/timescaledb:2.29.2-pg18"
BROWSER = "browser"
# The traceback that structlog draws by itself shows all local values: with a day's samples among them that takes minutes.
structlog.configure(
    processors=[
        *structlog.get_config()["processors"][:-1],
        structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),
    ]
)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Whole files go to a process, all browser tests to the same one: they share a yard, a server and a browser."""
    from xdist.scheduler import LoadFileScheduling

    class ByFile(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = super()._split_scope(nodeid)
            return BROWSER if Path(file).parent.name == BROWSER else file

    config.option.loadscopereorder = False
    return ByFile(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The long forms run only when asked for: -m full. Browser tests come last; of several processes one begins with them."""
    shared = "PYTEST_XDIST_WORKER" in os.environ
    items.sort(key=lambda item: (item.path.parent.name == BROWSER) is not shared)
    if "full" in config.option.markexpr:
        return
    long = [item for item in items if item.get_closest_marker("full")]
    if long:
        config.hook.pytest_deselected(items=long)
        items[:] = [item for item in items if not item.get_closest_marker("full")]


@pytest.fixture(scope="session")
def database_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """URL of a server where the tests may create databases."""
    with contextlib.ExitStack() as closing:
        if (url := os.environ.get("BOOMLEDGER_TEST_DATABASE_URL")) or (
            url := _container(closing)
        ) is not None:
            yield url
        else:
            # Not below pytest's folder: that is closed to the account which the server runs as under root.
            folder = Path(closing.enter_context(tempfile.TemporaryDirectory(prefix="boomledger-test-")))
            folder.chmod(0o755)
            server = EmbeddedPostgres(folder / "postgres", SERVER_SETTINGS)
            closing.callback(server.stop)
            yield server.start()


@pytest.fixture(scope="session")
def database_template(database_server: str) -> Iterator[str]:
    """URL of a migrated database to copy by `new_database`; nobody can enter it."""
    with new_template(database_server, migrate_and_spread) as url:
        yield url


@pytest.fixture
def database(database_server: str, database_template: str) -> Iterator[str]:
    """URL of a fresh migrated database for one test."""
    with new_database(database_server, database_template) as url:
        yield url


@pytest.fixture
def empty_database(database_server: str) -> Iterator[str]:
    """URL of a fresh database without any of our tables."""
    with new_database(database_server) as url:
        yield url


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    """A connection in autocommit mode to `database`."""
    with psycopg.connect(database, autocommit=True, options="-c timezone=UTC") as conn:
        yield conn


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[tuple[str, int]]:
    """(host, port) of a mosquitto of this test's own."""
    program = find_mosquitto()
    if program is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    broker = Broker(tmp_path / "broker", program=program)
    host, port = broker.start()
    yield host, port
    broker.stop()


def _container(closing: contextlib.ExitStack) -> str | None:
    """URL of a TimescaleDB in a container, None where no container engine answers."""
    try:
        import docker
        from testcontainers.postgres import PostgresContainer

        engine = docker.from_env(timeout=3)
        closing.callback(engine.close)
        engine.ping()
    except Exception:
        return None
    container = PostgresContainer(CONTAINER_IMAGE, driver=None)
    return str(closing.enter_context(container).get_connection_url())
