"""Who gets in, and what for: log-in, sessions, tokens, the role of every route, sites, the audit."""

import logging
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest
import structlog
from fastapi import APIRouter, FastAPI
from pydantic import ValidationError

import api.app
from api.app import create_api, least_roles, open_paths, running
from api.gate import Gate, bearer_token, host_refusal, origin_refusal
from api.settings import ApiSettings
from store.access import Role, common_sites, secret_sha256
from tests.support import rows

PASSWORD = "a long enough password"
DAY = {"from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z"}
DISPATCH = {"mass_kg": 500, "rigging_kg": 0, "outreach_m": 5}

pytestmark = pytest.mark.anyio


def client_of(app: Any, address: str = "127.0.0.1", **options: Any) -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=app, client=(address, 40_000))
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", **options)


async def signed_in(app: FastAPI, account: str) -> httpx.AsyncClient:
    client = client_of(app)
    response = await client.post("/login", json={"account": account, "password": PASSWORD})
    assert response.status_code == 200, response.text
    return client


async def test_a_session_opens_and_ends(fresh_api: FastAPI) -> None:
    client = await signed_in(fresh_api, "viewer-north")
    me = (await client.get("/me")).json()
    assert (me["account"], me["role"], me["sites"]) == ("viewer-north", "viewer", ["north-yard"])
    assert (await client.post("/logout")).status_code == 200
    assert (await client.get("/me")).status_code == 401


async def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as client:
        response = await client.post("/login", json={"account": "viewer-all", "password": PASSWORD})
    cookie = response.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "path=/" in cookie


async def test_the_strict_cookie_is_bound_to_the_host(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(pool_size=2))
    async with running(app), client_of(app) as client:
        response = await client.post("/login", json={"account": "viewer-all", "password": PASSWORD})
    cookie = response.headers["set-cookie"]
    assert cookie.startswith("__Host-boomledger=")
    assert "Secure" in cookie
    assert "Domain" not in cookie


