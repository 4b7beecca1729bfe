"""Log-in and log-out, sessions, api tokens, accounts, and the audit."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final

from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter, Path, Query, Request, Response
from psycopg import AsyncConnection
from pydantic import SecretStr

from answers.passwords import strong_hash
from api.deps import Caller, Conn, PlainConn, Settings, written
from api.gate import cookie_name
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ADMIN_OF_ALL_SITES, OPEN, PERSONAL, VIEWER
from api.problems import Refused
from api.sessions import address_of, opened, set_cookie, set_session_cookie
from api.settings import ApiSettings
from api.sign_on import SignOn
from api.stages import AUDIT_DETAIL
from domain.accounts import (
    ACCOUNT_NAME_PATTERN,
    Account,
    AccountChange,
    AuditRow,
    Credentials,
    KeptAnswer,
    KeptPlace,
    NewAccount,
    NewToken,
    PasswordSet,
    ResetLink,
    SessionRow,
    SignedOut,
    TokenMade,
    TokenRow,
    WhoAmI,
    reset_address,
)
from domain.answers import Page, of_row, of_rows
from domain.errors import InvalidInput, NotFound
from domain.moments import now_utc
from store import access, audit, privacy
from store.access import Role
from store.site_scope import look

router = APIRouter(tags=["access"])

LOGIN_WINDOW: Final = timedelta(minutes=15)
KEPT_ROWS: Final = 200
"""Most rows of a place; `boomledger person give` writes all of them."""
HASHING: Final = CapacityLimiter(2)
"""Each hash takes 64 MiB and a core for 0.1 s: a flood of log-ins waits here and not everywhere."""

AccountName = Annotated[
    str, Path(pattern=ACCOUNT_NAME_PATTERN, openapi_examples={"example": {"value": "ida"}})
]
RowId = Annotated[int, Path(ge=1, le=2**53)]
Everyone = Annotated[bool, Query(description="of every account; administrators only")]


@router.post("/login", dependencies=[OPEN])
async def log_in(
    credentials: Credentials, request: Request, response: Response, conn: PlainConn, settings: Settings
) -> WhoAmI:
    """Open a session; its secret comes as a cookie that scripts on a page cannot read."""
    secret, who = await open_session(
        conn, settings, credentials, address_of(request), request.headers.get("user-agent", "")
    )
    set_session_cookie(response, settings, secret)
    return who


async def open_session(
    conn: AsyncConnection[Any], settings: ApiSettings, credentials: Credentials, address: str, agent: str
) -> tuple[str, WhoAmI]:
    """The session secret of a good log-in. Refused (401, 429) says nothing about which half was wrong."""
    demand_password(settings, credentials.account)
    tries = await access.begin_log_in(conn, credentials.account, address, LOGIN_WINDOW)
    # What others got wrong locks nobody out who signs in from where the account is known: at an address that a yard shares,
    # or under a name that somebody guesses at from elsewhere.
    by_others = (
        tries.of_address > settings.login_tries_address or tries.of_account > settings.login_tries_account
    )
    if tries.of_both > settings.login_tries or (by_others and not tries.known):
        raise too_many()
    password = credentials.password.get_secret_value()
    tried = await to_thread.run_sync(access.hash_like, password, tries.hashed_as, limiter=HASHING)
    # One transaction: no session is opened by a password that was changed since it was looked at.
    async with conn.transaction():
        row = await access.finish_log_in(conn, credentials.account, tried, address)
        if row is not None:
            return await opened(conn, settings, row, "log-in", address, agent)
    # A name that no account has may be a password in the wrong field.
    name = credentials.account if tries.hashed_as is not None else "unknown account"
    await noted(conn, name, "refused log-in", address)
    raise Refused(401, "no account with this name and password")


@router.post("/reset", dependencies=[OPEN], status_code=204)
async def set_password(asked: PasswordSet, request: Request, conn: PlainConn, settings: Settings) -> None:
    """Set a password by a link that an administrator made. The link and every session of the account end."""
    address, secret = address_of(request), asked.secret.get_secret_value()
    tries = await access.begin_log_in(conn, "", address, LOGIN_WINDOW)
    if tries.of_address > settings.login_tries_address:
        raise too_many()
    account = await access.account_of_reset_link(conn, secret)
    if account is not None:
        demand_password(settings, account)
        password_hash = await hashed(asked.password, account, settings)
        account = await access.use_reset_link(conn, secret, password_hash, address)
    if account is None:
        await noted(conn, "", "refused reset link", address)
        raise Refused(403, "this link does not hold, or not any more: ask an administrator for a new one")
    await noted(conn, account, "set password by link", address)


@router.post("/logout", dependencies=[VIEWER])
async def log_out(
    request: Request, caller: Caller, conn: Conn, settings: Settings, response: Response
) -> SignedOut:
    """End the session that asks; `next` is where its browser goes then, to sign out at the provider too."""
    set_cookie(response, settings, cookie_name(settings), "", 0)
    if caller.session_id is not None:
        await access.end_session(conn, caller.session_id, caller.account)
    provider: SignOn | None = request.app.state.sign_on
    if provider is None or caller.session_id is None:
        return SignedOut(next="/login")
    row = await access.account_named(conn, caller.account)
    away = await provider.end_url() if row is not None and row["issuer"] else None
    return SignedOut(next=away or "/login")


@router.get("/me", dependencies=[VIEWER])
async def who_am_i(caller: Caller) -> WhoAmI:
    """Who is asking, with role and sites in scope."""
    return of_row(WhoAmI, caller)


@router.get("/me/kept", dependencies=[VIEWER, PERSONAL])
async def kept_of_me(request: Request, caller: Caller) -> KeptAnswer:
    """What is kept about you; entries about cranes that you may not see any more are left out."""
    return await kept_answer(request, caller, caller.account)


@router.get("/users/{account}/kept", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def kept_of_user(account: AccountName, request: Request, caller: Caller) -> KeptAnswer:
    """What is kept about somebody, by the name of the account."""
    return await kept_answer(request, caller, account)


@router.get("/sessions", dependencies=[VIEWER, PERSONAL])
async def list_sessions(
    caller: Caller, conn: Conn, everyone: Everyone = False, limit: Limit = 200, cursor: Cursor = None
) -> Page[SessionRow]:
    """Open sessions: your own, or everyone's."""
    after = decode_cursor(cursor, (int,))
    rows = await access.list_sessions(conn, whose(caller, everyone), after[0] if after else 0, limit + 1)
    listed = [SessionRow(**row, current=row["session_id"] == caller.session_id) for row in rows]
    return page(listed, limit, [(row.session_id,) for row in listed])


