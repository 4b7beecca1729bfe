"""A database URL with a slip in it: one sentence without the password, and exit code 1."""

import os
import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "url",
    ["hunter2 at db", "postgresql://ida:hunter2@[db/name", "postgresql://ida:hunter2@db/name?colour=red"],
)
def test_a_malformed_url_ends_in_one_sentence(url: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "boomledger", "db", "migrate"],
        env={**os.environ, "BOOMLEDGER_DATABASE_URL": url},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode == 1
    assert "BOOMLEDGER_DATABASE_URL is no address of a database" in said
    assert "hunter2" not in said
    assert "Traceback" not in said
