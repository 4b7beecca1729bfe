"""The audit as JSON lines to a file, a syslog receiver or a stream: in order, every line at least once.

How far a target has come stands in the database and moves only after the lines were handed over: whoever is interrupted hands
its last lines over once more (`audit_id` tells them). A line that is still being written may have a smaller number than one that stands:
no line is handed over before every line with a smaller number is written or given up.
"""

import contextlib
import json
import os
import select
import socket
import threading
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol
from urllib.parse import SplitResult, urlsplit

import psycopg
import structlog
from prometheus_client import Counter
from psycopg import Connection

from domain.errors import InvalidInput, Unavailable
from store import audit
from store.audit import AuditLine
from store.connection import AWAY, connect

_LOG = structlog.get_logger("audit")
HANDED_OVER: Final = Counter("boomledger_audit_lines_exported", "Lines of the audit that were handed over")
FAILURES: Final = Counter(
    "boomledger_audit_export_failures", "Tries to hand lines of the audit over that failed"
)
AT_ONCE: Final = 500
LOOK_EVERY_S: Final = 1.0
SETTLED_WITHIN_S: Final = 10.0
SEND_TIMEOUT_S: Final = 10.0
RETRY_AFTER_S: Final = 5.0
DATAGRAM_BYTES_MAX: Final = 60_000
LOG_AUDIT: Final = 13
NOTICE: Final = 5
"""Facility and severity of RFC 5424, tables 1 and 2."""


class Sink(Protocol):
    """Takes lines, and returns when it has them."""

    def write(self, lines: Sequence[AuditLine]) -> None: ...

    def close(self) -> None: ...


def as_json(line: AuditLine) -> bytes:
    """A line of the audit as one line of JSON, ASCII alone, without its end."""
    at = line["at"].isoformat(timespec="microseconds").replace("+00:00", "Z")
    return json.dumps({**line, "at": at}).encode()


class Stream:
    """An open stream, such as standard output."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out

    def write(self, lines: Sequence[AuditLine]) -> None:
        self._out.writelines(as_json(line) + b"\n" for line in lines)
        self._out.flush()

    def close(self) -> None:
        """It is not ours."""


class File:
    """A file, opened anew for each batch, so that whoever rotates it may move it away at any time."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def write(self, lines: Sequence[AuditLine]) -> None:
        handle = os.open(self._path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o640)
        with open(handle, "rb+") as out:
            if size := out.seek(0, os.SEEK_END):  # half a line of one that was killed ends here
                out.seek(size - 1)
                if out.read(1) != b"\n":
                    out.write(b"\n")
            out.writelines(as_json(line) + b"\n" for line in lines)
            out.flush()
            os.fsync(out.fileno())

    def close(self) -> None:
        """Nothing is open between batches."""


