"""Databases spread over a Citus cluster, for the same tests as everywhere."""

import contextlib
import os
import secrets
from collections.abc import Iterator

import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from store.migrate import migrate
from store.placement import shard_by_crane


def workers() -> list[str]:
    """host:port of each worker."""
    return [worker for worker in os.environ.get("BOOMLEDGER_TEST_CITUS_WORKERS", "").split(",") if worker]


@contextlib.contextmanager
def new_database(coordinator: str, *, empty: bool) -> Iterator[str]:
    """A database on every node with the extension in it; migrated and spread unless `empty`."""
    name = f"test_{secrets.token_hex(6)}"
    servers = [coordinator]
    for worker in workers():
        host, port = worker.split(":")
        servers.append(make_conninfo(coordinator, host=host, port=port))
    for server in servers:
        _everywhere(server, sql.SQL("create database {}").format(sql.Identifier(name)))
        _everywhere(make_conninfo(server, dbname=name), sql.SQL("create extension citus"))
    url = make_conninfo(coordinator, dbname=name)
    try:
        at = conninfo_to_dict(coordinator)
        with psycopg.connect(url, autocommit=True) as conn:
            conn.execute("select citus_set_coordinator_host(%s, %s)", [at["host"], int(at["port"])])
            for worker in workers():
                host, port = worker.split(":")
                conn.execute("select citus_add_node(%s, %s)", [host, int(port)])
        if not empty:
            migrate(url)
            shard_by_crane(url)
        yield url
    finally:
        for server in servers:
            _everywhere(server, sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


def _everywhere(server: str, statement: sql.Composable) -> None:
    with psycopg.connect(server, autocommit=True) as conn:
        conn.execute(statement)
