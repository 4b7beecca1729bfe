"""Databases for tests, made anew or as copies of a template; on every node where the server is a cluster's coordinator."""

import contextlib
import os
import secrets
import time
from collections.abc import Callable, Iterator

import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from store.migrate import migrate

GIVE_UP_AFTER_S = 60
SHARDS = 4


def citus_workers() -> list[str]:
    """host:port of each worker of a Citus cluster, none where the server stands alone."""
    return [worker for worker in os.environ.get("BOOMLEDGER_TEST_CITUS_WORKERS", "").split(",") if worker]


@contextlib.contextmanager
def new_database(server: str, template: str | None = None) -> Iterator[str]:
    """URL of a database that goes at the end: a copy of a `template`, or one without any table. `server` is a URL."""
    name = f"test_{secrets.token_hex(6)}"
    origin = "template0" if template is None else str(conninfo_to_dict(template)["dbname"])
    on_nodes = [(node, sql.Identifier(name)) for node in nodes(server)]
    for node, database in on_nodes:
        _run(node, "create database {} template {}", database, sql.Identifier(origin))
    try:
        url = make_conninfo(server, dbname=name)
        if template is None and citus_workers():
            _join(url)
        yield url
    finally:
        for node, database in on_nodes:
            _run(node, "drop database if exists {} with (force)", database)


@contextlib.contextmanager
def new_template(server: str, fill: Callable[[str], None], template: str | None = None) -> Iterator[str]:
    """URL of a new database that is filled once, then closed: no background worker enters it, so it can be copied any time."""
    with new_database(server, template) as url:
        fill(url)
        name = str(conninfo_to_dict(url)["dbname"])
        for node in nodes(server):
            _run(node, "alter database {} allow_connections false", sql.Identifier(name))
            _run(node, "select pg_terminate_backend(pid) from pg_stat_activity where datname = {}", name)
        yield url


def migrate_and_spread(url: str) -> None:
    """Make the tables, on a cluster on its nodes."""
    migrate(url)
    if citus_workers():
        from store.cluster import shard_by_crane  # the folder may be deleted

        shard_by_crane(url)


def nodes(server: str) -> list[str]:
    """The URL of the server, and of each worker."""
    workers = [worker.split(":") for worker in citus_workers()]
    return [server, *(make_conninfo(server, host=host, port=port) for host, port in workers)]


def _join(url: str) -> None:
    """Make a cluster of the databases of one name."""
    for node in nodes(url):
        _run(node, "create extension citus")
    coordinator = conninfo_to_dict(url)
    # A session opens a connection for each shard that it asks at once: as many as show that there are several.
    _run(
        url,
        "alter database {} set citus.shard_count = {}",
        sql.Identifier(str(coordinator["dbname"])),
        SHARDS,
    )
    _run(url, "select citus_set_coordinator_host({}, {})", coordinator["host"], int(coordinator["port"] or 0))
    for worker in citus_workers():
        host, port = worker.split(":")
        _run(url, "select citus_add_node({}, {})", host, int(port))


def _run(server: str, statement: str, *values: sql.Composable | str | int) -> None:
    """One statement; where a background worker of the server looks into the template for a moment, again."""
    ends = time.monotonic() + GIVE_UP_AFTER_S
    while True:
        with psycopg.connect(server, autocommit=True) as conn:
            try:
                conn.execute(sql.SQL(statement).format(*values))
                return
            except psycopg.errors.ObjectInUse:
                if time.monotonic() > ends:
                    raise
        time.sleep(0.1)
