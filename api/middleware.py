"""What surrounds every request: an id, a log line, figures for Prometheus, security headers, size bounds."""

import asyncio
import re
import time
import traceback
import uuid
from collections.abc import Mapping, MutableMapping
from typing import Any, Final

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.gate import PRINCIPAL
from api.problems import problem_response
from domain.system_watch import NewestWork
from domain.units import MS_PER_S

_LOG = structlog.get_logger("api")

API_POLICY: Final = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
SECURITY_HEADERS: Final = {
    "content-security-policy": API_POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}
SECONDS: Final = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)


class PageHeaders:
    """Security headers on pages, around everything else of a server. An answer's own headers stay."""

    def __init__(self, app: ASGIApp, *, content_security_policy: str) -> None:
        self._app = app
        self._headers = {**SECURITY_HEADERS, "content-security-policy": content_security_policy}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, send_on)


class Figures:
    """Counters of one api, in a registry of their own so that two apis in one process do not clash."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "boomledger_api_requests",
            "Requests answered, by route template",
            ["method", "route", "status"],
            registry=self.registry,
        )
        self.seconds = Histogram(
            "boomledger_api_request_seconds",
            "Time to the last byte [s], by route template",
            ["method", "route"],
            buckets=SECONDS,
            registry=self.registry,
        )
        self._ages = {
            name: Gauge(f"boomledger_newest_{name}_age_seconds", text, registry=self.registry)
            for name, text in (
                (
                    "commit",
                    "Since the newest message of any crane was stored [s]; NaN: none, or not known now",
                ),
                ("count", "Since a crane was last counted [s]; NaN: none, or not known now"),
            )
        }

    def set_ages(self, work: NewestWork | None) -> None:
        """Ages of the newest work; None where the database does not say."""
        for name, moment in (
            ("commit", work and work.committed_at),
            ("count", work and work.counted_at),
        ):
            age_s = (work.at - moment).total_seconds() if work and moment else float("nan")
            self._ages[name].set(age_s)


class Observe:
    """Outermost: request id, security headers, one log line and the figures. Never a query or a header value."""

    def __init__(self, app: ASGIApp, *, figures: Figures) -> None:
        self._app = app
        self._figures = figures

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        scope["boomledger.request_id"] = request_id = uuid.uuid4().hex
        began, status = time.perf_counter(), 500
        started = False

        async def send_on(message: Message) -> None:
            nonlocal status, started
            if message["type"] == "http.response.start":
                status, started = message["status"], True
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
                headers["x-request-id"] = request_id
            await send(message)

        try:
            await self._app(scope, receive, send_on)
        except asyncio.CancelledError:
            if not started:
                status = CLIENT_GONE
            raise
        except ClientDisconnect:
            status = CLIENT_GONE
        except Exception as error:
            # Not _LOG.exception: a renderer that shows local variables would put secrets into the log.
            trace = "".join(traceback.format_tb(error.__traceback__))
            _LOG.error("request_failed", request_id=request_id, error=type(error).__name__, trace=trace)
            if started:
                raise
            text = f"something went wrong here; the log has it under {request_id}"
            await problem_response(500, text, request_id=request_id)(scope, receive, send_on)
        finally:
            self._record(scope, status, time.perf_counter() - began)

    def _record(self, scope: Scope, status: int, seconds: float) -> None:
        route = getattr(scope.get("route"), "path", "") or "unmatched"
        method = scope["method"] if scope["method"] in METHODS else "other"
        self._figures.requests.labels(method, route, str(status)).inc()
        self._figures.seconds.labels(method, route).observe(seconds)
        if route in QUIET_ROUTES and status < 400:
            return
        principal = scope.get(PRINCIPAL)
        _LOG.info(
            "request",
            request_id=scope["boomledger.request_id"],
            method=method,
            route=route,
            crane=scope.get("path_params", {}).get("name"),
            status=status,
            ms=round(seconds * MS_PER_S, 1),
            account=principal.account if principal else None,
        )


CLIENT_GONE: Final = 499  # in logs and figures only, as is common practice: nobody is there to read an answer
METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
QUIET_ROUTES: Final = frozenset({"/healthz", "/readyz", "/metrics"})


class BodyBound:
    """Refuses a body above the bound, by its stated length or as it comes in, and one that takes too long to come.

    of_paths: bounds of their own, by a pattern of the whole path.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        bytes_max: int,
        seconds_max: float,
        of_paths: Mapping[str, tuple[int, float]] | None = None,
    ) -> None:
        self._app = app
        self._bounds = (bytes_max, seconds_max)
        self._of_paths = {re.compile(pattern): bounds for pattern, bounds in (of_paths or {}).items()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        path = scope["path"].removeprefix(scope.get("root_path", ""))
        own = (bounds for pattern, bounds in self._of_paths.items() if pattern.fullmatch(path))
        bytes_max, seconds_max = next(own, self._bounds)
        refusals = {
            413: f"a body has at most {bytes_max} bytes here",
            408: f"a body comes within {seconds_max:g} s",
        }
        stated = Headers(scope=scope).get("content-length", "0")
        if not stated.isdecimal() or len(stated) > 12 or int(stated) > bytes_max:
            await self._refuse(scope, receive, send, 413, refusals[413])
            return
        seen = 0
        complete = False
        refused: int | None = None
        ends_at = asyncio.get_running_loop().time() + seconds_max

        async def bounded() -> MutableMapping[str, Any]:
            nonlocal seen, complete, refused
            if complete:
                return await receive()
            try:
                async with asyncio.timeout_at(ends_at):
                    message = await receive()
            except TimeoutError:
                refused = 408
                return {"type": "http.disconnect"}
            seen += len(message.get("body", b""))
            complete = not message.get("more_body", False)
            if seen > bytes_max:
                refused = 413
                return {"type": "http.disconnect"}
            return message

        async def send_on(message: Message) -> None:
            if refused is None:
                await send(message)

        try:
            await self._app(scope, bounded, send_on)
        except ClientDisconnect:
            if refused is None:
                raise
        if refused is not None:
            await self._refuse(scope, receive, send, refused, refusals[refused])

    @staticmethod
    async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, text: str) -> None:
        headers = {"connection": "close"}  # what is left of the body is not read
        answer = problem_response(
            status, text, request_id=scope.get("boomledger.request_id"), headers=headers
        )
        await answer(scope, receive, send)
