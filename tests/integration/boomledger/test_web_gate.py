"""`boomledger serve` without open access: nothing but log-in and health without an account."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import httpx
import psycopg
import pytest

from store.access import create_user

PASSWORD = "plenty of unrelated words"


@pytest.fixture
def served(database: str) -> Iterator[str]:
    with psycopg.connect(database) as conn:
        create_user(conn, "somebody", PASSWORD, "viewer")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        process = subprocess.Popen(
            [sys.executable, "-m", "boomledger", "serve", "--fd", str(listener.fileno())],
            env={**os.environ, "BOOMLEDGER_DATABASE_URL": database, "BOOMLEDGER_OPEN_ACCESS": "false"},
            pass_fds=(listener.fileno(),),
        )
    url = f"http://127.0.0.1:{port}"
    give_up = time.monotonic() + 200
    try:
        while True:
            assert process.poll() is None
            assert time.monotonic() < give_up
            try:
                if httpx.get(f"{url}/api/v1/readyz", timeout=10).status_code == httpx.codes.OK:
                    break
            except httpx.TimeoutException:
                continue
        yield url
    finally:
        process.terminate()
        assert process.wait(60) in (0, -signal.SIGTERM)


def test_pages_assets_and_data_wait_for_a_log_in(served: str) -> None:
    page = {"accept": "text/html"}
    with httpx.Client(base_url=served, timeout=60) as client:
        sent_away = client.get("/cranes/yard-01?tab=duty", headers=page)
        assert sent_away.status_code == 303
        assert sent_away.headers["location"].startswith("/login?next=")
        for path in (
            "/_dash-layout",
            "/_dash-dependencies",
            "/assets/boomledger.css",
            "/api/v1/fleet",
            "/api/v1/docs",
        ):
            assert client.get(path).status_code == 401, path
        assert client.get("/login").status_code == 200
        wrong = client.post("/api/v1/login", json={"account": "somebody", "password": "not this one at all"})
        assert wrong.status_code == 401
        right = client.post("/api/v1/login", json={"account": "somebody", "password": PASSWORD})
        assert right.is_success, right.text
        start = client.get("/", headers=page)
        assert start.status_code == 200
        policy = dict(part.split(" ", 1) for part in start.headers["content-security-policy"].split("; "))
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in policy["script-src"]
        assert client.get("/_dash-layout").status_code == 200
        assert client.get("/api/v1/fleet").status_code == 200
