"""Accounts, sessions, api tokens and failed log-ins.

Secrets are 256 random bits; the database holds only their SHA-256. Passwords are argon2id hashes, made by the
caller: `hash_password` and `hash_like` take some 0.1 s of CPU and belong in a thread. The api's role can neither read a digest
nor change an account, a session or a token by itself: functions of the database do (store/schema/replaced/7_access.sql), and they
demand what the web process signed.
"""

import contextlib
import hashlib
import secrets
from base64 import b64decode
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cache
from typing import Any, Final, Literal, LiteralString

import argon2
import psycopg
from psycopg import AsyncConnection
from psycopg.rows import dict_row
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from domain.accounts import TokenRow
from domain.errors import Conflict, InvalidInput, NotFound
from store.audit import Via, audit_row, note_command
from store.site_scope import Who, look
from store.sql import query
from store.statement import Rows, Statement, dicts_async

PASSWORD_MIN: Final = 12
PASSWORD_MAX: Final = 256
SEEN_EVERY: Final = timedelta(minutes=1)
TOKEN_SEEN_EVERY: Final = timedelta(hours=1)
"""The use of a token is written down so often at most: what reads stays cheap."""
LOG_IN: Final = "log-in"
SIGNED_IN: Final = "signed-in"
"""Stages that the web process signs for: it looks at a log-in of the account; its password, or its provider's word, was right."""
_HASHER = PasswordHash((Argon2Hasher(),))


class Role(StrEnum):
    """What a person or program may do; each role may do all that the ones before it may."""

    VIEWER = "viewer"
    DISPATCHER = "dispatcher"
    ENGINEER = "engineer"
    ADMIN = "admin"

    @property
    def rank(self) -> int:
        """0 for the least."""
        return list(Role).index(self)

    def covers(self, other: "Role") -> bool:
        """Whether this role may do what `other` may."""
        return self.rank >= other.rank


@dataclass(frozen=True, kw_only=True, slots=True)
class Principal:
    """Who is asking: the account, its role, and the sites in scope (None for every site)."""

    account: str
    role: Role
    sites: tuple[str, ...] | None
    via: Via
    session_id: int | None = None
    token_id: int | None = None

    @property
    def who(self) -> Who:
        """Whom a site scope is signed for."""
        return Who(account=self.account, role=str(self.role), via=self.via)

    @property
    def governs(self) -> bool:
        """Whether accounts are this one's to govern: an administrator of every site."""
        return self.role is Role.ADMIN and self.sites is None

    @property
    def site_list(self) -> list[str] | None:
        """Sites as a database parameter."""
        return None if self.sites is None else list(self.sites)


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """Who signed on at a provider, and what its claims give them here; sites None for every site."""

    issuer: str
    subject: str
    account: str
    role: Role
    sites: list[str] | None


def hash_password(password: str) -> str:
    """Argon2id hash of a password; refuses one that is too short or too long."""
    if not PASSWORD_MIN <= len(password) <= PASSWORD_MAX:
        raise InvalidInput(
            f"a password has {PASSWORD_MIN} to {PASSWORD_MAX} characters; a few unrelated words will do",
            field="password",
        )
    return _HASHER.hash(password)


def hash_like(password: str, hashed_as: str | None) -> str | None:
    """The hash of a password by the parameters and the salt of another hash; None where that is not argon2id.

    hashed_as: in PHC form, whatever its digest. None (no such account) takes as long.
    """
    try:
        how = argon2.extract_parameters(hashed_as or _no_account_hash())
    except argon2.exceptions.InvalidHashError:
        return None
    salt = (hashed_as or _no_account_hash()).split("$")[-2]
    return argon2.low_level.hash_secret(
        password.encode(),
        b64decode(salt + "=" * (-len(salt) % 4)),
        how.time_cost,
        how.memory_cost,
        how.parallelism,
        how.hash_len,
        how.type,
        how.version,
    ).decode()


