"""An MQTT client that reads from its socket in large pieces and writes to it in one.

The library reads a packet in at least three calls to the kernel and writes each acknowledgement by another; between two
calls another thread may take the interpreter for milliseconds.
"""

import ssl
from typing import Final, Protocol, Self

from paho.mqtt.client import Client

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
    """A non-blocking socket with buffers; what is sent leaves with `flush`."""

    def __init__(self, plain: PlainSocket) -> None:
        self._plain = plain
        self._arrived = b""
        self._place = 0
        self._unsent = bytearray()
        self._broken = False

    def recv(self, size: int) -> bytes:
        """At most so many bytes; raises as the socket does when there are none now."""
        if self._place == len(self._arrived):
            if self._broken:
                raise ConnectionError("the connection broke while writing")
            self._arrived, self._place = self._plain.recv(READ_BYTES), 0
        data = self._arrived[self._place : self._place + size]
        self._place += len(data)
        return data

    def send(self, data: bytes | bytearray) -> int:
        """Take all of it, to be sent with the next `flush`."""
        self._unsent += data
        return len(data)

    def flush(self) -> None:
        """Send what can be sent now. A broken connection shows itself at the next `recv`."""
        try:
            while self._unsent:
                sent = self._plain.send(self._unsent)
                del self._unsent[:sent]
        except _LATER:
            return
        except OSError:
            self._broken = True
            self._unsent.clear()

    @property
    def unsent(self) -> bool:
        """Whether something waits until the socket can be written to."""
        return bool(self._unsent)

    def pending(self) -> int:
        """How many bytes can be read without the kernel; 1 when the next `recv` raises that the connection broke."""
        in_tls = self._plain.pending() if isinstance(self._plain, ssl.SSLSocket) else 0
        return len(self._arrived) - self._place + in_tls + self._broken

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
