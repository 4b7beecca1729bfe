"""`boomledger demo` as a newcomer runs it: live data, one start at a time, a clean stop, and the data kept."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import psutil
import pytest

ROOT = Path(__file__).parents[2]
WAIT_S = 240.0
pytestmark = pytest.mark.timeout(900)


class Demo:
    started = 0

    def __init__(self, data_dir: Path) -> None:
        Demo.started += 1
        self.output = data_dir.with_suffix(f".{Demo.started}.out")
        with self.output.open("wb") as output:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "boomledger",
                    "demo",
                    "--data-dir",
                    str(data_dir),
                    "--history-days",
                    "2",
                ],
                cwd=ROOT,
                env={**os.environ, "BOOMLEDGER_PORT": "0", "COLUMNS": "200"},
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def text(self) -> str:
        return self.output.read_text()

    def url(self) -> str:
        found = wait(lambda: re.search(r"(http://127\.0\.0\.1:\d+)\s", self.text()), self)
        return found[1]

    def stop(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        return self.process.wait(60)


def wait(condition: Callable[[], object], demo: Demo) -> re.Match[str]:
    give_up = time.monotonic() + WAIT_S
    while time.monotonic() < give_up:
        found = condition()
        if found:
            return found  # type: ignore[return-value]
        assert demo.process.poll() is None, demo.text()
        time.sleep(0.2)
    raise AssertionError(f"nothing after {WAIT_S:.0f} s:\n{demo.text()}")


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    return tmp_path / "data"


def test_demo_from_first_start_to_restart(data_dir: Path) -> None:
    demo = Demo(data_dir)
    try:
        url = demo.url()
        page = httpx.get(url)
        assert page.status_code == httpx.codes.OK
        assert "Boomledger" in page.text
        assert "working days are stored" in demo.text()
        # live: the newest value of some crane is seconds old, and it came over the broker
        wait(lambda: [row for row in fleet(url) if (row["age_s"] or 1e9) < 30], demo)
        wait(lambda: sum(row["lifts"] for row in fleet(url)) > 0, demo)
        lifts = sum(row["lifts"] for row in fleet(url))

        second = Demo(data_dir)
        assert second.process.wait(60) == 1
        assert "another Boomledger process holds" in second.text()

        children = psutil.Process(demo.process.pid).children(recursive=True)
        assert demo.stop() == 0, demo.text()
        psutil.wait_procs(children, timeout=20)
        assert not [child for child in children if child.is_running()]
    finally:
        demo.stop()

    again = Demo(data_dir)
    try:
        rows = fleet(again.url())
        assert sum(row["lifts"] for row in rows) >= lifts
        assert "are stored" not in again.text()
    finally:
        assert again.stop() == 0, again.text()


def fleet(url: str) -> list[dict]:
    answer = httpx.get(f"{url}/api/v1/fleet", params={"days": 5}, timeout=30)
    answer.raise_for_status()
    return answer.json()["rows"]