@cache
def _no_account_hash() -> str:
    return _HASHER.hash(secrets.token_hex(16))


def new_secret(kind: Literal["session", "token", "reset"]) -> str:
    """A new opaque secret; its first letters say what it is, so that a scanner can find a leaked one."""
    return f"bl_{kind[0]}_{secrets.token_urlsafe(32)}"


def secret_sha256(secret: str) -> bytes:
    """What the database holds of a secret."""
    return hashlib.sha256(secret.encode()).digest()


def create_user(
    conn: psycopg.Connection[Any],
    name: str,
    password: str,
    role: Role | str = Role.VIEWER,
    sites: list[str] | None = None,
) -> None:
    """Add an account from the command line (the first administrator) and write it down in the audit."""
    row = {"name": name, "password_hash": hash_password(password), "role": str(Role(role)), "sites": sites}
    try:
        with conn.transaction(), conn.cursor() as cursor:
            cursor.execute(query("add_account"), row)
            if cursor.fetchone() is None:
                raise Conflict(f"there is an account {name!r} already")
            noted = audit_row("command line", "command", "create account", name, {"role": row["role"]})
            cursor.execute(query("add_audit"), noted)
    except psycopg.errors.CheckViolation as problem:
        raise InvalidInput(_NAME_RULE, field="name") from problem


_NAME_RULE: Final = "a name has 1 to 63 lower-case letters, digits, dots, dashes, underscores or @, and starts with a letter or digit"


async def add_account(
    conn: AsyncConnection[Any], name: str, password_hash: str, role: Role, sites: list[str] | None
) -> dict[str, Any]:
    """Add an account, for who governs them; Conflict when the name is taken."""
    values = {"name": name, "password_hash": password_hash, "role": str(role), "sites": sites}
    row = await _one(conn, query("account_added"), values)
    if row is None:
        raise Conflict(f"there is an account {name!r} already")
    return row


async def change_account(
    conn: AsyncConnection[Any],
    name: str,
    *,
    role: Role | None = None,
    set_sites: bool = False,
    sites: list[str] | None = None,
    password_hash: str | None = None,
    disabled: bool | None = None,
) -> dict[str, Any]:
    """Change an account and sign its sessions out, for who governs them; Conflict when that would leave no administrator."""
    values = {
        "name": name,
        "role": role,
        "set_sites": set_sites,
        "sites": sites,
        "password_hash": password_hash,
        "disabled": disabled,
    }
    try:
        row = await _one(conn, query("change_account"), values)
    except psycopg.errors.RestrictViolation as problem:
        raise Conflict(
            "this would leave no administrator of every site: make another account one first"
        ) from problem
    if row is None:
        raise NotFound(f"there is no account {name!r}")
    return row


async def sign_on(conn: AsyncConnection[Any], person: Person) -> dict[str, Any] | None:
    """The account of who signed on, added at the first time, with role and sites as the claims say now.

    Its sessions end where these have changed. None where it is disabled here, or another account has its name.
    """
    async with conn.transaction():
        await look(conn, (), account=person.account, role=SIGNED_IN, via="login")
        values = {**asdict(person), "role": str(person.role)}
        # Once more where two browsers sign somebody on for the first time at once.
        row = await _one(conn, query("sign_on"), values) or await _one(conn, query("sign_on"), values)
    return None if row is None or row["disabled_at"] is not None else row


async def account_named(conn: AsyncConnection[Any], name: str) -> dict[str, Any] | None:
    """One account without its password hash, or None."""
    return await _one(conn, query("account_named"), {"name": name})


async def open_session(
    conn: AsyncConnection[Any], account: str, expires_at: datetime, address: str, agent: str
) -> str:
    """Open a session of who has signed in just now, and sign for it until the transaction ends, in which this is.

    The secret is returned once and only its digest kept.
    """
    secret = new_secret("session")
    await look(conn, (), account=account, role=SIGNED_IN, via="login")
    values = {"expires_at": expires_at, "address": address[:100], "agent": agent[:200]}
    await conn.execute(query("open_session"), {"secret_sha256": secret_sha256(secret), **values})
    return secret


