"""The whole specification against a running server: what it promises is what comes, for right and for wrong input.

schemathesis makes the requests from the description alone: its examples, the bounds of every parameter, and random
input, right and wrong. `BOOMLEDGER_TEST_EXAMPLES` raises the number of random requests for each route.

The whole table of wrong and right values has some 12 000 requests. Half of them are fields of a crane or of a job, each
at every route that takes one, and the model that answers them is the one that the description is made from. So the short
form takes of each route, place and kind of value the first two and then every tenth, and of an account without rights
to most routes only the first; `-m full` takes all, as each role.
"""

import asyncio
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, get_args

import httpx
import psycopg
import pytest
import uvicorn
from fastapi import FastAPI
from schemathesis import Case, GenerationMode, openapi, serializer
from schemathesis.engine import from_schema
from schemathesis.engine.events import NonFatalError, ScenarioFinished
from schemathesis.generation.meta import CoveragePhaseData

from api.app import create_api
from api.settings import ApiSettings
from api.tables import PARQUET
from domain.accounts import RoleName
from store.access import new_secret, secret_sha256

EXAMPLES = int(os.environ.get("BOOMLEDGER_TEST_EXAMPLES", "3"))
serializer.alias(PARQUET, "application/octet-stream")
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


def token(url: str, role: RoleName, number: int = 77777777) -> str:
    """A token that no guessed id revokes."""
    secret = new_secret("token")
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute(
            "insert into api_token (token_id, secret_sha256, account_id, title, role, expires_at)"
            " overriding system value"
            " select %s, %s, account_id, 'test', %s, now() + interval '1 day'"
            " from account where name = 'admin-all'",
            (number, secret_sha256(secret), role),
        )
    return secret


def description(server: Server, url: str) -> dict[str, Any]:
    """The description of the running api, without the route that ends only when its caller says."""
    headers = {"authorization": f"Bearer {token(url, 'viewer', 77777778)}"}
    spec: dict[str, Any] = httpx.get(f"{server.url}/openapi.json", headers=headers, timeout=120).json()
    del spec["paths"][ENDLESS]
    return spec


def every(nth: int, first: int) -> Callable[[Any, Case], bool]:
    """Takes of each route, place and kind of value the first ones, and then every nth."""
    met: Counter[tuple[Any, ...]] = Counter()

    def taken(_context: Any, case: Case) -> bool:
        what = case.meta and case.meta.phase.data
        if not isinstance(what, CoveragePhaseData):
            return True
        key = (case.operation.label, what.parameter_location, what.scenario)
        met[key] += 1
        return met[key] <= first or met[key] % nth == 0

    return taken


@pytest.mark.timeout(1500)  # thousands of requests; on a busy machine they take their time
@pytest.mark.parametrize(
    ("role", "nth", "first"),
    [
        ("admin", 10, 2),
        *(pytest.param(role, 1, 1, marks=pytest.mark.full) for role in (None, *get_args(RoleName))),
    ],
)
def test_the_api_does_what_its_description_says(
    server: Server,
    fresh_yard_url: str,
    capsys: pytest.CaptureFixture[str],
    role: RoleName | None,
    nth: int,
    first: int,
) -> None:
    failures, requests, routes, paths = asked_as(server, fresh_yard_url, role, nth, first)
    counts = ", ".join(f"{count} {phase}" for phase, count in requests.items())
    with capsys.disabled():
        print(
            f"\nschemathesis as {role or 'nobody'}: {len(routes)} routes, requests: {counts}; {len(failures)} kinds of failure"
        )
    assert not failures, "\n".join(f"{len(each)} x {kind}: {each[0]}" for kind, each in failures.items())
    assert {route.split(" ", 1)[1] for route in routes} == paths


def asked_as(
    server: Server, url: str, role: RoleName | None, nth: int, first: int
) -> tuple[dict[str, list[str]], Counter[str], set[str], set[str]]:
    """Failures by kind, requests by phase, routes met, and the paths that are described."""
    schema = openapi.from_dict(description(server, url))
    schema.hook("filter_case")(every(nth, first))
    schema.config.update(
        base_url=server.url,
        headers={"Authorization": f"Bearer {token(url, role)}"} if role else {},
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
    # Rules between fields (from before to, sectors that agree) do not fit into a schema: 422 may answer them.
    # 303: a sign-on leads the browser on.
    schema.config.checks.positive_data_acceptance.expected_statuses = [
        "2xx",
        "303",
        "401",
        "403",
        "404",
        "409",
        "412",
        "422",
        "429",
    ]
    # 413: a body made longer than any may be is refused before it is read.
    schema.config.checks.negative_data_rejection.expected_statuses = [
        "303",
        "400",
        "401",
        "403",
        "404",
        "405",
        "406",
        "409",
        "412",
        "413",
        "415",
        "422",
        "429",
    ]
    failures: dict[str, list[str]] = {}
    routes: set[str] = set()
    requests: Counter[str] = Counter()
    for event in from_schema(schema).execute():
        if isinstance(event, NonFatalError):
            failures.setdefault("error", []).append(str(event.info))
        if isinstance(event, ScenarioFinished):
            routes.add(event.label or "")
            requests[event.phase.name.lower()] += len(event.recorder.interactions)
            for check in (check for checks in event.recorder.checks.values() for check in checks):
                if check.failure_info is not None:
                    failure = check.failure_info.failure
                    failures.setdefault(f"{event.label}: {failure.title}", []).append(
                        f"{failure.message[:300]} | {check.failure_info.code_sample[:600]}"
                    )
    return failures, requests, routes, set(schema.raw_schema["paths"])
