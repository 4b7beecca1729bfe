"""Row-level security: a transaction of the api sees the rows of the sites that it names, and no others.

The database enforces it by row-level security (store/schema/replaced/4_row_level_security.sql) under a role that owns nothing. The
queries filter by site themselves; this holds when one forgets to.
"""

import contextlib
from collections.abc import AsyncIterator, Iterator, Sequence
from typing import Any, Final
from weakref import WeakSet

import psycopg
import structlog
from psycopg import AsyncConnection, Connection
from psycopg.sql import SQL, Composed, Identifier, Literal
from psycopg_pool import AsyncConnectionPool

from store.connection import connect
from store.sql import query

ROLE: Final = "boomledger_api"
EVERY_SITE: Final = "*"
Sites = Sequence[str] | None
Pool = AsyncConnectionPool[AsyncConnection[Any]]
_LOG = structlog.get_logger("store")
# Connections to a cluster, whose nodes are told with each transaction what is in scope: its policies cannot ask other tables.
_SPREAD: Final[WeakSet[AsyncConnection[Any]]] = WeakSet()


async def work_under_role(conn: AsyncConnection[Any]) -> None:
    """Give a new connection of the api its role. Where the database has none, the queries' own filter stands alone."""
    await conn.set_autocommit(True)
    if await (await conn.execute(query("nodes_followed"))).fetchone():
        _SPREAD.add(conn)
    with _telling_without_role():
        await conn.execute(query("role_taken"), {"role": ROLE})


@contextlib.contextmanager
def scope_in_thread(url: str, sites: Sites) -> Iterator[Connection[Any]]:
    """A blocking connection of its own that sees these sites: for long work in a thread of the api.

    It is in autocommit; on a cluster the whole block is one transaction, for that is what its nodes are told by.
    """
    with contextlib.closing(connect(url, autocommit=True)) as conn:
        spread = conn.execute(query("nodes_followed")).fetchone() is not None
        with _telling_without_role():
            conn.execute(query("role_taken"), {"role": ROLE})
        conn.execute(query("sites_set_for_session"), {"sites": _named(sites)})
        with conn.transaction() if spread else contextlib.nullcontext():
            if spread:
                for told in _to_tell(_named(sites), conn.execute(query("keys_in_scope")).fetchone()):
                    conn.execute(told)
            yield conn


@contextlib.contextmanager
def _telling_without_role() -> Iterator[None]:
    try:
        yield
    except (psycopg.errors.InsufficientPrivilege, psycopg.errors.InvalidParameterValue) as problem:
        _LOG.warning(
            "row_level_security_missing",
            problem=str(problem).strip(),
            remedy=f"let an administrator create the role {ROLE} and grant it to the owner of the tables, then run `boomledger db migrate`",
        )


async def look(conn: AsyncConnection[Any], sites: Sites) -> None:
    """Name the sites in scope for the rest of a transaction; None: every site."""
    await _look(conn, _named(sites))


async def _look(conn: AsyncConnection[Any], named: str) -> None:
    await conn.execute(query("sites_named"), {"sites": named})
    await _tell_nodes(conn, named)


async def _tell_nodes(conn: AsyncConnection[Any], named: str) -> None:
    if conn in _SPREAD:
        for told in _to_tell(named, await (await conn.execute(query("keys_in_scope"))).fetchone()):
            await conn.execute(told, prepare=False)


def _to_tell(named: str, keys: tuple[Any, ...] | None) -> Iterator[Composed]:
    for name, value in zip(("sites", "site_ids", "crane_ids"), (named, *(keys or ("", ""))), strict=True):
        yield SQL(query("node_told")).format(setting=Identifier("boomledger", name), value=Literal(value))


def _named(sites: Sites) -> str:
    return EVERY_SITE if sites is None else ",".join(sites)


@contextlib.asynccontextmanager
async def site_scope(
    pool: Pool, sites: Sites, *, steady: bool = False
) -> AsyncIterator[AsyncConnection[Any]]:
    """A connection in a transaction that sees these sites; committed at the end, undone by an error.

    steady: everything is read as it stood at one moment, whatever is written meanwhile.
    """
    async with pool.connection() as conn:
        # Both in one round trip, which every request waits for; so not by `conn.transaction()`. What goes wrong with a
        # connection here, the pool puts right or throws away.
        begun = SQL(query("steady_site_scope_begun" if steady else "site_scope_begun"))
        await conn.execute(begun.format(sites=Literal(_named(sites))), prepare=False)
        await _tell_nodes(conn, _named(sites))
        try:
            yield conn
        except BaseException:
            await conn.rollback()
            raise
        await conn.commit()


@contextlib.asynccontextmanager
async def whole_fleet(conn: AsyncConnection[Any]) -> AsyncIterator[None]:
    """Every site inside the block, and then again what was in scope before: for what is kept for everyone's requests."""
    row = await (await conn.execute(query("sites_asked"))).fetchone()
    await look(conn, None)
    yield
    await _look(conn, (row[0] if row else None) or "")