async def session_principal(conn: AsyncConnection[Any], secret: str, idle: timedelta) -> Principal | None:
    """Who a session secret belongs to, or None when it is unknown, expired, idle for too long or disabled."""
    row = await _one(conn, query("session_principal"), {"secret_sha256": secret_sha256(secret), "idle": idle})
    if row is None:
        return None
    if _stale(row["last_seen_at"], SEEN_EVERY):
        await _note_use(conn, secret)
    return Principal(
        account=row["name"],
        role=Role(row["role"]),
        sites=_sites(row["sites"]),
        via="session",
        session_id=row["session_id"],
    )


async def token_principal(
    conn: AsyncConnection[Any], secret: str, signed_on_within: timedelta
) -> Principal | None:
    """Who an api token speaks for: the lower role and the common sites of the token and its account.

    None too where the account signs on at a provider and has not done so for longer than `signed_on_within`.
    """
    row = await _one(
        conn,
        query("token_principal"),
        {"secret_sha256": secret_sha256(secret), "signed_on_within": signed_on_within},
    )
    if row is None:
        return None
    if _stale(row["last_used_at"], TOKEN_SEEN_EVERY):
        await _note_use(conn, secret)
    return Principal(
        account=row["name"],
        role=min(Role(row["role"]), Role(row["account_role"]), key=lambda role: role.rank),
        sites=common_sites(_sites(row["sites"]), _sites(row["account_sites"])),
        via="token",
        token_id=row["token_id"],
    )


def common_sites(one: tuple[str, ...] | None, other: tuple[str, ...] | None) -> tuple[str, ...] | None:
    """Sites in both; None stands for every site."""
    if one is None or other is None:
        return other if one is None else one
    return tuple(site for site in one if site in other)


async def add_token(
    conn: AsyncConnection[Any],
    account: str,
    title: str,
    role: Role,
    sites: list[str] | None,
    expires_at: datetime,
) -> tuple[str, dict[str, Any]]:
    """Make a token of the account that asks; the secret is returned once and only its digest kept."""
    secret = new_secret("token")
    values = {
        "secret_sha256": secret_sha256(secret),
        "title": title,
        "role": str(role),
        "sites": sites,
        "expires_at": expires_at,
    }
    row = await _one(conn, query("add_token"), values)
    if row is None:
        raise NotFound(f"there is no account {account!r}: tokens belong to accounts")
    return secret, row


async def make_reset_link(conn: AsyncConnection[Any], name: str, expires_at: datetime) -> str:
    """The secret of a new link to set the password of an account with, the one of before ends; Conflict where it can have none."""
    secret = new_secret("reset")
    values = {"name": name, "secret_sha256": secret_sha256(secret), "expires_at": expires_at}
    if await _one(conn, query("make_reset_link"), values) is None:
        raise Conflict(_NO_LINK.format(name=name))
    return secret


def make_reset_link_by_command(conn: psycopg.Connection[Any], name: str, expires_at: datetime) -> str:
    """The same from the command line, written down in the audit."""
    secret = new_secret("reset")
    values = {"name": name, "secret_sha256": secret_sha256(secret), "expires_at": expires_at}
    with conn.transaction():
        if conn.execute(query("put_reset_link"), values).fetchone() is None:
            raise Conflict(_NO_LINK.format(name=name))
        note_command(conn, "make reset link", name, {})
    return secret


_NO_LINK: Final = "there is no account {name!r} that is not disabled and has a password here"


async def account_of_reset_link(conn: AsyncConnection[Any], secret: str) -> str | None:
    """Whose password a link sets; None where it holds no more, or never did."""
    row = await _one(conn, query("account_of_reset_link"), {"secret_sha256": secret_sha256(secret)})
    return None if row is None else str(row["name"])


