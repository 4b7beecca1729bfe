"""Fixtures shared by every test: a database server, a fresh migrated database, a broker.

The server is the one that BOOMLEDGER_TEST_DATABASE_URL names (an account that may create databases), else a
TimescaleDB container when a container engine answers, else the embedded PostgreSQL. With BOOMLEDGER_TEST_CITUS_WORKERS
(host:port,host:port) it is the coordinator of a Citus cluster, and every database is spread over the workers.
"""

import contextlib
import os
import secrets
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import structlog
from psycopg import sql
from psycopg.conninfo import make_conninfo

from boomledger.broker import Broker, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from store.migrate import migrate
from tests.support import citus

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
            server = EmbeddedPostgres(folder / "postgres", {"fsync": "off", "max_connections": "200"})
            closing.callback(server.stop)
            yield server.start()


@pytest.fixture(scope="session")
def database_url(database_server: str) -> Iterator[str]:
    """URL of a migrated database that serves as template: do not write to it, take `database`."""
    with _new_database(database_server, "template0") as url:
        migrate(url)
        yield url


@pytest.fixture
def database(database_server: str, database_url: str) -> Iterator[str]:
    """URL of a fresh migrated database for one test."""
    template = psycopg.conninfo.conninfo_to_dict(database_url)["dbname"]
    with _new_database(database_server, str(template)) as url:
        yield url


@pytest.fixture
def empty_database(database_server: str) -> Iterator[str]:
    """URL of a fresh database without any of our tables."""
    with _new_database(database_server, "template0") as url:
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


@contextlib.contextmanager
def _new_database(server: str, template: str) -> Iterator[str]:
    if citus.workers():
        # A template would bring the places of its own shards along, so every database is made anew.
        with citus.new_database(server, empty=template == "template0") as url:
            yield url
        return
    name = f"test_{secrets.token_hex(6)}"
    with psycopg.connect(server, autocommit=True) as conn:
        create = sql.SQL("create database {} template {}").format(
            sql.Identifier(name), sql.Identifier(template)
        )
        give_up = time.monotonic() + 60
        while True:
            try:
                conn.execute(create)
                break
            except psycopg.errors.ObjectInUse:
                # A background worker of the server looks into the template now and then.
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.1)
        try:
            yield make_conninfo(server, dbname=name)
        finally:
            conn.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


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
