"""Every error as RFC 9457 problem details; nothing inside the server is told to the outside."""

from collections.abc import Mapping
from typing import Any, Final

import psycopg
import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from psycopg_pool import PoolTimeout
from starlette.exceptions import HTTPException

from api.bounds import TAGS
from domain.answers import FieldProblem, Problem
from domain.errors import BoomledgerError, Conflict, InvalidInput, NotFound, Unavailable, field_of
from domain.registration import field_path

PROBLEM_JSON: Final = "application/problem+json"
_LOG = structlog.get_logger("api")

_TITLES: Final[Mapping[int, str]] = {
    400: "Bad request",
    401: "Sign in first",
    403: "Not allowed",
    404: "Not found",
    405: "Method not allowed",
    406: "Not available in that form",
    408: "Too slow",
    409: "Conflict",
    412: "Changed in the meantime",
    413: "Too large",
    415: "Unknown form of body",
    422: "Invalid input",
    429: "Too much at once",
    500: "The server made a mistake",
    503: "Not available now",
}


class Refused(BoomledgerError):
    """Not signed in (401), not allowed (403) or too much at once (429)."""

    def __init__(self, status: int, text: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(text)
        self.status = status
        self.headers = dict(headers or {})


def problem_response(
    status: int,
    detail: str,
    *,
    request_id: str | None = None,
    errors: tuple[FieldProblem, ...] = (),
    headers: Mapping[str, str] | None = None,
) -> Response:
    """One problem as a response."""
    problem = Problem(
        title=_TITLES.get(status, "Problem"),
        status=status,
        detail=detail,
        fields=tuple(one.field for one in errors),
        errors=errors,
        request_id=request_id,
    )
    return Response(
        problem.model_dump_json(exclude_none=True),
        status_code=status,
        media_type=PROBLEM_JSON,
        headers=dict(headers or {}),
    )


def status_of(error: BoomledgerError) -> int:
    """The status that says best what an error of ours means."""
    match error:
        case Refused():
            return error.status
        case InvalidInput():
            return 422
        case NotFound():
            return 404
        case Conflict():
            return 409
        case Unavailable():
            return 503
        case _:
            return 500


def _answer(request: Request, status: int, detail: str, **extra: Any) -> Response:
    return problem_response(status, detail, request_id=request_id(request), **extra)


def request_id(request: Request) -> str | None:
    """The id of this request in the log."""
    found: str | None = request.scope.get("boomledger.request_id")
    return found


async def _ours(request: Request, error: Exception) -> Response:
    assert isinstance(error, BoomledgerError)
    field = error.field if isinstance(error, InvalidInput) else None
    headers = error.headers if isinstance(error, Refused) else None
    sent = "body" if request.method in ("POST", "PUT", "PATCH") else "query"
    errors = (_field_problem((sent, *field.split(".")), str(error)),) if field else ()
    return _answer(request, status_of(error), str(error), errors=errors, headers=headers)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = str(error.detail)
    if error.status_code == 404:
        detail = f"there is no {request.url.path}: see the list of routes at docs"
    headers = dict(error.headers or {})
    if error.status_code == 405:
        headers["allow"] = ", ".join(request.app.state.allowed(request.scope))
        detail = f"{request.method} does not work on {request.url.path}; {headers['allow']} do"
    return _answer(request, error.status_code, detail, headers=headers)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    problems = error.errors()
    errors = tuple(_field_problem(field_of(one), _detail_of(one)) for one in problems)
    detail = "; ".join(f"{one.field}: {one.detail}" for one in errors)
    return _answer(request, 422, detail[:2000], errors=errors[:50])


FORMS: Final = {
    r"^[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?$": "1 to 63 lower-case letters, digits and dashes, a letter or digit at both ends",
    r"^[\x21-\x7e]+$": "printable ASCII characters without a space",
    r"^[^\x00]*\S[^\x00]*$": "text that is not only spaces",
    r"^[^\x00]*$": "text without a null character",
    r"^[^\x00-\x1f]+$": "one line of text",
    r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}$": "1 to 80 letters, digits, spaces, dots, dashes and underscores, a letter or digit first",
    r"^[a-z0-9][a-z0-9._@-]{0,62}$": "1 to 63 lower-case letters, digits, dots, dashes, underscores and @, a letter or digit first",
    r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252}[A-Za-z0-9])?$": "an address of e-mail",
    r"^https?://[^\s\x00-\x20\x7f@]{1,1900}$": "an address that begins with https:// or http://, without a space or @",
    r"^U\d$": "U0 to U9",
    r"^Q\d$": "Q0 to Q5",
    r"^S(0[12]|\d)$": "S02, S01 or S0 to S9",
    r"^[a-z][a-z0-9_]{0,59}$": "1 to 60 lower-case letters, digits and underscores, a letter first",
    r"^[A-Za-z0-9%/.-]{1,12}$": "1 to 12 letters, digits and any of % / . -",
    f"^{TAGS}$": "the ETag of an answer in its quotes, several of them parted by commas, or *",
}
"""What each pattern of the api asks for, in words; a test finds every pattern of the description here."""


def _detail_of(problem: Mapping[str, Any]) -> str:
    """What is wrong, for people: a pattern is told in words."""
    form = FORMS.get(str(problem.get("ctx", {}).get("pattern")))
    return f"not of the form that is asked for: {form}" if form else str(problem["msg"])


def _field_problem(place: tuple[str | int, ...], detail: str) -> FieldProblem:
    """One problem of a field. place: body, query or path, then the parts of the field."""
    path = field_path(place[1:])
    parts = path.split(".") if path and place[0] == "body" else []
    pointer = "".join(f"/{part.replace('~', '~0').replace('/', '~1')}" for part in parts)
    return FieldProblem(pointer=f"#{pointer}", field=path or "body", detail=detail)


async def _database(request: Request, error: Exception) -> Response:
    _LOG.error("database_unavailable", request_id=request_id(request), error=type(error).__name__)
    return _answer(request, 503, away_text(error), headers={"retry-after": "5"})


def away_text(error: BaseException) -> str:
    """What a reader is told of a database that cannot do what was asked now."""
    match error:
        case psycopg.errors.ReadOnlySqlTransaction():
            return "the database takes no writes now, so nothing was changed: try again soon"
        case psycopg.errors.DiskFull():
            return "the disk of the database is full, so nothing was changed: tell whoever runs it"
        case _:
            return "the database cannot be reached now: try again soon"


async def _out_of_scope(request: Request, error: Exception) -> Response:
    # Row-level security stopped what our filter let through: nothing happened, and somebody should look.
    _LOG.error("row_level_security_refused", request_id=request_id(request), path=request.url.path)
    return _answer(request, 403, "this reaches beyond the sites that you may see")


async def _bad_data(request: Request, error: Exception) -> Response:
    _LOG.warning("database_refused_value", request_id=request_id(request), error=type(error).__name__)
    return _answer(request, 422, "a value is outside what the database can hold")


def add_problem_handlers(api: FastAPI) -> None:
    """Make every error of this app a problem."""
    api.add_exception_handler(BoomledgerError, _ours)
    api.add_exception_handler(HTTPException, _http)
    api.add_exception_handler(RequestValidationError, _invalid)
    api.add_exception_handler(psycopg.OperationalError, _database)
    api.add_exception_handler(psycopg.errors.ReadOnlySqlTransaction, _database)
    api.add_exception_handler(psycopg.errors.InsufficientPrivilege, _out_of_scope)
    api.add_exception_handler(psycopg.DataError, _bad_data)
    api.add_exception_handler(PoolTimeout, _database)