async def use_reset_link(
    conn: AsyncConnection[Any], secret: str, password_hash: str, address: str
) -> str | None:
    """Set the password of a link and end it and every session; whose, or None where it holds no more."""
    values = {
        "secret_sha256": secret_sha256(secret),
        "password_hash": password_hash,
        "address": address,
    }
    row = await _one(conn, query("use_reset_link"), values)
    return None if row is None else str(row["name"])


async def list_accounts(conn: AsyncConnection[Any], after: str, limit: int) -> Rows:
    """Accounts by name, after a name."""
    return await dicts_async(conn, "list_accounts", after=after, limit=limit)


async def list_sessions(conn: AsyncConnection[Any], account: str | None, after: int, limit: int) -> Rows:
    """Open sessions of an account, or of everyone."""
    return await dicts_async(conn, "list_sessions", account=account, after=after, limit=limit)


TOKENS: Final = Statement("list_tokens", TokenRow)
"""Tokens of an account, or of everyone (None), after a token_id."""


async def end_session(conn: AsyncConnection[Any], session_id: int, account: str | None) -> None:
    """Sign a session out; NotFound when it is not this account's (None: anyone's)."""
    row = await _one(conn, query("end_session"), {"session_id": session_id, "account": account})
    if row is None:
        raise NotFound("there is no such open session")


async def end_token(conn: AsyncConnection[Any], token_id: int, account: str | None) -> None:
    """Revoke a token; NotFound when it is not this account's (None: anyone's)."""
    if await _one(conn, query("end_token"), {"token_id": token_id, "account": account}) is None:
        raise NotFound("there is no such token")


@dataclass(frozen=True, kw_only=True, slots=True)
class LoginAttempts:
    """Log-ins tried of late without success, and how the password of the account is hashed (PHC form without the digest)."""

    of_both: int  # this account from this address
    of_address: int
    of_account: int
    known: bool  # the account signed in from this address in the last 30 days
    hashed_as: str | None


LOGIN_ATTEMPTS: Final = Statement("begin_log_in", LoginAttempts)


async def begin_log_in(
    conn: AsyncConnection[Any], name: str, address: str, within: timedelta
) -> LoginAttempts:
    """Remember a log-in that is about to be tried; the counts include it, so parallel tries see each other."""
    async with conn.transaction():
        await look(conn, (), account=name, role=LOG_IN, via="login")
        found = await LOGIN_ATTEMPTS.first_async(conn, name=name, address=address, within=within)
    assert found is not None
    return found


async def finish_log_in(
    conn: AsyncConnection[Any], name: str, hashed: str | None, address: str
) -> dict[str, Any] | None:
    """The account where the hash of the password is right. Clears its count from the address, which is known of it from now on."""
    async with conn.transaction():
        await look(conn, (), account=name, role=LOG_IN, via="login")
        return await _one(
            conn, query("finish_log_in"), {"name": name, "hash": hashed or "", "address": address}
        )


def _sites(value: list[str] | None) -> tuple[str, ...] | None:
    return None if value is None else tuple(value)


def _stale(moment: datetime | None, every: timedelta) -> bool:
    return moment is None or datetime.now(moment.tzinfo) - moment > every


async def _note_use(conn: AsyncConnection[Any], secret: str) -> None:
    """Note that a session or token was used; a database that takes no writes still lets its holder read."""
    with contextlib.suppress(psycopg.errors.ReadOnlySqlTransaction, psycopg.errors.DiskFull):
        await conn.execute(query("note_use"), {"secret_sha256": secret_sha256(secret)})


async def _one(
    conn: AsyncConnection[Any], statement: LiteralString, values: dict[str, Any]
) -> dict[str, Any] | None:
    async with conn.cursor(row_factory=dict_row) as cursor:
        await cursor.execute(statement, values)
        return await cursor.fetchone()
