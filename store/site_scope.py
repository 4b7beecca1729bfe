"""Row-level security: a transaction of the api sees the rows of the sites that it names, and no others.

The database enforces it by row-level security (store/schema/replaced/4_row_level_security.sql) under a role that owns nothing. The
queries filter by site themselves; this holds when one forgets to. What is in scope is signed (HMAC-SHA-256, RFC 2104) for one backend
and a short time, with a key that the role cannot read: whoever only runs SQL cannot name more.
"""

import contextlib
import hmac
import json
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypedDict, Unpack
from weakref import WeakKeyDictionary

import psycopg
import structlog
from psycopg import AsyncConnection, Connection
from psycopg.sql import SQL, Composed, Identifier, Literal
from psycopg_pool import AsyncConnectionPool

from domain.errors import Unavailable
from store.connection import connect
from store.sql import query

ROLE: Final = "boomledger_api"
EVERY_SITE: Final = "*"
HOLDS_S: Final = 120.0
"""A transaction may begin so long after its scope was signed [s]; once begun it lasts as long as it likes."""
THREAD_HOLDS_S: Final = 86_400.0
"""The same on a connection of one's own, which ends with its work [s]."""
Sites = Sequence[str] | None
Pool = AsyncConnectionPool[AsyncConnection[Any]]
_LOG = structlog.get_logger("store")
_MAC_CHARS: Final = 64


class Who(TypedDict, total=False):
    """Whom a scope is signed for; nobody for the web process's own work. `role` is one of an account, or a stage of a log-in."""

    account: str
    role: str
    via: str


@dataclass(frozen=True, slots=True)
class _Signer:
    """Signs what is in scope of one connection."""

    key: str | None = field(repr=False)
    pid: int
    ahead_s: float  # the clock of the database before ours
    spread: bool  # a cluster, whose nodes are told with each transaction what is in scope: its policies cannot ask other tables

    def signed(self, sites: Sites, who: Who) -> str:
        return _signed(self.key, self.pid, time.time() + self.ahead_s, sites, HOLDS_S, who)


def _signed(key: str | None, pid: int, clock_s: float, sites: Sites, holds_s: float, who: Who) -> str:
    if key is None:
        raise Unavailable(
            "the site scope cannot be signed: set BOOMLEDGER_SCOPE_KEY as docs/security.md says"
        )
    named = None if sites is None else list(sites)
    claims = json.dumps({"sites": named, "pid": pid, "until": clock_s + holds_s, **who})
    return f"{hmac.digest(bytes.fromhex(key), claims.encode(), 'sha256').hex()}:{claims}"


async def signed_for(pool: Pool, pid: int, clock_s: float, sites: Sites, **who: Unpack[Who]) -> str:
    """The signed scope of a connection that another process opened: of a backend, by its clock [s]."""
    async with pool.connection() as conn:
        return _signed(_SIGNERS[conn].key, pid, clock_s, sites, THREAD_HOLDS_S, who)


_SIGNERS: Final[WeakKeyDictionary[AsyncConnection[Any], _Signer]] = WeakKeyDictionary()


async def work_under_role(conn: AsyncConnection[Any], key: str | None = None) -> None:
    """Give a new connection of the api its role. Where the database has none, the queries' own filter stands alone.

    key: by which scopes are signed, hexadecimal; None: the database's, which the owner's login may read.
    """
    await conn.set_autocommit(True)
    with _telling_without_key():
        key = key or (await _first(conn, "scope_key"))[0].hex()
    pid, clock_s = await _first(conn, "backend_asked")
    spread = await (await conn.execute(query("nodes_followed"))).fetchone() is not None
    _SIGNERS[conn] = _Signer(key, pid, clock_s - time.time(), spread)
    with _telling_without_role():
        await conn.execute(query("role_taken"), {"role": ROLE})


async def _first(conn: AsyncConnection[Any], name: str) -> Any:
    return await (await conn.execute(query(name))).fetchone()


def _first_row(conn: Connection[Any], name: str) -> Any:
    return conn.execute(query(name)).fetchone()


