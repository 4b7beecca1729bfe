"""A whole installation of real processes that tests may kill: PostgreSQL, Mosquitto, ingest, senders with outboxes."""

import contextlib
import os
import secrets
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from analytics.worker import run as analytics
from boomledger.broker import Broker, QueueBounds, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from store import segments
from store.migrate import migrate
from tests.support.ingesting import Receipts, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import (
    CHANNELS,
    MESSAGES_PER_BOOT,
    START,
    boot_of,
    is_event,
    message,
    readings,
    t0_of,
)

ROOT = Path(__file__).parents[2]
FINISH_S = 240.0


class Installation:
    """Processes by name: "postgres", "broker", "ingest", and a sender for each crane."""

    def __init__(self, folder: Path, queued: QueueBounds | None = None, workers: int = 0) -> None:
        """`workers`: so many ingest processes on one shared subscription, "ingest-0" and so on; else one by itself."""
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
        ingest = ("tests.support.ingest_process", self.broker_url, self.database)
        for number in range(workers):
            self.start(f"ingest-{number}", *ingest, "workers")
        if not workers:
            self.start("ingest", *ingest)

    def start(self, name: str, module: str, *arguments: str, host: str = "") -> None:
        """Start a Python process of ours, or start it again after it was killed. host: the network namespace it lives in."""
        within = ("ip", "netns", "exec", host) if host else ()
        self._starts[name] = [*within, sys.executable, "-m", module, *arguments]
        with (self.folder / f"{name}.log").open("ab") as log:
            self.processes[name] = subprocess.Popen(self._starts[name], cwd=ROOT, stdout=log, stderr=log)

    def send(self, crane: str, total: int, per_second: float) -> None:
        """A crane begins to send, with an outbox on disk."""
        arguments = (self.broker_url, crane, str(self.folder), str(total), str(per_second))
        self.start(crane, "tests.support.sender_process", *arguments)

    def wait_for_ingest(self) -> None:
        """Wait until messages are stored, for senders without an outbox: a probe is sent until it has a receipt."""
        register(self.database, "probe")
        with mqtt_client(self.address) as client:
            receipts = Receipts(client)

            def receipted() -> bool:
                publish_all(client, [message("probe", 0)])
                return bool(receipts.stored)

            wait_until(receipted, "ingest gives a receipt")

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

    def check_ledgers(self, total: int, *cranes: str) -> None:
        """What is counted of cranes equals what is counted of the same messages stored in peace, bit by bit."""
        name = f"peace_{secrets.token_hex(4)}"
        with psycopg.connect(self.database, autocommit=True) as conn:
            conn.execute(sql.SQL("create database {}").format(sql.Identifier(name)))
        peaceful = make_conninfo(self.database, dbname=name)
        migrate(peaceful)
        register(peaceful, *cranes)
        writer = Writer(peaceful, Limits(), alone=False)
        now = datetime.now(UTC)
        for crane in cranes:
            results = writer.store([Incoming(*message(crane, number), now) for number in range(total)])
            assert {result.outcome for result in results} == {Outcome.STORED}
        writer.close()
        for database in (self.database, peaceful):
            analytics(database, threading.Event(), once=True)
        for crane in cranes:
            assert counted(self.database, crane) == counted(peaceful, crane)

    def quarantined(self) -> int:
        with psycopg.connect(self.database) as conn:
            row = conn.execute("select count(*) from quarantine").fetchone()
        assert row is not None
        return int(row[0])


def counted(database: str, crane: str) -> list[list[tuple[object, ...]]]:
    """Everything that is counted of a crane."""
    with psycopg.connect(database) as conn:
        found = [
            conn.execute(
                sql.SQL(
                    "select to_jsonb(t) - 'crane_id' from {} t join crane using (crane_id) where name = %s order by 1"
                ).format(sql.Identifier(table)),
                [crane],
            ).fetchall()
            for table in ("span_ledger", "day_figure", "lift")
        ]
    assert found[0], "nothing was counted"
    return found


@contextlib.contextmanager
def installed(**options: Any) -> Iterator[Installation]:
    """A running installation, stopped at the end."""
    if find_mosquitto() is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="boomledger-faults-") as folder:
        Path(folder).chmod(0o755)
        running = Installation(Path(folder), **options)
        try:
            yield running
        finally:
            running.stop()


@pytest.fixture(scope="module")
def installation() -> Iterator[Installation]:
    """One installation for the tests of a module."""
    with installed() as running:
        yield running


@pytest.fixture
def cranes(installation: Installation, request: pytest.FixtureRequest) -> dict[str, int]:
    """Three cranes of this test's own, registered, by name."""
    stem = request.node.name.lower().translate(str.maketrans("_[]", "---")).strip("-")[-40:].strip("-")
    return register(installation.database, *(f"{stem}-{number}" for number in range(3)))
