"""The probes of `boomledger analyse --follow`, in a process of its own, with a database that is there and one that is not."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.integration.analytics.crane_at_work import put_crane, working
from tests.integration.analytics.test_near_limit import START


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


@contextmanager
def analysing(database: str, folder: Path) -> Iterator[str]:
    """The process, and the address of its probes."""
    port = free_port()
    settings = {"BOOMLEDGER_DATABASE_URL": database, "BOOMLEDGER_METRICS_PORT": str(port)}
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "boomledger", "analyse", "--follow"],
            env={**os.environ, **settings},
            stderr=log,
            stdout=log,
            cwd=folder,
        )
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0, (folder / "log").read_text()


def wait_for(condition: Callable[[], bool]) -> None:
    give_up = time.monotonic() + 90
    while not condition():
        assert time.monotonic() < give_up
        time.sleep(0.1)


def answer(url: str) -> httpx.Response | None:
    try:
        return httpx.get(url, timeout=5)
    except httpx.TransportError:
        return None


def test_probes_and_queue_of_a_counting_process(database: str, tmp_path: Path) -> None:
    yard = put_crane(database)
    yard.store(yard.messages(START, working(0.2)))
    with analysing(database, tmp_path) as url:
        wait_for(lambda: (found := answer(f"{url}/readyz")) is not None and found.status_code == 200)
        alive = answer(f"{url}/healthz")
        assert alive is not None
        assert alive.json() == {"status": "ok", "detail": ""}
        wait_for(lambda: "boomledger_analytics_days_counted_total 1.0" in httpx.get(f"{url}/metrics").text)
        wait_for(lambda: "boomledger_analytics_waiting_crane_days 0.0" in httpx.get(f"{url}/metrics").text)
        assert "boomledger_analytics_lag_seconds 0.0" in httpx.get(f"{url}/metrics").text


def test_without_its_database_it_is_alive_and_not_ready(tmp_path: Path) -> None:
    with analysing(f"postgresql://postgres@127.0.0.1:{free_port()}/nothing", tmp_path) as url:
        wait_for(
            lambda: (
                (found := answer(f"{url}/readyz")) is not None and "does not answer" in found.json()["detail"]
            )
        )
        ready, alive = answer(f"{url}/readyz"), answer(f"{url}/healthz")
        assert ready is not None
        assert alive is not None
        assert (ready.status_code, alive.status_code) == (503, 200)