@contextlib.contextmanager
def scope_in_thread(
    url: str,
    sites: Sites,
    *,
    key: str | None = None,
    signed: Callable[[int, float], str] | None = None,
    **who: Unpack[Who],
) -> Iterator[Connection[Any]]:
    """A blocking connection of its own that sees these sites: for long work in a thread of the api. `key` as above.

    signed: who else signs, by the number of the backend and its clock [s].

    It is in autocommit; on a cluster the whole block is one transaction, for that is what its nodes are told by.
    """
    with contextlib.closing(connect(url, autocommit=True)) as conn:
        if signed is None:
            with _telling_without_key():
                key = key or _first_row(conn, "scope_key")[0].hex()
        spread = conn.execute(query("nodes_followed")).fetchone() is not None
        pid, clock_s = _first_row(conn, "backend_asked")
        scope = signed(pid, clock_s) if signed else _signed(key, pid, clock_s, sites, THREAD_HOLDS_S, who)
        with _telling_without_role():
            conn.execute(query("role_taken"), {"role": ROLE})
        conn.execute(query("scope_set_for_session"), {"scope": scope})
        with conn.transaction() if spread else contextlib.nullcontext():
            if spread:
                for told in _to_tell(sites, conn.execute(query("keys_in_scope")).fetchone()):
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


@contextlib.contextmanager
def _telling_without_key() -> Iterator[None]:
    try:
        yield
    except (psycopg.errors.InsufficientPrivilege, psycopg.errors.UndefinedTable) as problem:
        _LOG.error(
            "scope_key_missing",
            problem=str(problem).strip(),
            remedy="run `boomledger db migrate`; where the web process has a login of its own, set BOOMLEDGER_SCOPE_KEY as docs/security.md says",
        )


async def look(conn: AsyncConnection[Any], sites: Sites, **who: Unpack[Who]) -> None:
    """Name the sites in scope for the rest of a transaction (None: every site), and whom they are in scope of."""
    await _name(conn, sites, _SIGNERS[conn].signed(sites, who))


async def _name(conn: AsyncConnection[Any], sites: Sites, scope: str) -> None:
    await conn.execute(query("scope_named"), {"scope": scope})
    await _tell_nodes(conn, sites)


async def _tell_nodes(conn: AsyncConnection[Any], sites: Sites) -> None:
    if _SIGNERS[conn].spread:
        for told in _to_tell(sites, await _first(conn, "keys_in_scope")):
            await conn.execute(told, prepare=False)


def _to_tell(sites: Sites, keys: tuple[Any, ...] | None) -> Iterator[Composed]:
    named = EVERY_SITE if sites is None else ",".join(sites)
    for name, value in zip(("sites", "site_ids", "crane_ids"), (named, *(keys or ("", ""))), strict=True):
        yield SQL(query("node_told")).format(setting=Identifier("boomledger", name), value=Literal(value))


@contextlib.asynccontextmanager
async def site_scope(
    pool: Pool, sites: Sites, *, steady: bool = False, **who: Unpack[Who]
) -> AsyncIterator[AsyncConnection[Any]]:
    """A connection in a transaction that sees these sites; committed at the end, undone by an error.

    steady: everything is read as it stood at one moment, whatever is written meanwhile.
    """
    async with pool.connection() as conn:
        # Both in one round trip, which every request waits for; so not by `conn.transaction()`. What goes wrong with a
        # connection here, the pool puts right or throws away.
        begun = SQL(query("steady_site_scope_begun" if steady else "site_scope_begun"))
        scope = _SIGNERS[conn].signed(sites, who)
        await conn.execute(begun.format(scope=Literal(scope)), prepare=False)
        await _tell_nodes(conn, sites)
        try:
            yield conn
        except BaseException:
            await conn.rollback()
            raise
        await conn.commit()


@contextlib.asynccontextmanager
async def whole_fleet(conn: AsyncConnection[Any]) -> AsyncIterator[None]:
    """Every site inside the block, and then again what was in scope before: for what is kept for everyone's requests."""
    before = (await _first(conn, "scope_asked"))[0] or ""
    await look(conn, None)
    yield
    await _name(conn, json.loads(before[_MAC_CHARS + 1 :])["sites"] if before else (), before)
