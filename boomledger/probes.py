"""The little server of a process without pages: /metrics for Prometheus, /healthz and /readyz for whoever keeps it running."""

import json
from collections.abc import Callable, Iterable
from typing import Any, Final

from prometheus_client import start_http_server

Problem = Callable[[], str]
StartResponse = Callable[[str, list[tuple[str, str]]], object]
Wsgi = Callable[[dict[str, Any], StartResponse], Iterable[bytes]]

_NONE: Final[Problem] = lambda: ""  # noqa: E731


def open_probes(
    port: int, host: str, *, not_alive: Problem = _NONE, not_ready: Problem = _NONE
) -> Callable[[], None]:
    """Serve them until the function that comes back is called. `not_alive` and `not_ready` say what is wrong, or nothing."""
    server, thread = start_http_server(port, addr=host)
    metrics: Wsgi = server.get_app()  # type: ignore[assignment]
    server.set_app(with_probes(metrics, {"/healthz": not_alive, "/readyz": not_ready}))

    def close() -> None:
        server.shutdown()
        server.server_close()
        thread.join()

    return close


def with_probes(metrics: Wsgi, probes: dict[str, Problem]) -> Wsgi:
    """The app of the metrics with probes by path: 200, or 503 with what is wrong."""

    def app(environ: dict[str, Any], start_response: StartResponse) -> Iterable[bytes]:
        probe = probes.get(environ.get("PATH_INFO", ""))
        if probe is None:
            return metrics(environ, start_response)
        problem = probe()
        body = json.dumps({"status": "no" if problem else "ok", "detail": problem}).encode()
        start_response(
            "503 Service Unavailable" if problem else "200 OK",
            [("content-type", "application/json"), ("content-length", str(len(body)))],
        )
        return [body]

    return app
