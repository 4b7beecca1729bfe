"""The whole specification against a running server: what it promises is what comes, for right and for wrong input.

schemathesis makes the requests from the description alone: its examples, the bounds of every parameter, and random
input, right and wrong. `BOOMLEDGER_TEST_EXAMPLES` raises the number of random requests for each route.
"""

import asyncio
import os
import threading
from collections import Counter
from collections.abc import Iterator

import psycopg
import pytest
import uvicorn
from fastapi import FastAPI
from schemathesis import GenerationMode, openapi
from schemathesis.engine import Status, from_schema
from schemathesis.engine.events import EngineFinished, NonFatalError, ScenarioFinished

from api.app import create_api
from api.settings import ApiSettings
from store.access import new_secret, secret_sha256

EXAMPLES = int(os.environ.get("BOOMLEDGER_TEST_EXAMPLES", "8"))
DESCRIPTION = "/openapi.json"  # is what is read
ENDLESS = "/live/stream"  # ends when the caller says; tried in test_live.py


class Server(threading.Thread):
    """An app behind a real socket."""

    def __init__(self, app: FastAPI) -> None:
        super().__init__(daemon=True)
        self.server = uvicorn.Server(
            uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error", ws="none", timeout_keep_alive=5)
        )
        self.started = threading.Event()

    def run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        serving = asyncio.create_task(self.server.serve())
        while not self.server.started and not serving.done():  # noqa: ASYNC110 - uvicorn tells in no other way
            await asyncio.sleep(0.01)
        self.started.set()
        await serving

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.servers[0].sockets[0].getsockname()[1]}"

    def stop(self) -> None:
        self.server.should_exit = True
        self.join(30)


@pytest.fixture
def server(fresh_yard_url: str) -> Iterator[Server]:
    app = create_api(
        fresh_yard_url, ApiSettings(secure_cookie=False, pool_size=4, login_tries_address=10_000)
    )
    running = Server(app)
    running.start()
    assert running.started.wait(60)
    yield running
    running.stop()


@pytest.fixture
def admin_token(fresh_yard_url: str) -> str:
    """A token that no guessed id revokes."""
    secret = new_secret("token")
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        conn.execute(
            "insert into api_token (token_id, secret_sha256, account_id, title, role, expires_at)"
            " overriding system value"
            " select 77777777, %s, account_id, 'test', 'admin', now() + interval '1 day'"
            " from account where name = 'admin-all'",
            (secret_sha256(secret),),
        )
    return secret


def test_the_api_does_what_its_description_says(
    server: Server, admin_token: str, capsys: pytest.CaptureFixture[str]
) -> None:
    schema = openapi.from_url(
        f"{server.url}/openapi.json", headers={"authorization": f"Bearer {admin_token}"}
    )
    schema = schema.exclude(path=ENDLESS)
    schema.config.update(
        base_url=server.url,
        headers={"Authorization": f"Bearer {admin_token}"},
        workers=1,
        continue_on_failure=True,
        request_timeout=60,
    )
    schema.config.generation.update(
        max_examples=EXAMPLES,
        deterministic=True,
        modes=[GenerationMode.POSITIVE, GenerationMode.NEGATIVE],
        no_shrink=True,
    )
    schema.config.phases.update(phases=["examples", "coverage", "fuzzing"])
    failures: list[str] = []
    routes: set[str] = set()
    requests: Counter[str] = Counter()
    for event in from_schema(schema).execute():
        if isinstance(event, NonFatalError):
            failures.append(str(event.info))
        if isinstance(event, ScenarioFinished):
            routes.add(event.label or "")
            requests[event.phase.name.lower()] += len(event.recorder.interactions)
            if event.status in (Status.FAILURE, Status.ERROR):
                failures += [
                    f"{event.label}: {check.failure_info.failure.title} {check.failure_info.failure.message}"
                    f" | {check.failure_info.code_sample}"
                    for checks in event.recorder.checks.values()
                    for check in checks
                    if check.failure_info is not None
                ]
        if isinstance(event, EngineFinished):
            with capsys.disabled():
                counts = ", ".join(f"{count} {phase}" for phase, count in requests.items())
                print(f"\nschemathesis: {len(routes)} routes, {counts} requests, {len(failures)} failures")
    described = {path for path in schema.raw_schema["paths"] if path not in (ENDLESS, DESCRIPTION)}
    assert failures == [], "\n".join(failures[:30])
    assert {route.split(" ", 1)[1] for route in routes} == described
