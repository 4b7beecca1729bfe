"""The web server with bounds on what a connection may cost before anybody is known: time, bytes, number.

uvicorn bounds the idle time between requests. It waits for ever for a head that drips in byte by byte, and its parser
takes a head of any size: both are bounded here. The time and size of a body are bounded in api/middleware.py.
"""

import asyncio
import gc
from collections.abc import Sequence
from typing import Any, Final

import uvicorn
from starlette.types import ASGIApp
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from api.limits import may_take

KEEP_ALIVE_S: Final = 15
WEBSOCKET_BYTES_MAX: Final = 1_000_000


def tune_process() -> None:
    """Set this process up to answer many at once; call it when everything is loaded."""
    # What is loaded by now lives as long as the process; left in, every full collection stops all answers for tenths of a second.
    gc.collect()
    gc.freeze()


class BoundedProtocol(HttpToolsProtocol):
    """A connection whose every request head must come within a time and a size."""

    head_s: float = 10.0
    head_bytes_max: int = 32_768

    _head_timer: asyncio.TimerHandle | None = None
    _head_bytes: int = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        refusal = self._no_place()
        if refusal is None:
            self._await_head()
        else:
            self._refuse(refusal)

    def _no_place(self) -> str | None:
        """The status for a connection too many: all places are taken, or this address has its share of them.

        Websockets count as well. A trusted proxy speaks for many and has no share: uvicorn answers it 503 when all are taken.
        """
        address = self.client[0] if self.client else None
        places = self.limit_concurrency
        proxies = self.app.trusted_hosts if isinstance(self.app, ProxyHeadersMiddleware) else ()
        if address is None or places is None or address in proxies:
            return None
        taken = len(self.connections) - 1  # without this one
        peers = (getattr(one, "client", None) for one in self.connections)  # websockets stand among them
        own = sum(peer is not None and peer[0] == address for peer in peers) - 1
        if taken >= places:
            return "503 Service Unavailable"
        return None if may_take(own, taken, places) else "429 Too Many Requests"

    def connection_lost(self, exc: Exception | None) -> None:
        self._head_came()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        self._head_bytes += len(data)
        super().data_received(data)
        if self._head_timer is not None and self._head_bytes > self.head_bytes_max:
            self._refuse("431 Request Header Fields Too Large")

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self._await_head()

    def on_headers_complete(self) -> None:
        self._head_came()
        super().on_headers_complete()

    def _await_head(self) -> None:
        self._head_came()
        self._head_bytes = 0
        self._head_timer = self.loop.call_later(self.head_s, self._refuse, "408 Request Timeout")

    def _head_came(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _refuse(self, status: str) -> None:
        self._head_came()
        if not self.transport.is_closing():
            head = f"HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"
            self.transport.write(head.encode("ascii"))
            self.transport.close()


def server_config(
    app: ASGIApp,
    *,
    most_connections: int = 1000,
    trusted_proxies: Sequence[str] = (),
    protocol: type[BoundedProtocol] = BoundedProtocol,
    **where: Any,
) -> uvicorn.Config:
    """How pages and api are served. `trusted_proxies`: addresses whose X-Forwarded-For is believed; none by default."""
    return uvicorn.Config(
        app,
        http=protocol,
        limit_concurrency=most_connections,
        timeout_keep_alive=KEEP_ALIVE_S,
        ws_max_size=WEBSOCKET_BYTES_MAX,
        proxy_headers=bool(trusted_proxies),
        forwarded_allow_ips=list(trusted_proxies) or None,
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=5,
        **where,
    )