@router.delete("/sessions/{session_id}", dependencies=[VIEWER], status_code=204)
async def end_session(session_id: RowId, caller: Caller, conn: Conn) -> None:
    """Sign a session out: one of your own, or for an administrator anyone's."""
    await access.end_session(conn, session_id, own_unless_admin(caller))


@router.get("/tokens", dependencies=[VIEWER, PERSONAL])
async def list_tokens(
    caller: Caller, conn: Conn, everyone: Everyone = False, limit: Limit = 200, cursor: Cursor = None
) -> Page[TokenRow]:
    """Tokens, without their secrets: your own, or everyone's."""
    after = decode_cursor(cursor, (int,))
    since = after[0] if after else 0
    listed = await access.TOKENS.all_async(
        conn, account=whose(caller, everyone), after=since, limit=limit + 1
    )
    return page(listed, limit, [(row.token_id,) for row in listed])


@router.post("/tokens", dependencies=[VIEWER], status_code=201)
async def make_token(wanted: NewToken, caller: Caller, conn: Conn, settings: Settings) -> TokenMade:
    """Make a token for a program. Its secret is shown this once; role and sites cannot exceed your own."""
    if caller.via != "session":
        raise Refused(403, "only a signed-in person makes tokens: a token cannot make another")
    if not caller.role.covers(Role(wanted.role)):
        raise InvalidInput(f"the role of a token cannot exceed yours, {caller.role}", field="role")
    if wanted.days > settings.token_days_max:
        raise InvalidInput(f"a token lasts at most {settings.token_days_max} days", field="days")
    sites = access.common_sites(None if wanted.sites is None else tuple(wanted.sites), caller.sites)
    if wanted.sites and not sites:
        raise InvalidInput(
            f"none of these sites is yours: name some of {', '.join(caller.sites or ())}", field="sites"
        )
    secret, row = await access.add_token(
        conn,
        caller.account,
        wanted.title,
        Role(wanted.role),
        None if sites is None else list(sites),
        datetime.now(UTC) + timedelta(days=wanted.days),
    )
    return TokenMade(**row, account=caller.account, secret=secret)


@router.delete("/tokens/{token_id}", dependencies=[VIEWER], status_code=204)
async def end_token(token_id: RowId, caller: Caller, conn: Conn) -> None:
    """Revoke a token: one of your own, or for an administrator anyone's."""
    await access.end_token(conn, token_id, own_unless_admin(caller))


