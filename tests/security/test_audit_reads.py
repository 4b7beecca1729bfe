"""Who read personal data is in the audit: every route that tells of people says so, and no read goes unnoticed."""

import asyncio
from collections.abc import Iterator
from typing import Any, get_args

import psycopg
import pytest
from fastapi import FastAPI
from pydantic import BaseModel

from api.app import create_api, every_route, running
from api.permissions import PERSONAL
from api.reads import WINDOW_S
from api.settings import ApiSettings
from api.stages import NOT_WRITES
from dashboard.app import _OnBehalf
from dashboard.client import Client
from domain.accounts import NOT_PERSONAL_BY, PERSONAL_FIELDS
from tests.api.conftest import PASSWORD, client_of
from tests.security.conftest import TokenOf

WITHOUT_MODEL = {
    "/metrics",
    "/openapi.json",
    "/reset",
    "/docs",
    "/sign-on",
    "/sign-on/return",
    "/cranes/{name}/charts.csv",
}
"""Answers without a model that tell of nobody."""
EXPORTS = {"/fleet/report", "/dispatch/lift-sheet"}
"""Files, which are in the audit each time."""
OF_WHO_ASKS = {"/me", "/login"}


def fields(model: Any, seen: set[Any]) -> Iterator[tuple[str, str]]:
    """(model, field) of everything inside an answer."""
    if isinstance(model, type) and issubclass(model, BaseModel) and model not in seen:
        seen.add(model)
        for name, field in model.model_fields.items():
            yield model.__name__, name
            yield from fields(field.annotation, seen)
    for part in get_args(model):
        yield from fields(part, seen)


def personal(model: Any) -> set[str]:
    """Fields of an answer that tell of people."""
    found = set(fields(model, set()))
    return {f"{of}.{name}" for of, name in found if {name, f"{of}.{name}"} & PERSONAL_FIELDS}


def test_a_route_that_tells_of_people_says_so() -> None:
    wrong = []
    for route in every_route():
        if not (route.methods & {"GET"} or route.path in NOT_WRITES) or route.path in OF_WHO_ASKS:
            continue  # a write is in the audit anyway
        declared = PERSONAL in route.dependencies
        told = personal(route.response_model)
        if route.response_model is None:
            right = declared or route.path in WITHOUT_MODEL | EXPORTS
        else:
            right = declared == bool(told)
        if not right:
            wrong.append((route.path, declared, told))
    assert wrong == []


def test_a_new_name_of_who_did_something_is_judged() -> None:
    names = {name for route in every_route() for _, name in fields(route.response_model, set())}
    assert {name for name in names if name.endswith("_by")} <= PERSONAL_FIELDS | NOT_PERSONAL_BY


def lines(url: str, action: str = "read %") -> list[tuple[Any, ...]]:
    with psycopg.connect(url) as conn:
        return conn.execute(
            "select account_name, via, action, target, detail, address from audit where action like %s order by audit_id",
            [action],
        ).fetchall()


def bearer(token_of: TokenOf, account: str = "viewer-all") -> dict[str, str]:
    return {"authorization": f"Bearer {token_of(account)}"}


