"""`boomledger selfcheck` as a user runs it: the whole chain against known truth, in a short form."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from boomledger.cli import main

ROOT = Path(__file__).parents[2]
CASE_CHECKS = 5 * 2 + 6  # lifts and sum of cubes, findings, where the case expects any
pytestmark = pytest.mark.timeout(600)


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "boomledger", "selfcheck", *arguments],
        cwd=ROOT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=560,
        check=False,
    )


def test_the_answers_equal_the_truth() -> None:
    done = run("--json", "--days", "1", "--cranes", "4")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    report = json.loads(done.stdout.strip().splitlines()[-1])
    assert report["failed"] == 0
    assert report["checks"] == len(report["compared"]) == 4 * 5 + 6 + CASE_CHECKS
    assert report["messages"] > 100
    assert {check["what"] for check in report["compared"]} >= {
        "yard-01: samples",
        "field-attachment: lifts (within 3%)",
        "field-spikes: sum of cubes (within 5%)",
        "field-clock-ahead: findings",
        "yard-04: limiter overrides",
        "order by near-limit share",
        "messages with a receipt",
    }


def test_the_broker_without_an_installation_serves_as_well() -> None:
    done = run("--json", "--days", "1", "--cranes", "2", BOOMLEDGER_EMBEDDED_BROKER="iotcore")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    report = json.loads(done.stdout.strip().splitlines()[-1])
    assert (report["broker"], report["failed"]) == ("iotcore", 0)


def test_a_folder_that_is_not_empty_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").write_text("precious")
    monkeypatch.setattr(sys, "argv", ["boomledger", "selfcheck", "--keep", str(tmp_path)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert "not empty" in capsys.readouterr().err
    assert (tmp_path / "mine").read_text() == "precious"