@router.get("/users", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def list_users(conn: Conn, limit: Limit = 200, cursor: Cursor = None) -> Page[Account]:
    """Accounts, by name."""
    after = decode_cursor(cursor, (str,))
    rows = await access.list_accounts(conn, after[0] if after else "", limit + 1)
    listed = [account_answer(row) for row in rows]
    return page(listed, limit, [(row.name,) for row in listed])


@router.post("/users", dependencies=[ADMIN_OF_ALL_SITES], status_code=201)
async def add_user(wanted: NewAccount, conn: Conn, settings: Settings) -> Account:
    """Add an account."""
    # Nobody knows the password of an account that is made without one.
    password = wanted.password or SecretStr(access.new_secret("reset"))
    password_hash = await hashed(password, wanted.name, settings)
    sites = None if wanted.sites is None else list(wanted.sites)
    row = await access.add_account(conn, wanted.name, password_hash, Role(wanted.role), sites)
    return account_answer(row)


@router.get("/users/{account}", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def show_user(account: AccountName, conn: Conn) -> Account:
    """One account; its ETag guards a change."""
    row = await access.account_named(conn, account)
    if row is None:
        raise NotFound(f"there is no account {account!r}")
    return account_answer(row)


@router.patch("/users/{account}", dependencies=[ADMIN_OF_ALL_SITES])
async def change_user(account: AccountName, change: AccountChange, conn: Conn, settings: Settings) -> Account:
    """Change role, sites, password or state of an account. Its sessions end; fields left out stay as they are."""
    password_hash = None
    if change.password is not None:
        row = await access.account_named(conn, account)
        if row is not None and row["issuer"] is not None:
            raise InvalidInput(
                f"{account} signs on at the provider: it has no password here", field="password"
            )
        password_hash = await hashed(change.password, account, settings)
    row = await access.change_account(
        conn,
        account,
        role=None if change.role is None else Role(change.role),
        set_sites="sites" in change.model_fields_set,
        sites=None if change.sites is None else list(change.sites),
        password_hash=password_hash,
        disabled=change.disabled,
    )
    return account_answer(row)


@router.post("/users/{account}/reset-link", dependencies=[ADMIN_OF_ALL_SITES], status_code=201)
async def make_reset_link(account: AccountName, conn: Conn, settings: Settings) -> ResetLink:
    """Make a link by which a person sets the password of an account, once. It is shown this once; the one of before ends."""
    demand_password(settings, account)
    expires_at = datetime.now(UTC) + timedelta(hours=settings.reset_link_hours)
    secret = await access.make_reset_link(conn, account, expires_at)
    return ResetLink(account=account, link=reset_address(settings.public_url, secret), expires_at=expires_at)


@router.get("/audit", dependencies=[ADMIN_OF_ALL_SITES, PERSONAL])
async def list_audit(
    conn: Conn,
    reads: Annotated[bool, Query(description="with the reads of personal data; false: without")] = True,
    limit: Limit = 200,
    cursor: Cursor = None,
) -> Page[AuditRow]:
    """What was done by whom, newest first: every write, every export, every log-in, every read of personal data."""
    before = decode_cursor(cursor, (int,))
    rows = await audit.list_audit(conn, before[0] if before else 2**62, limit + 1, reads=reads)
    listed = [AuditRow(**row) for row in rows]
    return page(listed, limit, [(row.audit_id,) for row in listed])


def demand_password(settings: ApiSettings, account: str) -> None:
    """Refused (403) where the account may not sign in with a password of this server."""
    if not settings.local_accounts and account != settings.emergency_account:
        raise Refused(403, "passwords are switched off here: sign in at the provider of your company")


async def noted(conn: AsyncConnection[Any], account: str, action: str, address: str) -> None:
    """Write down what was tried before anybody is known."""
    async with conn.transaction():
        await look(conn, (), account=account)
        await audit.note(conn, account=account, via="login", action=action, address=address)


def too_many() -> Refused:
    """What is said where too much was tried in vain."""
    wait = {"retry-after": str(int(LOGIN_WINDOW.total_seconds()))}
    return Refused(429, "too many log-ins without success: wait 15 minutes", wait)


async def hashed(password: SecretStr, account: str, settings: ApiSettings) -> str:
    """The hash of a new password of an account; InvalidInput where it is too short or easy to guess."""
    return await to_thread.run_sync(
        strong_hash, password.get_secret_value(), account, settings.password_score, limiter=HASHING
    )


async def kept_answer(request: Request, caller: access.Principal, name: str) -> KeptAnswer:
    """What is kept under a name, in the site scope of a caller. It leaves like an export: in the audit each time."""
    found, withheld = await written(request, caller, lambda conn: privacy.kept(conn, name, KEPT_ROWS))
    request.scope[AUDIT_DETAIL] = {"rows": sum(there.count for there in found)}
    return KeptAnswer(name=name, at=now_utc(), places=of_rows(KeptPlace, found), withheld=tuple(withheld))


def account_answer(row: dict[str, Any]) -> Account:
    """An account without anything secret."""
    return Account(
        name=row["name"],
        role=row["role"],
        sites=row["sites"],
        created_at=row["created_at"],
        disabled=row["disabled_at"] is not None,
        signs_on=row["issuer"] is not None,
    )


def whose(caller: access.Principal, everyone: bool) -> str | None:
    """The account whose rows are listed; None for everyone's, which only an administrator may ask for."""
    if everyone and not caller.governs:
        raise Refused(403, f"everyone's rows need the role {Role.ADMIN} and every site in scope")
    return None if everyone else caller.account


def own_unless_admin(caller: access.Principal) -> str | None:
    """The account whose rows may be ended; None for anyone's."""
    return None if caller.governs else caller.account