class Syslog:
    """A receiver of RFC 5424: datagrams (unix, udp), or a TCP stream with counted messages (RFC 6587, 3.4.1)."""

    def __init__(self, address: SplitResult) -> None:
        self._kind = address.scheme.removeprefix("syslog+")
        self._place: Any = address.path if self._kind == "unix" else (address.hostname, address.port or 514)
        self._host = socket.gethostname() or "-"
        self._socket: socket.socket | None = None

    def write(self, lines: Sequence[AuditLine]) -> None:
        try:
            open_socket = self._socket = self._socket or self._connected()
            for line in lines:
                message = syslog_message(line, self._host)
                if self._kind == "tcp":
                    open_socket.sendall(b"%d %s" % (len(message), message))
                else:
                    if len(message) > DATAGRAM_BYTES_MAX:
                        cut = line | {"detail": {"too_long_for_a_datagram_bytes": len(message)}}
                        message = syslog_message(cut, self._host)
                    open_socket.send(message)
            if self._kind == "tcp" and self._closed_there(open_socket):
                raise ConnectionResetError("the receiver closed the connection")
        except OSError:
            self.close()
            raise

    def _connected(self) -> socket.socket:
        if self._kind == "tcp":
            return socket.create_connection(self._place, timeout=SEND_TIMEOUT_S)
        family = socket.AF_UNIX
        if self._kind == "udp":
            host, port = self._place
            family = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0][0]
        opened = socket.socket(family, socket.SOCK_DGRAM)
        opened.settimeout(SEND_TIMEOUT_S)
        try:
            opened.connect(self._place)
        except OSError:
            opened.close()
            raise
        return opened

    @staticmethod
    def _closed_there(open_socket: socket.socket) -> bool:
        heard, _, _ = select.select([open_socket], [], [], 0)
        return bool(heard) and open_socket.recv(1, socket.MSG_PEEK) == b""

    def close(self) -> None:
        """Connect anew at the next line."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def syslog_message(line: AuditLine, host: str) -> bytes:
    """A line of the audit as RFC 5424 wants it: header, no structured data, JSON in ASCII (so without a byte order mark)."""
    at = line["at"].isoformat(timespec="microseconds").replace("+00:00", "Z")
    header = f"<{8 * LOG_AUDIT + NOTICE}>1 {at} {host[:255]} boomledger - audit - "
    return header.encode("ascii", "replace") + as_json(line)


def sink_of(target: str) -> Sink:
    """Where a target leads: syslog+unix:///dev/log, syslog+udp://host:514, syslog+tcp://host:601, or the path of a file."""
    address = urlsplit(target)
    if "://" not in target:
        return File(Path(target))
    try:
        known = address.scheme in ("syslog+unix", "syslog+udp", "syslog+tcp") and not address.username
        if known and (address.path if address.scheme == "syslog+unix" else address.hostname and address.port):
            return Syslog(address)
    except ValueError:  # of the port
        pass
    raise InvalidInput(
        f"{target!r} is no target: name a file, or syslog+unix:///dev/log, syslog+udp://HOST:514, syslog+tcp://HOST:601",
        field="audit_export",
    )


class Export:
    """One target with its sink. Without a name its position is kept here, and not in the database."""

    def __init__(self, sink: Sink, name: str | None = None, since: datetime | None = None) -> None:
        self._sink = sink
        self._name = name
        self._since = since
        self._at = -1

    def close(self) -> None:
        """Let the sink go."""
        self._sink.close()

    @property
    def kept(self) -> bool:
        """Whether the database keeps its position."""
        return self._name is not None

    def step(self, conn: Connection[Any]) -> int:
        """Hand over what is new, on a connection in autocommit; how many lines. Raises OSError where the sink does not take them."""
        if self._since is not None:
            self._at = max(self._at, audit.last_before(conn, self._since))
        last = settled(conn)
        return 0 if last is None else sum(self._batches(conn, last))

    def _batches(self, conn: Connection[Any], last: int) -> Iterator[int]:
        while True:
            with conn.transaction():
                at = self._at if self._name is None else audit.export_position(conn, self._name)
                if at is None:  # another one is at it
                    return
                lines = audit.lines_after(conn, max(at, self._at), last, AT_ONCE)
                if not lines:
                    return
                self._sink.write(lines)
                self._at = int(lines[-1]["audit_id"])
                if self._name is not None:
                    audit.keep_export_position(conn, self._name, self._at)
            HANDED_OVER.inc(len(lines))
            yield len(lines)


def settled(conn: Connection[Any]) -> int | None:
    """The last number below which no line is still to come; None where that did not show in time.

    Whoever adds a line locks the table before the line gets its number: those that hold the lock when the last number is read are
    waited for, and later ones get larger numbers.
    """
    last, writers = audit.last_and_writers(conn)
    waited = threading.Event()
    for _ in range(int(SETTLED_WITHIN_S / 0.1)):
        writers = audit.still_writing(conn, writers) if writers else []
        if not writers:
            return last
        waited.wait(0.1)
    return None


def follow(url: str, export: Export, stop: threading.Event) -> None:
    """Hand over what is new until the event is set; database and receiver may come and go."""
    while not stop.is_set():
        try:
            with contextlib.closing(connect(url, autocommit=True, writes=True)) as conn:
                while not stop.is_set():
                    export.step(conn)
                    stop.wait(LOOK_EVERY_S)
        except (*AWAY, psycopg.Error, OSError, Unavailable) as problem:
            if (
                isinstance(problem, BrokenPipeError) and not export.kept
            ):  # nobody reads standard output any more
                return
            FAILURES.inc()
            _LOG.warning("audit_not_exported", retry_after_s=RETRY_AFTER_S, problem=str(problem).strip())
            stop.wait(RETRY_AFTER_S)
    export.close()
