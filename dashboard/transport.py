"""How the client talks to the api: one connection pool, typed answers, problems as errors."""

import inspect
import re
from collections.abc import Callable, Coroutine, Hashable, Mapping
from contextvars import ContextVar
from datetime import UTC, date, datetime
from functools import cache, wraps
from types import TracebackType
from typing import Any, Final, ParamSpec, Self, TypeVar, cast

import httpx
import orjson
from pydantic import BaseModel, TypeAdapter, ValidationError

from domain.accounts import IN_PROCESS
from domain.answers import Problem
from domain.errors import BoomledgerError, Conflict, InvalidInput, NotFound, Unavailable

Model = TypeVar("Model")
Given = ParamSpec("Given")

session_headers: ContextVar[Mapping[str, str] | None] = ContextVar("session_headers", default=None)
"""Headers (cookie, authorization) of the person on whose behalf the calls of this context are made."""


session_address: ContextVar[str] = ContextVar("session_address", default="127.0.0.1")
"""Where that person's browser is, for the audit."""
CALLS: Final[set[tuple[str, str]]] = set()
"""(method, path) of every call of the client."""
QUERY_NAMES: Final = {
    "time_from": "from",
    "time_to": "to",
    "names": "crane",
    "cranes": "crane",
    "kinds": "kind",
}
"""What the api calls a parameter that reads better otherwise."""


class NotAllowed(BoomledgerError):
    """The api refused: not signed in (401) or the role or site does not allow it (403)."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.detail or problem.title)
        self.problem = problem


class Transport:
    """Asks the api and reads its answers; the calls stand in the classes that build on it."""

    def __init__(
        self,
        base_url: str = "http://boomledger.local/api/v1",
        *,
        app: Any = None,
        token: str | None = None,
        timeout_s: float = 30.0,
    ) -> None:
        headers = {"accept": "application/json"}
        if token is not None:
            headers["authorization"] = f"Bearer {token}"
        if app is not None:
            headers["accept-encoding"] = (
                "identity"  # nothing leaves the process: packing would be undone at once
            )
        self._http = httpx.AsyncClient(
            base_url=base_url if app is None else "http://127.0.0.1",
            transport=None
            if app is None
            else httpx.ASGITransport(app=_in_process(app), client=("127.0.0.1", 0)),
            headers=headers,
            timeout=timeout_s,
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Give the connections back."""
        await self._http.aclose()

    async def ask(
        self, answer: Any, method: str, path: str, values: dict[str, Any], every: str | None = None
    ) -> Any:
        """What a call answers; see `call`."""
        names = re.findall(r"{(\w+)}", path)
        in_path = {name: path_text(values.pop(name)) for name in names if values[name] is not None}
        headers = {} if values.get("tag") is None else {"if-match": values.pop("tag")}
        request: dict[str, Any] = {}
        for name, value in list(values.items()):
            if isinstance(value, BaseModel | Mapping):
                body = values.pop(name)
                request["content"] = (
                    body.model_dump_json() if isinstance(body, BaseModel) else orjson.dumps(body)
                )
                headers["content-type"] = "application/json"
        request["params"] = _query({QUERY_NAMES.get(name, name): value for name, value in values.items()})
        url = path.format(**in_path) if len(in_path) == len(names) else str(every)
        if answer in (None, bytes):
            headers |= {"accept": "*/*"} if answer is bytes else {}
            content = (await self._send(method, url, headers=headers, **request)).content
            return content if answer is bytes else None
        return await self._ask(answer, method, url, headers=headers, **request)

    async def pdf(self, path: str, **query: object) -> bytes:
        """A report, such as `/cranes/{name}/report` or `/dispatch/lift-sheet`."""
        response = await self._http.get(
            path, params=_query(query), headers={**self._headers(), "accept": "application/pdf"}
        )
        _raise(response)
        return response.content

    async def _get(self, model: type[Model], path: str, **query: object) -> Model:
        return await self._ask(model, "GET", path, params=_query(query))

    async def _tagged(self, model: type[Model], path: str) -> tuple[Model, str]:
        response = await self._send("GET", path)
        read: Model = _adapter(cast("Hashable", model)).validate_json(response.content)
        return read, response.headers.get("etag", "")

    async def _post(self, model: type[Model], path: str, body: BaseModel) -> Model:
        return await self._ask(
            model, "POST", path, content=body.model_dump_json(), headers={"content-type": "application/json"}
        )

    async def _ask(self, model: type[Model], method: str, path: str, **request: Any) -> Model:
        response = await self._send(method, path, **request)
        return cast("Model", _adapter(cast("Hashable", model)).validate_json(response.content))

    async def _send(self, method: str, path: str, **request: Any) -> httpx.Response:
        headers = {**self._headers(), **request.pop("headers", {})}
        try:
            response = await self._http.request(method, path, headers=headers, **request)
        except httpx.TransportError as problem:
            raise Unavailable(
                f"the api at {self._http.base_url} did not answer: is `serve` running there?"
            ) from problem
        _raise(response)
        return response

    def _headers(self) -> dict[str, str]:
        return dict(session_headers.get() or {})


