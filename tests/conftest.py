"""Fixtures shared by every test: a database server, a fresh migrated database, a broker.

The server is the one that BOOMLEDGER_TEST_DATABASE_URL names (an account that may create databases), else a
TimescaleDB container when a container engine answers, else the embedded PostgreSQL. With BOOMLEDGER_TEST_CITUS_WORKERS
(host:port,host:port) it is the coordinator of a Citus cluster, and every database is spread over the workers.
"""

import contextlib
import os
import shutil
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
    "max_wal_size": "256MB",
    "max_connections": "200",
}
# A copy is hundreds of small files: in memory it costs a tenth of what it costs on a disk. A container may have little of it.
MEMORY = Path("/dev/shm")
MEMORY_BYTES = 4 << 30
CONTAINER_IMAGE = "timescale/timescaledb:2.29.2-pg18"
BROWSER = "browser"
# About half of what the browser tests take: every page, and every state of one.
PAGE_BY_PAGE = ("test_every_page.py", "test_pictures.py")
# So the last files are short, and no process waits long for another.
LONGEST_FIRST = (BROWSER, "faults", "acceptance", "api", "security", "integration", "external")
# The traceback that structlog draws by itself shows all local values: with a day's samples among them that takes minutes.
structlog.configure(
    processors=[
        *structlog.get_config()["processors"][:-1],
        structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),
    ]
)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Whole files go to a process, the browser tests in two lots: those of a lot share a yard, a server and a browser."""
    from xdist.scheduler import LoadFileScheduling

    class ByFile(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = super()._split_scope(nodeid)
            if Path(file).parent.name != BROWSER:
                return file
            return f"{BROWSER} {Path(file).name in PAGE_BY_PAGE}"

    config.option.loadscopereorder = False
    return ByFile(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The long forms run only when asked for: -m full. Several processes begin with the longest, one ends with the browser."""
    shared = "PYTEST_XDIST_WORKER" in os.environ
    items.sort(key=lambda item: _place(item.path) if shared else item.path.parent.name == BROWSER)
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
            folder = Path(
                closing.enter_context(tempfile.TemporaryDirectory(prefix="boomledger-test-", dir=_memory()))
            )
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


def _place(file: Path) -> int:
    """Where a test's folder stands among those that begin."""
    folder = file.relative_to(Path(__file__).parent).parts[0]
    return LONGEST_FIRST.index(folder) if folder in LONGEST_FIRST else len(LONGEST_FIRST)


def _memory() -> Path | None:
    """Where files live in memory and there is room for a server's, None where there is no such place."""
    usable = MEMORY.is_dir() and os.access(MEMORY, os.W_OK)
    return MEMORY if usable and shutil.disk_usage(MEMORY).free >= MEMORY_BYTES else None


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
