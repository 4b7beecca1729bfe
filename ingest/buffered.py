"""An MQTT client that reads from its socket in large pieces, takes the messages out, and writes in one.

The library reads a packet in at least three calls to the kernel, writes each acknowledgement by another, and takes about
60 us of a core for a message; between two calls another thread may hold the interpreter for milliseconds. Connecting,
subscribing, keeping alive and publishing stay with it.
"""

import ssl
from pathlib import Path
from typing import Final, Protocol, Self

from paho.mqtt.client import Client

from ingest.packets import Published, split

READ_BYTES: Final = 262_144
_LATER: Final = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class PlainSocket(Protocol):
    """What is needed of a socket, with TLS or without."""

    def recv(self, size: int, /) -> bytes: ...
    def send(self, data: bytes | bytearray, /) -> int: ...
    def close(self) -> None: ...
    def fileno(self) -> int: ...
    def setblocking(self, flag: bool, /) -> None: ...


class BufferedSocket:
    """A non-blocking socket with buffers. The owner calls `read` and `flush`; the library sees only what is left for it."""

    def __init__(self, plain: PlainSocket) -> None:
        self._plain = plain
        self._pieces: list[bytes] = []  # of a packet that is not whole yet
        self._have = 0
        self._needed = 1
        self._for_library = b""
        self._unsent = bytearray()
        self._end: bytes | OSError | None = None  # what the library is to see when everything else is read

    def read(self) -> list[Published]:
        """Messages with QoS 1 that have arrived; other packets wait for the library."""
        try:
            piece = self._plain.recv(READ_BYTES)
        except _LATER:
            return []
        except OSError as problem:
            self._end = problem
            return []
        if not piece:
            self._end = b""
            return []
        self._pieces.append(piece)
        self._have += len(piece)
        if self._have < self._needed:
            return []
        data = b"".join(self._pieces)
        found = split(data)
        self._pieces = [data[found.used :]]
        self._have, self._needed = len(data) - found.used, found.needed
        self._for_library += b"".join(found.others)
        return found.published

    def recv(self, size: int) -> bytes:
        """For the library: at most so many bytes of whole packets. Raises BlockingIOError when there are none."""
        data, self._for_library = self._for_library[:size], self._for_library[size:]
        if data:
            return data
        if isinstance(self._end, OSError):
            raise self._end
        if self._end is None:
            raise BlockingIOError
        return self._end

    def send(self, data: bytes | bytearray) -> int:
        """Take all of it, to be sent with the next `flush`."""
        self._unsent += data
        return len(data)

    def flush(self) -> None:
        """Send what can be sent now. A broken connection shows itself to the library at its next `recv`."""
        try:
            while self._unsent:
                sent = self._plain.send(self._unsent)
                del self._unsent[:sent]
        except _LATER:
            return
        except OSError as problem:
            self._end = problem
            self._unsent.clear()

    @property
    def unsent(self) -> bool:
        """Whether something waits until the socket can be written to."""
        return bool(self._unsent)

    @property
    def for_library(self) -> bool:
        """Whether the library has something to read, be it the end."""
        return bool(self._for_library) or self._end is not None

    @property
    def readable(self) -> bool:
        """Whether `read` finds something without a word from the kernel: TLS decrypts more at once than was asked for."""
        return isinstance(self._plain, ssl.SSLSocket) and self._plain.pending() > 0

    def fileno(self) -> int:
        """The descriptor, for `select`."""
        return self._plain.fileno()

    def setblocking(self, flag: bool) -> None:
        """As of the socket."""
        self._plain.setblocking(flag)

    def close(self) -> None:
        """Send what can be sent, then close."""
        self.flush()
        self._plain.close()


class _Handshaking(ssl.SSLSocket):
    """Closes itself where the handshake fails: the library would leave each failed attempt to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except _LATER:
            raise
        except OSError:
            self.close()
            raise


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """Trust in an authority, the system's where none is named."""
    context = ssl.create_default_context(cafile=ca_file)
    context.sslsocket_class = _Handshaking
    return context


class BufferedClient(Client):
    """The library's client over a `BufferedSocket`, for a loop of our own with `loop_read`, `loop_write`, `loop_misc`."""

    def _create_socket(self) -> BufferedSocket:
        return BufferedSocket(super()._create_socket())

    @property
    def wire(self) -> BufferedSocket | None:
        """The socket, None while there is no connection."""
        wire = self.socket()
        assert wire is None or isinstance(wire, BufferedSocket)
        return wire

    def queue_writes(self) -> Self:
        """Leave all writing to `loop_write`."""
        self.on_socket_register_write = lambda *_: None
        return self