def call(
    method: str, path: str, every: str | None = None
) -> Callable[[Callable[Given, Coroutine[Any, Any, Model]]], Callable[Given, Coroutine[Any, Any, Model]]]:
    """A call of the client by its signature alone: `path` with the names of parameters in braces, `every` where these are left out.

    A model or mapping among the parameters is the body, `tag` the tag of what was read; the others are the query. The answer is read as the
    signature says.
    """
    CALLS.update((method, one) for one in (path, every) if one is not None)

    def of(
        stub: Callable[Given, Coroutine[Any, Any, Model]],
    ) -> Callable[Given, Coroutine[Any, Any, Model]]:
        signature = inspect.signature(stub)

        @wraps(stub)
        async def asked(*args: Given.args, **kwargs: Given.kwargs) -> Model:
            given = signature.bind(*args, **kwargs)
            given.apply_defaults()
            client, *values = given.arguments.values()
            named = dict(zip(list(given.arguments)[1:], values, strict=True))
            answer: Model = await client.ask(signature.return_annotation, method, path, named, every)
            return answer

        return asked

    return of


@cache
def _adapter(model: Hashable) -> TypeAdapter[Any]:
    return TypeAdapter(cast("Any", model))


def _query(values: Mapping[str, object]) -> httpx.QueryParams:
    pairs: list[tuple[str, str]] = []
    for name, value in values.items():
        many = value if isinstance(value, list | tuple) else [value]
        pairs.extend((name, _text(one)) for one in many if one is not None)
    return httpx.QueryParams(tuple(pairs))


def path_text(value: object) -> str:
    """A value as part of a path; a moment in UTC, as the api writes it: writes to one path wait for each other."""
    return (
        value.astimezone(UTC).isoformat().replace("+00:00", "Z")
        if isinstance(value, datetime)
        else str(value)
    )


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def _in_process(app: Any) -> Any:
    async def marked(scope: Any, receive: Any, send: Any) -> None:
        await app({**scope, IN_PROCESS: True, "client": (session_address.get(), 0)}, receive, send)

    return marked


def _raise(response: httpx.Response) -> None:
    if response.status_code < 400:
        return
    try:
        problem = Problem.model_validate(orjson.loads(response.content))
    except (orjson.JSONDecodeError, ValidationError):
        problem = Problem(
            title=response.reason_phrase, status=response.status_code, detail=response.text[:500]
        )
    text = problem.detail or problem.title
    match problem.status:
        case 401 | 403:
            raise NotAllowed(problem)
        case 404:
            raise NotFound(text)
        case 409 | 412:
            raise Conflict(text)
        case 400 | 413 | 415 | 422:
            problems = {one.field: one.detail for one in reversed(problem.errors)}
            raise InvalidInput(text, field=next(iter(problem.fields), None), by_field=problems)
        case _:
            raise Unavailable(text)
