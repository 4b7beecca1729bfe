"""`boomledger ingest` as a process: its probes, its metrics, its log."""

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from domain.messages import Leaf, topic
from tests.support.ingesting import Receipts, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import message

pytestmark = pytest.mark.mosquitto
Address = tuple[str, int]
SECRETS = ("hunter-two", "hunter-three")


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


@contextmanager
def process(database: str, broker: Address, log: Path) -> Iterator[str]:
    """The process with secrets in its URLs, and the address of its probes; ends with SIGTERM."""
    port = free_port()
    settings = {
        "BOOMLEDGER_DATABASE_URL": make_conninfo(database, password=SECRETS[0]),
        "BOOMLEDGER_BROKER_URL": f"mqtt://ingest:{SECRETS[1]}@{broker[0]}:{broker[1]}",
        "BOOMLEDGER_METRICS_PORT": str(port),
        "BOOMLEDGER_LOG_LEVEL": "debug",
    }
    with log.open("wb") as file:
        running = subprocess.Popen(
            [sys.executable, "-m", "boomledger", "ingest"],
            env={**os.environ, **settings},
            stdout=file,
            stderr=file,
            cwd=log.parent,
        )
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            running.send_signal(signal.SIGTERM)
            assert running.wait(60) == 0, log.read_text()


def answer(url: str) -> tuple[int, str]:
    try:
        found = httpx.get(url, timeout=5)
    except httpx.TransportError:
        return 0, ""
    return found.status_code, found.text


def set_connections(database: str, *, allowed: bool) -> None:
    name = str(conninfo_to_dict(database)["dbname"])
    with psycopg.connect(make_conninfo(database, dbname="template1"), autocommit=True) as conn:
        conn.execute(
            sql.SQL("alter database {} allow_connections {}").format(
                sql.Identifier(name), sql.Literal(allowed)
            )
        )
        if not allowed:
            conn.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", [name])


def test_probes_metrics_and_a_log_without_secrets(database: str, mosquitto: Address, tmp_path: Path) -> None:
    register(database, "crane-a")
    log = tmp_path / "ingest.log"
    with process(database, mosquitto, log) as url, mqtt_client(mosquitto) as client:
        wait_until(lambda: answer(f"{url}/readyz")[0] == 200, "ready")
        assert answer(f"{url}/healthz") == (200, '{"status": "ok", "detail": ""}')
        receipts = Receipts(client)
        sent = [message("crane-a", number) for number in range(30)]
        publish_all(client, [*sent, sent[0], (topic("crane-a", Leaf.SAMPLES), b"{")])
        wait_until(lambda: len(receipts.stored) == 30, "every message stored")
        for line in (
            "boomledger_ingest_received_total 32.0",
            'boomledger_ingest_messages_total{outcome="stored"} 30.0',
            'boomledger_ingest_messages_total{outcome="duplicate"} 1.0',
            'boomledger_ingest_quarantined_total{reason="not_json"} 1.0',
            "boomledger_ingest_samples_total 2700.0",
            "boomledger_ingest_broker_connected 1.0",
            "boomledger_ingest_waiting_bytes 0.0",
        ):
            wait_until(lambda line=line: f"\n{line}\n" in answer(f"{url}/metrics")[1], line)
        metrics = answer(f"{url}/metrics")[1]
        assert "boomledger_ingest_commit_delay_seconds_count 32.0" in metrics
        assert "boomledger_ingest_lag_seconds " in metrics
        set_connections(database, allowed=False)
        publish_all(client, [message("crane-a", 30)])
        wait_until(lambda: answer(f"{url}/readyz")[0] == 503, "not ready without the database")
        assert "the database does not answer" in answer(f"{url}/readyz")[1]
        assert answer(f"{url}/healthz")[0] == 200
        set_connections(database, allowed=True)
        wait_until(lambda: answer(f"{url}/readyz")[0] == 200, "ready again")
        wait_until(lambda: len(receipts.stored) == 31, "stored after that")
    lines = log.read_text().splitlines()
    assert {"ingest started", "ingest stopped"} <= {json.loads(line)["event"] for line in lines}
    for line in lines:
        assert {"event", "level", "timestamp"} <= json.loads(line).keys()
        assert not any(secret in line for secret in SECRETS)
