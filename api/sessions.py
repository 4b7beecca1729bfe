"""Sessions of people who signed in, by whichever way: what is opened for them, and the cookie that their browser gets."""

from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import Request, Response
from psycopg import AsyncConnection

from api.gate import cookie_name
from api.settings import ApiSettings
from domain.accounts import WhoAmI
from domain.units import S_PER_H
from store import access, audit


async def opened(
    conn: AsyncConnection[Any],
    settings: ApiSettings,
    row: dict[str, Any],
    action: str,
    address: str,
    agent: str,
) -> tuple[str, WhoAmI]:
    """The secret of a new session of an account, and whose it is; written down in the audit."""
    expires_at = datetime.now(UTC) + timedelta(hours=settings.session_hours)
    async with conn.transaction():
        secret = await access.open_session(conn, row["name"], expires_at, address, agent)
        await audit.note(conn, account=row["name"], via="login", action=action, address=address)
    return secret, WhoAmI(
        account=row["name"], role=row["role"], sites=row["sites"], via="session", expires_at=expires_at
    )


def set_session_cookie(response: Response, settings: ApiSettings, secret: str) -> None:
    """Hand the session secret to the browser."""
    set_cookie(response, settings, cookie_name(settings), secret, int(settings.session_hours * S_PER_H))


def set_cookie(response: Response, settings: ApiSettings, name: str, value: str, max_age_s: int) -> None:
    """A cookie that no script reads and no page of another site sends along; one that holds for 0 s is gone.

    The path / is what a __Host- cookie must have.
    """
    response.set_cookie(
        name,
        value,
        max_age=max_age_s,
        expires=max_age_s,
        path="/",
        secure=settings.secure_cookie,
        httponly=True,
        samesite="lax",
    )


def address_of(request: Request) -> str:
    """The address that a request came from, as the server sees it."""
    return request.client.host if request.client else "unknown"
