"""The embedded broker: a mosquitto found on PATH, else the `iotcore` package, on loopback without access control.

For the demo and for one machine only. A production broker is Mosquitto with the configuration in deploy/mosquitto,
or a clustered broker.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import psutil

from domain.errors import Unavailable

LOOPBACK: Final = "127.0.0.1"
START_WAIT_S: Final = 30.0
STOP_WAIT_S: Final = 10.0
LARGEST_MESSAGE_BYTES: Final = 16_000_000

_MOSQUITTO = """\
listener {port} {host}
allow_anonymous true
persistence false
max_inflight_messages 1000
max_queued_messages {queued.messages}
max_queued_bytes {queued.bytes}
max_packet_size {largest}
log_dest file {log}
log_type error
log_type warning
"""

_IOTCORE = """\
id = 0

[router]
id = 0
max_connections = 10000
max_outgoing_packet_count = 2000
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "v5"
listen = "{host}:{port}"
next_connection_delay_ms = 0

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = {largest}
max_inflight_count = 1000
dynamic_filters = true
"""


class _Running(Protocol):
    def stop(self) -> None: ...


@dataclass(frozen=True, kw_only=True, slots=True)
class QueueBounds:
    """What a mosquitto keeps for a subscriber that is away or slow; its own default drops beyond 1000 messages."""

    messages: int = 100_000
    bytes: int = 268_435_456


class Broker:
    """One broker on a loopback port that stops with this object."""

    def __init__(
        self, folder: Path, port: int = 0, program: str | None = None, queued: QueueBounds | None = None
    ) -> None:
        """`port` 0 picks a free one. `program` names a mosquitto, or "iotcore"; None looks for one."""
        self.folder = folder.absolute()
        self.port = port
        self.program = program or find_mosquitto() or "iotcore"
        self._queued = queued or QueueBounds()
        self._running: _Running | None = None

    def start(self) -> tuple[str, int]:
        """Start it and return (host, port) once it accepts connections. Raises Unavailable when it does not."""
        self.folder.mkdir(parents=True, exist_ok=True)
        if self.port == 0:
            self.port = free_port()
        if self.program == "iotcore":
            self._running = _start_iotcore(self.folder, self.port)
        else:
            self._running = _Mosquitto(self.program, self.folder, self.port, self._queued)
        return LOOPBACK, self.port

    def stop(self) -> None:
        """Stop it. Harmless when it does not run."""
        if self._running is not None:
            self._running.stop()
            self._running = None

    @property
    def kind(self) -> str:
        """ "mosquitto" or "iotcore"."""
        return "iotcore" if self.program == "iotcore" else "mosquitto"

    @property
    def pid(self) -> int | None:
        """Process id of a running mosquitto."""
        return self._running.pid if isinstance(self._running, _Mosquitto) else None

    @property
    def limits(self) -> str:
        """One sentence for the log on what this broker does not do."""
        if self.kind == "iotcore":
            return (
                "embedded broker iotcore: one ingest process, no access control, forgets everything at its restart; "
                "install mosquitto for more"
            )
        return "embedded mosquitto on loopback without access control: for one machine only"


def find_mosquitto() -> str | None:
    """Path of a mosquitto on this machine. Debian keeps it in /usr/sbin, which is not on every PATH."""
    return shutil.which("mosquitto") or shutil.which(
        "mosquitto", path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"
    )


def free_port() -> int:
    """A loopback port that nothing listens on now."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


class _Mosquitto:
    def __init__(self, program: str, folder: Path, port: int, queued: QueueBounds) -> None:
        self._config = folder / "mosquitto.conf"
        self._pid_file = folder / "mosquitto.pid"
        log = folder / "mosquitto.log"
        self._end_left_over()
        self._config.write_text(
            _MOSQUITTO.format(host=LOOPBACK, port=port, largest=LARGEST_MESSAGE_BYTES, log=log, queued=queued)
            + ("user root\n" if os.geteuid() == 0 else "")
        )
        # A group of its own: a Ctrl-C in the terminal reaches us first, and we stop it when ingest has drained.
        self._process = subprocess.Popen(  # noqa: S603
            [program, "-c", str(self._config)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            process_group=0,
        )
        self._pid_file.write_text(str(self._process.pid))
        wait_for_port(LOOPBACK, port, lambda: self._process.poll() is None, f"mosquitto (see {log})")

    @property
    def pid(self) -> int:
        return self._process.pid

    def stop(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._pid_file.unlink(missing_ok=True)

    def _end_left_over(self) -> None:
        """End a broker that outlived a killed process of ours; the command line proves that it is ours."""
        try:
            process = psutil.Process(int(self._pid_file.read_text()))
            if str(self._config) in process.cmdline():
                process.send_signal(signal.SIGTERM)
                process.wait(STOP_WAIT_S)
        except (OSError, ValueError, psutil.Error):
            return


def _start_iotcore(folder: Path, port: int) -> _Running:
    import iotcore

    config = folder / "rumqttd.toml"
    config.write_text(_IOTCORE.format(host=LOOPBACK, port=port, largest=LARGEST_MESSAGE_BYTES))
    try:
        broker: _Running = iotcore.Broker(config_path=str(config)).start(timeout=START_WAIT_S)
    except (OSError, RuntimeError) as problem:
        raise Unavailable(f"the embedded broker did not start: {problem}") from problem
    return broker


def wait_for_port(host: str, port: int, alive: Callable[[], bool], what: str) -> None:
    """Wait until something accepts connections on (host, port). Raises Unavailable when it will not."""
    give_up = time.monotonic() + START_WAIT_S
    while time.monotonic() < give_up and alive():
        try:
            socket.create_connection((host, port), timeout=1).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise Unavailable(f"{what} does not listen on {host}:{port}")
