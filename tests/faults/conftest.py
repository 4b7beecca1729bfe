"""A whole installation of real processes that tests may kill: PostgreSQL, Mosquitto, ingest, senders with outboxes."""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psycopg
import pytest

from boomledger.broker import Broker, QueueBounds, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from store import segments
from store.migrate import migrate
from tests.support.ingesting import register, wait_until
from tests.support.telemetry import CHANNELS, MESSAGES_PER_BOOT, START, boot_of, is_event, readings, t0_of

ROOT = Path(__file__).parents[2]
FINISH_S = 240.0


class Installation:
    """Processes by name: "postgres", "broker", "ingest", and a sender for each crane."""

    def __init__(self, folder: Path, queued: QueueBounds | None = None) -> None:
        self.folder = folder
        self.postgres = EmbeddedPostgres(folder / "postgres")
        self.database = self.postgres.start()
        migrate(self.database)
        program = find_mosquitto()
        assert program is not None
        self.broker = Broker(folder / "broker", program=program, queued=queued)
        host, port = self.broker.start()
        self.address = host, port
        self.broker_url = f"mqtt://{host}:{port}"
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self._starts: dict[str, list[str]] = {}
        self.start("ingest", "tests.support.ingest_process", self.broker_url, self.database)

    def start(self, name: str, module: str, *arguments: str) -> None:
        """Start a Python process of ours, or start it again after it was killed."""
        self._starts[name] = [sys.executable, "-m", module, *arguments]
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(self._starts[name], cwd=ROOT, stdout=log, stderr=log)

    def send(self, crane: str, total: int, per_second: float) -> None:
        """A crane begins to send, with an outbox on disk."""
        arguments = (self.broker_url, crane, str(self.folder), str(total), str(per_second))
        self.start(crane, "tests.support.sender_process", *arguments)

    def kill(self, name: str) -> None:
        """SIGKILL, as by the kernel or a fool, and start again."""
        if name == "postgres":
            assert self.postgres.pid is not None
            os.kill(self.postgres.pid, signal.SIGKILL)
            wait_until(lambda: not self.postgres.running(), "PostgreSQL is gone")
            self.postgres.start()
        elif name == "broker":
            assert self.broker.pid is not None
            os.kill(self.broker.pid, signal.SIGKILL)
            self.broker.stop()
            self.broker.start()
        else:
            process = self.processes[name]
            process.kill()
            process.wait()
            self.start(name, *self._starts[name][2:])

    def finish(self, *cranes: str) -> None:
        """Wait until the senders have ended: each ends when everything is produced and its outbox is empty."""
        for crane in cranes:
            assert self.processes[crane].wait(FINISH_S) == 0, (self.folder / f"{crane}.log").read_text()[
                -2000:
            ]

    def stop(self) -> None:
        for process in self.processes.values():
            process.terminate()
        for process in self.processes.values():
            process.wait(60)
        self.broker.stop()
        self.postgres.stop()

    def check_equal(self, crane: str, crane_id: int, total: int) -> None:
        """What is stored equals what the sender produced, message by message, each once, and nothing besides."""
        key = [(boot_of(crane, number), number % MESSAGES_PER_BOOT) for number in range(total)]
        with psycopg.connect(self.database) as conn:
            found = segments.read(conn, crane_id, START, segments.from_ms(2**42), CHANNELS)
            events = conn.execute(
                "select boot, seq, at, code from event where crane_id = %s order by at", [crane_id]
            ).fetchall()
        sampled = [number for number in range(total) if not is_event(number)]
        assert list(zip(found.boot.tolist(), found.seq.tolist(), strict=True)) == [
            key[number] for number in sampled
        ]
        assert found.t0_ms.tolist() == [segments.to_ms(t0_of(number)) for number in sampled]
        sent = np.stack([readings(crane, number, 100) for number in sampled])
        for row, channel in enumerate(CHANNELS):
            np.testing.assert_array_equal(found.channels[channel].reshape(-1, 100), sent[:, row])
        assert events == [
            (*key[number], t0_of(number), f"E{number % 7}") for number in range(total) if is_event(number)
        ]

    def quarantined(self) -> int:
        with psycopg.connect(self.database) as conn:
            row = conn.execute("select count(*) from quarantine").fetchone()
        assert row is not None
        return int(row[0])


@pytest.fixture(scope="module")
def installation() -> Iterator[Installation]:
    """One installation for the tests of a module."""
    if find_mosquitto() is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="boomledger-faults-") as folder:
        Path(folder).chmod(0o755)
        running = Installation(Path(folder))
        yield running
        running.stop()


@pytest.fixture
def cranes(installation: Installation, request: pytest.FixtureRequest) -> dict[str, int]:
    """Three cranes of this test's own, registered, by name."""
    stem = request.node.name.lower().translate(str.maketrans("_[]", "---")).strip("-")[-40:].strip("-")
    return register(installation.database, *(f"{stem}-{number}" for number in range(3)))