@pytest.mark.anyio
async def test_the_first_read_is_written_before_the_answer_and_the_next_are_counted(
    fresh_yard_url: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    now = [0.0]
    fresh_api.state.reads._clock = lambda: now[0]
    headers = bearer(token_of)
    path = "/cranes/heron-3/samples?from=2026-03-02T08:00:00Z&to=2026-03-02T08:01:00Z"
    async with client_of(fresh_api, "192.0.2.7", headers=headers) as http:
        assert (await http.get(path)).status_code == 200
        first = (
            "viewer-all",
            "token",
            "read /cranes/{name}/samples",
            "/cranes/heron-3/samples",
            {},
            "192.0.2.7",
        )
        assert lines(fresh_yard_url) == [first]
        await asyncio.gather(*[http.get(path) for _ in range(5)])
        assert (await http.get("/cranes/heron-3")).status_code == 200  # tells of nobody
        assert (await http.get("/cranes/none/samples")).status_code in (404, 422)  # nothing was read
        assert lines(fresh_yard_url) == [first]
        now[0] = WINDOW_S
        assert (await http.get(path)).status_code == 200
        _, counted, again = lines(fresh_yard_url)
        assert counted[:4] == first[:4]
        assert counted[4]["times"] == 5
        assert again == first


@pytest.mark.anyio
async def test_lists_name_whose_they_are_of(
    fresh_yard_url: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    async with client_of(fresh_api, headers=bearer(token_of, "admin-all")) as http:
        for path in (
            "/days?crane=heron-3&day_from=2026-03-02&day_to=2026-03-03",
            "/sessions?everyone=true",
            "/users",
            "/audit",
        ):
            assert (await http.get(path)).status_code == 200, path
        read = (await http.get("/audit")).json()["items"]
        assert not [
            row
            for row in (await http.get("/audit?reads=false")).json()["items"]
            if row["action"].startswith("read ")
        ]
    targets = [line[3] for line in lines(fresh_yard_url)]
    assert targets == ["/days?crane=heron-3", "/sessions?everyone=true", "/users", "/audit"]
    assert {row["target"] for row in read} >= set(targets)


@pytest.mark.anyio
async def test_what_a_page_reads_has_the_address_of_its_browser(
    fresh_yard_url: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    async with Client(app=fresh_api, token=token_of("viewer-all")) as client:

        async def page(scope: Any, receive: Any, send: Any) -> None:
            await client.alerts()

        await _OnBehalf(page)({"type": "http", "client": ("192.0.2.8", 1), "headers": []}, None, None)  # type: ignore[arg-type]
    assert [(line[2], line[5]) for line in lines(fresh_yard_url)] == [("read /alerts", "192.0.2.8")]


@pytest.mark.anyio
async def test_what_was_counted_is_written_when_the_process_stops(
    fresh_yard_url: str, token_of: TokenOf
) -> None:
    app = create_api(fresh_yard_url, ApiSettings(secure_cookie=False, pool_size=4))
    headers = bearer(token_of)
    async with running(app), client_of(app, headers=headers) as http:
        for _ in range(4):
            assert (await http.get("/alerts")).status_code == 200
    assert [line[4].get("times") for line in lines(fresh_yard_url)] == [None, 3]


@pytest.mark.anyio
async def test_a_stream_is_a_read_before_its_first_value(
    fresh_yard_url: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    async with client_of(fresh_api, headers=bearer(token_of)) as http:
        await http.get("/live/stream?seconds=0.2")
    assert [line[2] for line in lines(fresh_yard_url)] == ["read /live/stream"]


@pytest.mark.anyio
async def test_an_export_is_written_each_time(
    fresh_yard_url: str, fresh_api: FastAPI, token_of: TokenOf
) -> None:
    async with client_of(fresh_api, headers=bearer(token_of) | {"accept": "text/csv"}) as http:
        for _ in range(2):
            answer = await http.get("/days?crane=heron-3&day_from=2026-03-02&day_to=2026-03-03")
            assert answer.headers["content-type"].startswith("text/csv")
    assert lines(fresh_yard_url) == []
    assert [line[3] for line in lines(fresh_yard_url, "GET %")] == ["/days", "/days"]


@pytest.mark.anyio
async def test_reads_of_a_database_that_takes_no_writes_are_written_later(
    fresh_yard_url: str, token_of: TokenOf
) -> None:
    headers = bearer(token_of)
    with psycopg.connect(fresh_yard_url, autocommit=True) as owner:
        change = f'alter database "{owner.info.dbname}" set default_transaction_read_only = '
        owner.execute(change + "on")
        app = create_api(fresh_yard_url, ApiSettings(secure_cookie=False, pool_size=4))
        async with running(app), client_of(app, headers=headers) as http:
            for _ in range(2):
                assert (await http.get("/alerts")).status_code == 200
            assert (await http.get("/alerts", headers={"accept": "text/csv"})).status_code == 503
            await app.state.reads.write_counts(everything=True)
            assert lines(fresh_yard_url) == []
            owner.execute(change + "off")
            await app.state.pool.drain()
    assert [line[4]["times"] for line in lines(fresh_yard_url)] == [2]


@pytest.mark.anyio
async def test_a_refused_log_in_keeps_no_password_typed_as_a_name(
    fresh_yard_url: str, fresh_api: FastAPI
) -> None:
    async with client_of(fresh_api) as http:
        for name in (PASSWORD, "viewer-all"):
            assert (
                await http.post("/login", json={"account": name, "password": "wrong password"})
            ).status_code == 401
    assert [line[0] for line in lines(fresh_yard_url, "refused log-in")] == ["unknown account", "viewer-all"]


@pytest.mark.anyio
async def test_a_long_query_hides_no_crane(
    fresh_api: FastAPI, fresh_yard_url: str, token_of: TokenOf
) -> None:
    asked = "/reservations?from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z"
    many = "&".join(f"crane=no-{number}-{'x' * 40}" for number in range(15))
    async with client_of(fresh_api, headers=bearer(token_of, "admin-all")) as http:
        for of in (f"{many}&crane=heron-3", f"{many}&crane=crake-1", f"crane=no-0&{many}&crane=crake-1"):
            answer = await http.get(f"{asked}&{of}")
            assert answer.status_code == 200, answer.text
    targets = [line[3] for line in lines(fresh_yard_url)]
    cranes = [target.partition("&")[0].removeprefix("/reservations?crane=") for target in targets]
    assert cranes == ["heron-3", "crake-1", "crake-1"]
    assert max(map(len, targets)) < 600
