"""Real receivers on loopback: a mail server and a web server that keep what they get."""

import asyncio
import http.server
import ssl
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import Message
from email.policy import default
from pathlib import Path
from typing import Any

import psycopg
import pytest
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from domain.crane import Site
from simulator.yard import load_yard
from store import cranes
from tests.support import rows

NOW = datetime(2026, 3, 11, 10, tzinfo=UTC)  # a Wednesday


@dataclass
class MailServer:
    """A mail server; `answers` are given to the next messages, then it takes everything."""

    certificate: tuple[Path, Path] | None = None
    taken: list[Message] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)
    sessions_with_tls: int = 0
    port: int = 0

    def __post_init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.port = asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result(10)

    async def _listen(self) -> int:
        tls = None
        if self.certificate is not None:
            tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            tls.load_cert_chain(*self.certificate)
        options: dict[str, Any] = {}
        if tls is not None:
            options = {
                "tls_context": tls,
                "require_starttls": True,
                "auth_required": True,
                "authenticator": lambda server, session, envelope, mechanism, data: AuthResult(
                    success=(data.login, data.password) == (b"boom", b"let me in"),
                    handled=False,
                ),
            }
        self._server = await self._loop.create_server(
            lambda: SMTP(self, hostname="localhost", **options), "127.0.0.1", 0
        )
        return int(self._server.sockets[0].getsockname()[1])

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.answers:
            return self.answers.pop(0)
        self.sessions_with_tls += session.ssl is not None
        assert isinstance(envelope.content, bytes)
        self.taken.append(message_from_bytes(envelope.content, policy=default))
        return "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address.startswith("nobody@"):
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    def stop(self) -> None:
        async def close() -> None:
            self._server.close()
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                task.cancel()

        asyncio.run_coroutine_threadsafe(close(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


@dataclass
class WebServer:
    """A web server that keeps calls; `answers` are the next statuses, then 204."""

    calls: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        sink = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                sink.calls.append(({name.lower(): value for name, value in self.headers.items()}, body))
                status = sink.answers.pop(0) if sink.answers else 204
                self.send_response(status)
                if 300 <= status < 400:
                    self.send_header("location", "/elsewhere")
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}/alerts?from=boomledger"

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)


@pytest.fixture
def mail_server() -> Iterator[MailServer]:
    server = MailServer()
    yield server
    server.stop()


@pytest.fixture
def guarded_mail_server(tmp_path: Path) -> Iterator[MailServer]:
    """With STARTTLS and log-in; its certificate is signed by itself."""
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", key, "-out", certificate, "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    server = MailServer((certificate, key))
    yield server
    server.stop()


@pytest.fixture
def web_server() -> Iterator[WebServer]:
    server = WebServer()
    yield server
    server.stop()


@pytest.fixture
def yard(connection: psycopg.Connection) -> psycopg.Connection:
    """The yard of `fill` as it stands NOW."""
    fill(connection, NOW)
    return connection


def fill(conn: psycopg.Connection, now: datetime, zone: str = "Europe/Vienna") -> None:
    """Three cranes at two sites with a counted day: yard-01 often near the limit, yard-02 seldom, yard-03 idle."""
    cranes.save_site(conn, Site(name="north", title="north", time_zone=zone))
    cranes.save_site(conn, Site(name="south", title="south", time_zone="UTC"))
    rows.counting(conn)
    registered_at = now - timedelta(days=30)
    for index, entry in enumerate(load_yard().cranes[:3]):
        site = "north" if index < 2 else "south"
        crane = entry.crane.model_copy(update={"site": site, "registered_at": registered_at})
        cranes.save_crane(conn, crane)
        rows.summarise(
            conn,
            crane.name,
            counting_id=1,
            counted_at=now,
            used_share=0.5,
            forecast_early_on=now.date() + timedelta(days=400),
        )
        rows.hear(conn, crane.name, registered_at, registered_at)
    set_near_limit(conn, "yard-01", 40, now)
    set_near_limit(conn, "yard-02", 5, now)


def set_near_limit(
    conn: psycopg.Connection, crane: str, share_pct: float, now: datetime = NOW, overrides: int = 0
) -> None:
    """The counted duty of a crane's day: two hours under load, a share of them near the limit."""
    rows.count_day(
        conn,
        crane,
        now.date(),
        loaded_ms=7_200_000,
        near_limit_ms=int(72_000 * share_pct),
        limiter_overrides=overrides,
    )
