"""Sign-on at the company's provider: how one may sign in here, the way there, and the way back."""

from typing import Annotated, Final
from urllib.parse import quote

import structlog
from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse

from api.deps import PlainConn, Settings
from api.permissions import OPEN
from api.sessions import address_of, opened, set_cookie, set_session_cookie
from api.settings import ApiSettings
from api.sign_on import RETURN_PATH, WITHIN_S, Begun, SignOn, SignOnRefused
from domain.accounts import SignInWays
from store import access, audit
from store.site_scope import look

router = APIRouter(tags=["access"])

_LOG = structlog.get_logger("api")
SECURE_COOKIE: Final = "__Host-boomledger-sign-on"
PLAIN_COOKIE: Final = "boomledger-sign-on"

NextPath = Annotated[
    str, Query(alias="next", max_length=2000, description="page to go to afterwards, on this server")
]


@router.get("/sign-in", dependencies=[OPEN])
async def sign_in_ways(settings: Settings) -> SignInWays:
    """How a person can sign in here: with a password, at a provider, or both."""
    return SignInWays(
        passwords=settings.local_accounts,
        provider=None if settings.sign_on is None else settings.sign_on.label,
    )


@router.get("/sign-on", dependencies=[OPEN], status_code=303, response_class=RedirectResponse)
async def begin_sign_on(request: Request, settings: Settings, next_path: NextPath = "/") -> RedirectResponse:
    """Send the browser to the provider."""
    try:
        url, begun = await _provider(request).begin(next_path)
    except SignOnRefused as problem:
        return _refused(problem)
    answer = RedirectResponse(url, 303, {"cache-control": "no-store"})
    set_cookie(answer, settings, _cookie(settings), begun.packed(), WITHIN_S)
    return answer


@router.get(RETURN_PATH, dependencies=[OPEN], status_code=303, response_class=RedirectResponse)
async def finish_sign_on(request: Request, conn: PlainConn, settings: Settings) -> RedirectResponse:
    """Where the provider sends the browser back to: opens a session, and goes on to the page that was asked for."""
    address = address_of(request)
    try:
        begun = Begun.unpacked(request.cookies.get(_cookie(settings), ""))
        person = await _provider(request).finish(begun, request.query_params)
        row = await access.sign_on(conn, person)
        if row is None:
            raise SignOnRefused(
                "not_here", f"{person.account}: disabled here, or the name is another account's"
            )
    except SignOnRefused as problem:
        async with conn.transaction():
            await look(conn, (), account="sign-on")
            await audit.note(
                conn,
                account="sign-on",
                via="login",
                action="refused sign-on",
                detail={"reason": problem.code},
                address=address,
            )
        answer = _refused(problem)
    else:
        secret, _ = await opened(
            conn, settings, row, "sign-on", address, request.headers.get("user-agent", "")
        )
        answer = RedirectResponse(begun.next_path, 303, {"cache-control": "no-store"})
        set_session_cookie(answer, settings, secret)
    set_cookie(answer, settings, _cookie(settings), "", 0)
    return answer


def _provider(request: Request) -> SignOn:
    found: SignOn | None = request.app.state.sign_on
    if found is None:
        raise SignOnRefused("none_here", "no provider is set up")
    return found


def _cookie(settings: ApiSettings) -> str:
    return SECURE_COOKIE if settings.secure_cookie else PLAIN_COOKIE


def _refused(problem: SignOnRefused) -> RedirectResponse:
    """Back to the log-in page, which has a sentence for the code; what was wrong exactly stands in the log."""
    _LOG.warning("sign_on_refused", reason=problem.code, problem=str(problem))
    return RedirectResponse(f"/login?refused={quote(problem.code)}", 303, {"cache-control": "no-store"})