async def test_only_hashes_of_secrets_are_kept(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    client = await signed_in(fresh_api, "engineer-all")
    made = (await client.post("/tokens", json={"title": "export", "role": "viewer"})).json()
    with psycopg.connect(fresh_yard_url) as conn:
        kept = rows.one(conn, "api_token", "secret_sha256")
        everything = rows.everything(conn, "api_token")
        hashes = rows.column(conn, "account", "password_hash")
    assert kept == secret_sha256(made["secret"])
    assert kept.hex() in everything
    assert made["secret"] not in everything
    assert hashes
    assert all(one.startswith("$argon2id$") for one in hashes)


async def test_wrong_name_and_wrong_password_look_the_same(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as client:
        wrong = await client.post("/login", json={"account": "viewer-all", "password": "not the password"})
        unknown = await client.post("/login", json={"account": "nobody", "password": "not the password"})
    assert wrong.status_code == unknown.status_code == 401
    assert wrong.json()["detail"] == unknown.json()["detail"]


async def test_too_many_log_ins_are_stopped_even_with_the_right_password(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api, "10.0.0.7") as client:
        tries = [
            (
                await client.post("/login", json={"account": "viewer-all", "password": f"wrong {i}"})
            ).status_code
            for i in range(5)
        ]
        stopped = await client.post("/login", json={"account": "viewer-all", "password": PASSWORD})
    assert tries == [401] * 5
    assert stopped.status_code == 429
    assert int(stopped.headers["retry-after"]) > 0
    async with client_of(fresh_api, "10.0.0.8") as elsewhere:
        good = await elsewhere.post("/login", json={"account": "viewer-all", "password": PASSWORD})
    assert good.status_code == 200, "somebody else's guesses must not lock the owner out"


async def test_who_guesses_locks_nobody_out_who_is_known_at_the_address(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    """A yard shares one address: twenty wrong log-ins there stop strangers, and not who signed in there before."""
    right = {"account": "viewer-all", "password": PASSWORD}
    async with client_of(fresh_api, "10.0.0.9") as client:
        assert (await client.post("/login", json=right)).status_code == 200
        for i in range(21):
            await client.post("/login", json={"account": f"guessed-{i}", "password": "not the password"})
        assert (await client.post("/login", json=right)).status_code == 200, "known here"
        other = {"account": "viewer-north", "password": PASSWORD}
        assert (await client.post("/login", json=other)).status_code == 429, "never seen here"
        with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
            rows.change(conn, "known_address", {"seen_at": datetime.now(UTC) - timedelta(days=31)})
        assert (await client.post("/login", json=right)).status_code == 429, "known too long ago"
        tries = [
            (await client.post("/login", json={**right, "password": "wrong"})).status_code for _ in range(6)
        ]
        assert set(tries) <= {401, 429}


async def test_a_session_ends_by_age_and_by_idleness(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    for column, ago in (("expires_at", timedelta(seconds=1)), ("last_seen_at", timedelta(hours=2))):
        client = await signed_in(fresh_api, "viewer-all")
        assert (await client.get("/me")).status_code == 200
        with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
            rows.change(conn, "session", {column: datetime.now(UTC) - ago})
        assert (await client.get("/me")).status_code == 401


async def test_disabling_an_account_ends_its_sessions_and_tokens(fresh_api: FastAPI) -> None:
    viewer = await signed_in(fresh_api, "engineer-all")
    token = (await viewer.post("/tokens", json={"title": "export"})).json()["secret"]
    admin = await signed_in(fresh_api, "admin-all")
    assert (await admin.patch("/users/engineer-all", json={"disabled": True})).json()["disabled"]
    assert (await viewer.get("/me")).status_code == 401
    bearer = client_of(fresh_api, headers={"authorization": f"Bearer {token}"})
    assert (await bearer.get("/me")).status_code == 401


async def test_the_last_administrator_cannot_be_removed(fresh_api: FastAPI) -> None:
    admin = await signed_in(fresh_api, "admin-all")
    assert (await admin.patch("/users/admin-north", json={"role": "viewer"})).status_code == 200
    for change in ({"role": "viewer"}, {"disabled": True}, {"sites": ["north-yard"]}):
        assert (await admin.patch("/users/admin-all", json=change)).status_code == 409
    assert (await admin.get("/me")).json()["role"] == "admin"


async def test_a_token_has_the_lower_role_and_the_common_sites(fresh_api: FastAPI) -> None:
    client = await signed_in(fresh_api, "engineer-north")
    made = await client.post(
        "/tokens", json={"title": "t", "role": "viewer", "sites": ["north-yard", "south-yard"]}
    )
    assert made.status_code == 201
    bearer = client_of(fresh_api, headers={"authorization": f"Bearer {made.json()['secret']}"})
    me = (await bearer.get("/me")).json()
    assert (me["role"], me["sites"], me["via"]) == ("viewer", ["north-yard"], "token")
    assert (await bearer.get("/quarantine")).status_code == 403
    assert (await bearer.post("/tokens", json={"title": "another"})).status_code == 403
    foreign = await client.post("/tokens", json={"title": "t", "sites": ["south-yard"]})
    assert (foreign.status_code, foreign.json()["errors"][0]["pointer"]) == (422, "#/sites")
    higher = await client.post("/tokens", json={"title": "t", "role": "admin"})
    assert higher.status_code == 422
    assert (await client.delete(f"/tokens/{made.json()['token_id']}")).status_code == 204
    assert (await bearer.get("/me")).status_code == 401


async def test_a_token_expires(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    client = await signed_in(fresh_api, "viewer-all")
    secret = (await client.post("/tokens", json={"title": "t", "days": 1})).json()["secret"]
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        rows.change(conn, "api_token", {"expires_at": datetime.now(UTC)})
    bearer = client_of(fresh_api, headers={"authorization": f"Bearer {secret}"})
    assert (await bearer.get("/me")).status_code == 401


async def test_sessions_can_be_listed_and_ended_but_not_those_of_others(fresh_api: FastAPI) -> None:
    one, other = await signed_in(fresh_api, "viewer-all"), await signed_in(fresh_api, "viewer-north")
    (mine,) = (await one.get("/sessions")).json()["items"]
    assert mine["current"]
    assert (await other.delete(f"/sessions/{mine['session_id']}")).status_code == 404
    assert (await other.get("/sessions", params={"everyone": True})).status_code == 403
    admin = await signed_in(fresh_api, "admin-all")
    assert len((await admin.get("/sessions", params={"everyone": True})).json()["items"]) == 3
    assert (await admin.delete(f"/sessions/{mine['session_id']}")).status_code == 204
    assert (await one.get("/me")).status_code == 401


def test_the_api_does_not_start_with_a_route_that_names_no_role(monkeypatch: pytest.MonkeyPatch) -> None:
    router = APIRouter()

    @router.get("/forgotten")
    async def forgotten() -> None: ...

    monkeypatch.setattr(api.app, "ROUTERS", (*api.app.ROUTERS, router))
    with pytest.raises(ValueError, match="/forgotten names no role"):
        create_api("postgresql://nobody@127.0.0.1:9/none")


def requests_for(method: str, path: str) -> dict[str, Any]:
    """A request that the route understands, so that only the role decides."""
    path = path.replace("{name}", "heron-3").replace("{account}", "viewer-all")
    path = path.replace("{session_id}", "999999").replace("{token_id}", "999999")
    for parameter in (
        "{detail_id}",
        "{plan_id}",
        "{reservation_id}",
        "{version_id}",
        "{rule_id}",
        "{alert_id}",
        "{exclusion_id}",
    ):
        path = path.replace(parameter, "999999")
    path = path.replace("{valid_from}", "1970-01-01")
    query = DAY if path.endswith(("/lifts", "/events", "/samples")) else {}
    if path == "/live/stream":
        query = {"seconds": "0.01"}
    body = {"/dispatch": DISPATCH}.get(path, {}) if method in ("POST", "PUT", "PATCH") else None
    return {"method": method, "url": path, "params": query, "json": body}


async def test_every_route_answers_exactly_the_roles_that_it_names(
    fresh_api: FastAPI, fresh_yard_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    routes = {key: least.role for key, least in least_roles().items() if least.role is not None}
    assert open_paths() == {
        "/healthz",
        "/readyz",
        "/login",
        "/sign-in",
        "/sign-on",
        "/sign-on/return",
        "/reset",
    }
    checked = 0
    nobody = client_of(fresh_api)
    for method, path in sorted(routes):
        response = await nobody.request(**requests_for(method, path))
        assert response.status_code == 401, f"{method} {path} answered nobody with {response.status_code}"
        checked += 1
    for role in Role:
        client = await signed_in(fresh_api, f"{role}-all")
        token = (await client.post("/tokens", json={"title": "t", "role": role})).json()["secret"]
        bearer = client_of(fresh_api, headers={"authorization": f"Bearer {token}"})
        for (method, path), least in sorted(routes.items()):
            if path == "/logout":
                continue
            response = await bearer.request(**requests_for(method, path))
            refused = response.status_code == 403 and "needs the role" in response.json()["detail"]
            assert refused != role.covers(least), f"{role}: {method} {path} gave {response.status_code}"
            assert response.status_code < 500, f"{role}: {method} {path}: {response.text}"
            checked += 1
    with capsys.disabled():
        print(f"\nrole matrix: {checked} combinations of route and role over {len(routes)} routes")


async def test_a_crane_out_of_scope_is_as_one_that_does_not_exist(api: FastAPI, yard_url: str) -> None:
    north = await signed_in(api, "admin-north")
    for route in (r for r in least_roles() if r[0] == "GET" and "{name}" in r[1]):
        request = requests_for(*route)
        request["url"] = route[1].replace("{name}", "crake-1")
        response = await north.request(**request)
        assert response.status_code == 404, f"{route[1]} showed a crane of another site"
    listed = (await north.get("/cranes")).json()["items"]
    assert {row["name"] for row in listed} == {"heron-3", "plover-2"}
    fleet = (await north.get("/fleet", params={"day_from": "2026-03-01", "day_to": "2026-03-31"})).json()
    assert {row["crane"] for row in fleet["rows"]} == {"heron-3", "plover-2"}
    events = (await north.get("/events", params=DAY)).json()["items"]
    assert {row["crane"] for row in events} == {"heron-3", "plover-2"}
    quarantine = (await north.get("/quarantine")).json()["items"]
    assert {row["crane"] for row in quarantine} == {"heron-3"}
    live = (await north.get("/live")).json()["items"]
    assert {row["crane"] for row in live} == {"heron-3", "plover-2"}
    found = (await north.post("/dispatch", json=DISPATCH)).json()["candidates"]
    assert {row["crane"] for row in found} == {"heron-3", "plover-2"}


async def test_an_administrator_of_some_sites_cannot_widen_their_site_scope(fresh_api: FastAPI) -> None:
    north = await signed_in(fresh_api, "admin-north")
    new = {"name": "mole", "password": PASSWORD, "role": "admin"}
    assert (await north.post("/users", json=new)).status_code == 403
    assert (await north.patch("/users/admin-north", json={"sites": None})).status_code == 403
    assert (await north.get("/audit")).status_code == 403
    assert (await north.get("/tokens", params={"everyone": True})).status_code == 403
    made = (await north.post("/tokens", json={"title": "t", "role": "admin", "sites": None})).json()
    assert made["sites"] == ["north-yard"]


async def test_writes_exports_and_log_ins_are_written_down(fresh_api: FastAPI) -> None:
    admin = await signed_in(fresh_api, "admin-all")
    await admin.post("/users", json={"name": "ida", "password": PASSWORD, "role": "viewer"})
    await admin.get("/events", params=DAY, headers={"accept": "text/csv"})
    await admin.get("/events", params=DAY)
    rows = (await admin.get("/audit?reads=false")).json()["items"]
    actions = [(row["account"], row["action"]) for row in rows]
    assert actions[:4] == [
        ("admin-all", "GET /events"),
        ("admin-all", "POST /users"),
        ("admin-all", "add account"),
        ("admin-all", "log-in"),
    ]
    assert PASSWORD not in str(rows)


async def test_a_key_makes_a_write_happen_once(fresh_api: FastAPI) -> None:
    admin = await signed_in(fresh_api, "admin-all")
    body = {"name": "ida", "password": PASSWORD}
    key = {"idempotency-key": "add-ida"}
    first = await admin.post("/users", json=body, headers=key)
    again = await admin.post("/users", json=body, headers=key)
    other = await admin.post("/users", json={**body, "name": "eva"}, headers=key)
    assert (first.status_code, again.status_code, other.status_code) == (201, 201, 422)
    assert again.json() == first.json()
    assert again.headers["idempotent-replay"] == "true"
    assert (await admin.post("/users", json=body)).status_code == 409


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({}, True),
        ({"origin": "http://127.0.0.1"}, True),
        ({"origin": "http://elsewhere.example"}, False),
        ({"origin": "null"}, False),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-origin"}, True),
    ],
)
async def test_writes_from_pages_of_other_sites_are_refused(
    fresh_api: FastAPI, headers: dict[str, str], allowed: bool
) -> None:
    client = await signed_in(fresh_api, "viewer-all")
    response = await client.post("/logout", headers=headers)
    assert response.status_code == (200 if allowed else 403)


def test_a_live_connection_from_another_site_is_refused() -> None:
    headers = {"origin": "http://elsewhere.example", "host": "here.example"}
    assert origin_refusal("GET", headers, websocket=True)
    assert origin_refusal("GET", headers) is None


async def test_open_access_answers_this_machine_only(yard_url: str) -> None:
    app = create_api(yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=2))
    async with running(app):
        assert (await client_of(app).get("/me")).json()["via"] == "open"
        assert (await client_of(app, "10.0.0.9").get("/me")).status_code == 401
        forwarded = await client_of(app).get("/me", headers={"x-forwarded-for": "10.0.0.9"})
        assert forwarded.status_code == 401
        rebound = await client_of(app).get("/me", headers={"host": "attacker.example"})
        assert rebound.status_code == 403


def test_open_access_is_refused_on_any_other_host() -> None:
    with pytest.raises(ValidationError, match="loopback only"):
        ApiSettings(open_access=True, host="0.0.0.0")
    with pytest.raises(ValidationError, match="loopback only"):
        ApiSettings(secure_cookie=False, host="192.168.1.4")


def test_names_that_are_not_ours_are_refused() -> None:
    settings = ApiSettings(allowed_hosts=("cranes.example",))
    assert host_refusal({"host": "cranes.example:443"}, settings) is None
    assert host_refusal({"host": "Cranes.Example"}, settings) is None
    assert host_refusal({"host": "127.0.0.1:8000"}, settings) is None  # probes
    assert host_refusal({"host": "other.example"}, settings)
    assert host_refusal({"host": "cranes.example.other.example"}, settings)
    assert host_refusal({}, settings)


@pytest.mark.parametrize("header", ["", "Basic abc", "Bearer", "Bearer   ", "bearer x"])
def test_only_a_bearer_token_counts(header: str) -> None:
    assert bearer_token({"authorization": header}) == ("x" if header == "bearer x" else None)


@pytest.mark.parametrize(
    ("one", "other", "common"),
    [
        (None, None, None),
        (("a",), None, ("a",)),
        (None, ("a",), ("a",)),
        (("a", "b"), ("b",), ("b",)),
        (("a",), (), ()),
    ],
)
def test_sites_of_both(one: Any, other: Any, common: Any) -> None:
    assert common_sites(one, other) == common


async def test_the_gate_covers_pages_and_live_connections(api: FastAPI) -> None:
    async def page(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"page"})

    gate = Gate(
        page,
        settings=ApiSettings(secure_cookie=False),
        pool=lambda: api.state.pool,
        exempt={"/login"},
        login_page="/login",
    )
    async with client_of(gate) as client:
        turned = await client.get("/fleet?days=7", headers={"accept": "text/html"})
        assert (turned.status_code, turned.headers["location"]) == (303, "/login?next=/fleet%3Fdays%3D7")
        assert (await client.get("/assets/app.js")).status_code == 401
        assert (await client.get("/login")).text == "page"
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "websocket.connect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await gate(
        {"type": "websocket", "path": "/ws", "headers": [(b"host", b"127.0.0.1")], "query_string": b""},
        receive,
        send,
    )
    assert sent == [
        {
            "type": "websocket.close",
            "code": 1008,
            "reason": "sign in, or send a token as `Authorization: Bearer`",
        }
    ]


@pytest.fixture
def log_lines() -> Iterator[list[dict[str, Any]]]:
    with structlog.testing.capture_logs() as lines:
        yield lines


async def test_no_secret_reaches_the_log(
    fresh_api: FastAPI, log_lines: list[dict[str, Any]], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    client = await signed_in(fresh_api, "engineer-all")
    token = (await client.post("/tokens", json={"title": "t"})).json()["secret"]
    bearer = client_of(fresh_api, headers={"authorization": f"Bearer {token}"})
    await bearer.get("/cranes/heron-3", params={"secret": token})
    await client.post("/login", json={"account": "engineer-all", "password": "a wrong password"})
    cookie = next(iter(client.cookies.jar)).value
    everything = str(log_lines) + caplog.text.replace(f"secret={token}", "")
    assert any(line.get("crane") == "heron-3" for line in log_lines)
    for secret in (PASSWORD, token, cookie, "a wrong password"):
        assert secret is not None
        assert secret not in everything


async def test_a_body_that_is_too_large_is_refused(fresh_api: FastAPI) -> None:
    async with client_of(fresh_api) as client:
        stated = await client.post("/login", content=b"x" * 2_000_001)
        assert stated.status_code == 413

        async def endless() -> Any:
            for _ in range(40):
                yield b"x" * 100_000

        assert (await client.post("/login", content=endless())).status_code == 413


async def test_over_a_read_only_database_one_reads_and_is_told_why_nothing_is_written(
    fresh_yard_url: str,
) -> None:
    settings = ApiSettings(secure_cookie=False, pool_size=4)
    async with running(app := create_api(fresh_yard_url, settings)):
        client = await signed_in(app, "admin-all")
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        rows.change(conn, "session", {"last_seen_at": datetime.now(UTC) - timedelta(minutes=2)})
        conn.execute(f'alter database "{conn.info.dbname}" set default_transaction_read_only = on')
    async with (
        running(app := create_api(fresh_yard_url, settings)),
        client_of(app, cookies=client.cookies) as again,
    ):
        assert (await again.get("/cranes")).status_code == 200
        rule = {"kind": "offline", "raise_at": 96}
        for headers in ({}, {"idempotency-key": "once"}):
            refused = await again.put("/alert-rules/late", json=rule, headers=headers)
            assert refused.status_code == 503, refused.text
            assert "takes no writes" in refused.json()["detail"]
