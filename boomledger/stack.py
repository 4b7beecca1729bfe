"""The single-machine stack: database, broker and the processes of Boomledger, started and stopped together.

A configured database or broker URL replaces the embedded one. Child processes are the same commands that a
production installation runs as services; their output goes to DATA_DIR/logs.
"""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import httpx

import duty
from boomledger.broker import LOOPBACK, Broker, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from boomledger.settings import Settings
from domain.errors import Unavailable
from store.migrate import migrate

STOP_GRACE_S = 20.0


class Child:
    """One process of the stack and the file its output goes to."""

    def __init__(self, name: str, process: subprocess.Popen[bytes], log: Path) -> None:
        self.name, self.process, self.log = name, process, log

    def check(self) -> None:
        """Raise `Unavailable` with the last lines of its log when the process has ended by itself."""
        if self.process.poll() is not None:
            raise Unavailable(
                f"{self.name} stopped with exit code {self.process.returncode}; the end of {self.log}:\n"
                + tail(self.log)
            )

    def stop(self) -> None:
        """Ask it to finish, wait, and end it by force only after a grace time."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(STOP_GRACE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def _listener(port: int) -> socket.socket:
    try:
        return socket.create_server((LOOPBACK, port))
    except OSError:
        return socket.create_server((LOOPBACK, 0))


def tail(file: Path, lines: int = 15) -> str:
    """The last lines of a text file."""
    return "\n".join(file.read_text(errors="replace").splitlines()[-lines:])


class Stack:
    """Context manager: on entry database and broker run and the schema is current; on exit all is stopped."""

    def __init__(self, data_dir: Path, settings: Settings) -> None:
        self.data_dir = data_dir.absolute()
        self.settings = settings
        self.database_url = ""
        self.broker_url = ""
        self.broker_kind = "configured"
        self.children: list[Child] = []
        self._closing = contextlib.ExitStack()

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as opening:
            (self.data_dir / "logs").mkdir(parents=True, exist_ok=True)
            if self.settings.database_url is None:
                postgres = EmbeddedPostgres(self.data_dir / "postgres")
                self.database_url = postgres.start()
                opening.callback(postgres.stop)
            else:
                self.database_url = self.settings.database_url.get_secret_value()
            migrate(self.database_url)
            # Compiled once here, on the first start of this installation; the processes find it in the cache.
            duty.warm_up()
            if self.settings.broker_url is None:
                broker = Broker(self.data_dir / "broker", program=self._broker_program())
                host, port = broker.start()
                opening.callback(broker.stop)
                self.broker_url, self.broker_kind = f"mqtt://{host}:{port}", broker.kind
            else:
                self.broker_url = self.settings.broker_url.get_secret_value()
            opening.callback(self.stop_children)
            self._closing = opening.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.close()

    def _broker_program(self) -> str | None:
        wanted = self.settings.embedded_broker
        if wanted != "mosquitto":
            return None if wanted == "auto" else wanted
        program = find_mosquitto()
        if program is None:
            raise Unavailable("no mosquitto is installed: install it, or set BOOMLEDGER_EMBEDDED_BROKER=auto")
        return program

    def serve(self, port: int) -> str:
        """Start the web process on a loopback port, or another free one if that is taken; its URL.

        The socket listens before the process runs and is handed down, so that nobody can take the port in between.
        """
        with _listener(port) as listener:
            address: tuple[str, int] = listener.getsockname()
            self.spawn(
                "serve",
                ["serve", "--fd", str(listener.fileno())],
                pass_fds=(listener.fileno(),),
                BOOMLEDGER_HOST=address[0],
                BOOMLEDGER_OPEN_ACCESS="true",
            )
        url = f"http://{address[0]}:{address[1]}"
        self.wait_for(f"{url}/api/v1/readyz")
        return url

    def spawn(
        self, name: str, arguments: Sequence[str], *, pass_fds: Sequence[int] = (), **environment: str
    ) -> Child:
        """Start `boomledger ARGUMENTS...` with this stack's database and broker."""
        log = self.data_dir / "logs" / f"{name}.log"
        with log.open("ab") as output:
            process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "boomledger", *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                env=self.environment(**environment),
                # Ctrl-C reaches the whole terminal group: only this process answers it, children get SIGTERM in order.
                start_new_session=True,
                pass_fds=pass_fds,
            )
        child = Child(name, process, log)
        self.children.append(child)
        return child

    def environment(self, **more: str) -> dict[str, str]:
        """The environment of a child process."""
        return {
            **os.environ,
            "BOOMLEDGER_DATABASE_URL": self.database_url,
            "BOOMLEDGER_BROKER_URL": self.broker_url,
            "BOOMLEDGER_DATA_DIR": str(self.data_dir),
            **more,
        }

    def stop_children(self) -> None:
        """Stop the processes, last started first."""
        while self.children:
            self.children.pop().stop()

    def check(self) -> None:
        """Raise `Unavailable` when a process of the stack has ended by itself."""
        for child in self.children:
            child.check()

    def wait_for(self, url: str, *, timeout_s: float = 90.0) -> None:
        """Wait until the url answers 200; raises `Unavailable` when it does not in time."""
        for _ in ticks(timeout_s, 0.2):
            self.check()
            with contextlib.suppress(httpx.HTTPError):
                if httpx.get(url, timeout=5.0).status_code == httpx.codes.OK:
                    return
        raise Unavailable(f"{url} did not answer within {timeout_s:.0f} s; see {self.data_dir / 'logs'}")


def ticks(timeout_s: float, step_s: float) -> Iterator[float]:
    """Yield the seconds passed, every `step_s`, until `timeout_s`."""
    start = time.monotonic()
    while (passed := time.monotonic() - start) < timeout_s:
        yield passed
        time.sleep(step_s)
