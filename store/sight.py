"""The second wall: a transaction of the api sees the rows of the sites that it names, and no others.

The database enforces it by row-level security (store/migrations/0013_sight.sql) under a role that owns nothing. The
queries filter by site themselves; this holds when one forgets to.
"""

import contextlib
from collections.abc import AsyncIterator, Iterator, Sequence
from typing import Any, Final

import psycopg
import structlog
from psycopg import AsyncConnection, Connection
from psycopg.sql import SQL, Literal
from psycopg_pool import AsyncConnectionPool

from store.connection import connect
from store.sql import query

ROLE: Final = "boomledger_api"
EVERY_SITE: Final = "*"
Sites = Sequence[str] | None
Pool = AsyncConnectionPool[AsyncConnection[Any]]
_LOG = structlog.get_logger("store")


async def work_under_role(conn: AsyncConnection[Any]) -> None:
    """Give a new connection of the api its role. Where the database has none, the queries' own filter stands alone."""
    await conn.set_autocommit(True)
    with _telling_without_role():
        await conn.execute(query("role_taken"), {"role": ROLE})


@contextlib.contextmanager
def sight_in_thread(url: str, sites: Sites) -> Iterator[Connection[Any]]:
    """A blocking connection of its own, in autocommit, that sees these sites: for long work in a thread of the api."""
    with contextlib.closing(connect(url, autocommit=True)) as conn:
        with _telling_without_role():
            conn.execute(query("role_taken"), {"role": ROLE})
        conn.execute(query("sites_kept"), {"sites": _named(sites)})
        yield conn


@contextlib.contextmanager
def _telling_without_role() -> Iterator[None]:
    try:
        yield
    except (psycopg.errors.InsufficientPrivilege, psycopg.errors.InvalidParameterValue) as problem:
        _LOG.warning(
            "second_wall_missing",
            problem=str(problem).strip(),
            remedy=f"let an administrator create the role {ROLE}, then run `boomledger db migrate`",
        )


async def look(conn: AsyncConnection[Any], sites: Sites) -> None:
    """Name the sites in sight for the rest of a transaction; None: every site."""
    await conn.execute(query("sites_named"), {"sites": _named(sites)})


def _named(sites: Sites) -> str:
    return EVERY_SITE if sites is None else ",".join(sites)


@contextlib.asynccontextmanager
async def sight(pool: Pool, sites: Sites, *, steady: bool = False) -> AsyncIterator[AsyncConnection[Any]]:
    """A connection in a transaction that sees these sites; committed at the end, undone by an error.

    steady: everything is read as it stood at one moment, whatever is written meanwhile.
    """
    async with pool.connection() as conn:
        # Both in one round trip, which every request waits for; so not by `conn.transaction()`. What goes wrong with a
        # connection here, the pool puts right or throws away.
        begun = SQL(query("steady_sight_begun" if steady else "sight_begun"))
        await conn.execute(begun.format(sites=Literal(_named(sites))), prepare=False)
        try:
            yield conn
        except BaseException:
            await conn.rollback()
            raise
        await conn.commit()


@contextlib.asynccontextmanager
async def whole_fleet(conn: AsyncConnection[Any]) -> AsyncIterator[None]:
    """Every site inside the block, and then again what was in sight before: for what is kept for everyone's requests."""
    row = await (await conn.execute(query("sites_asked"))).fetchone()
    await look(conn, None)
    yield
    await conn.execute(query("sites_named"), {"sites": (row[0] if row else None) or ""})
