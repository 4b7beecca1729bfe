"""Links to set a password with: made once by an administrator, used once by a person, and silent to everybody else."""

import json
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import Any, LiteralString

import httpx
import psycopg
import pytest
import structlog
from fastapi import FastAPI
from typer.testing import CliRunner

from api.app import create_api, guard, running
from api.settings import ApiSettings
from api.sign_on import SignOnSettings
from boomledger.cli import app as command_line
from dashboard.login import register, reset_page
from store.access import Role, secret_sha256
from tests.api.conftest import PASSWORD
from tests.security.conftest import TokenOf
from tests.security.test_database_role import scope, signed
from tests.support import rows

NEW = "plover over a tin roof"
pytestmark = pytest.mark.anyio


def client_of(app: Any, token: str | None = None, address: str = "127.0.0.1") -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app=app, client=(address, 40_000))
    headers = {"authorization": f"Bearer {token}"} if token else {}
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=headers)


@pytest.fixture
def admin(fresh_api: FastAPI, token_of: TokenOf) -> httpx.AsyncClient:
    return client_of(fresh_api, token_of("admin-all"))


async def link_of(admin: httpx.AsyncClient, account: str = "viewer-all") -> str:
    """The secret of a new link."""
    made = await admin.post(f"/users/{account}/reset-link")
    assert made.status_code == 201, made.text
    assert made.json()["account"] == account
    path, _, secret = made.json()["link"].partition("#")
    assert path == "/reset"
    assert len(secret) > 40
    return str(secret)


async def log_in(app: FastAPI, password: str, account: str = "viewer-all") -> int:
    async with client_of(app, address="10.9.9.9") as client:
        return (await client.post("/login", json={"account": account, "password": password})).status_code


def wait_for_lock(url: str, pid: int) -> None:
    """Until another connection waits for a row."""
    with psycopg.connect(url, autocommit=True) as conn:
        for _ in range(3000):
            asked = conn.execute("select wait_event_type from pg_stat_activity where pid = %s", [pid])
            if asked.fetchone() == ("Lock",):
                return
            conn.execute("select pg_sleep(0.01)")
    raise AssertionError("it did not wait")


async def set_by(client: httpx.AsyncClient, secret: str, password: str = NEW) -> httpx.Response:
    return await client.post("/reset", json={"secret": secret, "password": password})


async def test_a_person_sets_a_password_once_and_every_session_ends(
    fresh_api: FastAPI, admin: httpx.AsyncClient, fresh_yard_url: str
) -> None:
    session = client_of(fresh_api)
    assert (
        await session.post("/login", json={"account": "viewer-all", "password": PASSWORD})
    ).status_code == 200
    secret = await link_of(admin)
    with psycopg.connect(fresh_yard_url) as conn:
        assert rows.one(conn, "reset_link", "secret_sha256") == secret_sha256(secret)
        assert secret not in str(rows.everything(conn, "reset_link"))
    person = client_of(fresh_api)
    weak = await set_by(person, secret, "Passw0rd1234!")
    assert (weak.status_code, weak.json()["errors"][0]["field"]) == (422, "password"), "the link holds on"
    done = await set_by(person, secret)
    assert (done.status_code, done.content) == (204, b"")
    assert (await session.get("/me")).status_code == 401
    assert [await log_in(fresh_api, one) for one in (NEW, PASSWORD)] == [200, 401]
    assert (await set_by(person, secret)).status_code == 403, "once"
    noted = (await admin.get("/audit")).json()["items"]
    actions = [(row["account"], row["action"]) for row in noted]
    assert ("admin-all", "POST /users/{account}/reset-link") in actions
    assert actions.count(("viewer-all", "set password by link")) == 1
    assert secret not in json.dumps(noted)


ENDS: dict[str, Callable[[psycopg.Connection], object]] = {
    "expired": lambda conn: rows.change(conn, "reset_link", {"expires_at": datetime(2026, 3, 2, tzinfo=UTC)}),
    "disabled": lambda conn: rows.change(conn, "account", {"disabled_at": datetime(2026, 3, 2, tzinfo=UTC)}, name="viewer-all"),
    "other password": lambda conn: rows.change(conn, "account", {"password_hash": "x"}, name="viewer-all"),
    "no account": lambda conn: rows.remove(conn, "account", name="viewer-all"),
}  # fmt: skip


@pytest.mark.parametrize("end", ENDS)
async def test_a_link_that_ended_is_as_one_that_never_was(
    fresh_api: FastAPI, admin: httpx.AsyncClient, fresh_yard_url: str, end: str
) -> None:
    secret = await link_of(admin)
    with psycopg.connect(fresh_yard_url) as conn:
        ENDS[end](conn)
    person = client_of(fresh_api)
    told = [await set_by(person, one) for one in (secret, "bl_r_never", f"bl_r_{'x' * 43}")]
    assert {answer.status_code for answer in told} == {403}
    assert len({answer.json()["detail"] for answer in told}) == 1
    # nor do different headers tell them apart
    assert len({tuple(name for name, _ in sorted(answer.headers.items())) for answer in told}) == 1
    assert await log_in(fresh_api, NEW) == 401


async def test_a_newer_link_and_a_disabling_end_the_one_of_before(
    fresh_api: FastAPI, admin: httpx.AsyncClient
) -> None:
    first, second = await link_of(admin), await link_of(admin)
    person = client_of(fresh_api)
    assert (await set_by(person, first)).status_code == 403
    for disabled in (True, False):
        assert (await admin.patch("/users/viewer-all", json={"disabled": disabled})).status_code == 200
    assert (await set_by(person, second)).status_code == 403
    kept = await link_of(admin)
    assert (await admin.patch("/users/viewer-all", json={"role": "dispatcher"})).status_code == 200
    assert (await set_by(person, kept)).status_code == 204


PUT: LiteralString = "select name from put_reset_link('viewer-all', sha256('late'), now() + interval '1 day')"
USE: LiteralString = "select name from use_reset_link(sha256('early'), 'x', '192.0.2.1')"


@pytest.mark.parametrize("late", [PUT, USE])
def test_a_link_that_comes_while_the_account_is_being_disabled_is_none(
    fresh_yard_url: str, late: LiteralString
) -> None:
    early = PUT.replace("late", "early")
    with psycopg.connect(fresh_yard_url) as disabling, psycopg.connect(fresh_yard_url) as other:
        disabling.execute(early)
        disabling.commit()
        rows.change(
            disabling, "account", {"disabled_at": datetime(2026, 3, 2, tzinfo=UTC)}, name="viewer-all"
        )
        with ThreadPoolExecutor(1) as thread:
            asked = thread.submit(lambda: other.execute(late).fetchall())
            wait_for_lock(fresh_yard_url, other.info.backend_pid)
            disabling.commit()
            assert asked.result() == []
        other.commit()
        rows.change(disabling, "account", {"disabled_at": None}, name="viewer-all")
        disabling.commit()
        assert rows.count(disabling, "reset_link") == 0


def test_a_session_of_the_old_password_does_not_come_after_the_new_one(fresh_yard_url: str) -> None:
    """Two connections as two web processes: one is signing somebody in, the other uses the link meanwhile."""
    with psycopg.connect(fresh_yard_url) as signing_in, psycopg.connect(fresh_yard_url) as other:
        signing_in.execute(PUT.replace("late", "early"))
        signing_in.commit()
        ((old,),) = signing_in.execute(
            "select password_hash from account where name = 'viewer-all'"
        ).fetchall()
        signing_in.commit()
        scope(
            signing_in,
            signed(fresh_yard_url, pid=signing_in.info.backend_pid, account="viewer-all", role="log-in"),
        )
        assert signing_in.execute("select from finish_log_in('viewer-all', %s, '')", [old]).rowcount == 1
        with ThreadPoolExecutor(1) as thread:
            used = thread.submit(lambda: other.execute(USE).fetchall())
            wait_for_lock(fresh_yard_url, other.info.backend_pid)
            scope(
                signing_in,
                signed(
                    fresh_yard_url, pid=signing_in.info.backend_pid, account="viewer-all", role="signed-in"
                ),
            )
            signing_in.execute("select open_session(sha256('s'), now() + interval '1 h', '', '')")
            signing_in.commit()
            assert used.result() == [("viewer-all",)]
        other.commit()
        assert rows.count(other, "session") == 0
        scope(
            signing_in,
            signed(fresh_yard_url, pid=signing_in.info.backend_pid, account="viewer-all", role="log-in"),
        )
        assert signing_in.execute("select from finish_log_in('viewer-all', %s, '')", [old]).rowcount == 0


async def test_a_log_in_looks_at_the_password_and_opens_the_session_in_one_transaction(
    fresh_api: FastAPI, admin: httpx.AsyncClient, fresh_yard_url: str
) -> None:
    await link_of(admin)
    with psycopg.connect(fresh_yard_url) as conn:
        conn.execute(
            "create function same() returns trigger language plpgsql as $$ begin"
            " if not exists (select from known_address k where k.account_id = new.account_id and k.seen_at = now())"
            " then raise exception 'opened in another transaction'; end if; return new; end $$;"
            "create trigger same before insert on session for each row execute function same()"
        )
    assert await log_in(fresh_api, PASSWORD) == 200


async def test_who_gets_no_link(fresh_api: FastAPI, admin: httpx.AsyncClient, token_of: TokenOf) -> None:
    await admin.patch("/users/viewer-all", json={"disabled": True})
    assert [(await admin.post(f"/users/{one}/reset-link")).status_code for one in ("viewer-all", "nobody")] == [409, 409]  # fmt: skip
    for account in ("admin-north", "engineer-all", "viewer-north"):
        refused = await client_of(fresh_api, token_of(account)).post("/users/viewer-north/reset-link")
        assert refused.status_code == 403, account


async def test_who_guesses_is_stopped_and_the_right_link_from_elsewhere_is_not(
    fresh_api: FastAPI, admin: httpx.AsyncClient
) -> None:
    secret = await link_of(admin)
    guesser = client_of(fresh_api, address="10.1.1.1")
    statuses = [(await set_by(guesser, f"bl_r_{n}")).status_code for n in range(22)]
    assert statuses == [403] * 20 + [429] * 2
    assert (await set_by(guesser, secret)).status_code == 429
    assert (await set_by(client_of(fresh_api, address="10.2.2.2"), secret)).status_code == 204


async def test_a_new_account_may_have_a_link_in_place_of_a_password(
    fresh_api: FastAPI, admin: httpx.AsyncClient
) -> None:
    assert (await admin.post("/users", json={"name": "ida", "role": "engineer"})).status_code == 201
    assert await log_in(fresh_api, "", "ida") == 422
    assert await log_in(fresh_api, NEW, "ida") == 401
    assert (await set_by(client_of(fresh_api), await link_of(admin, "ida"))).status_code == 204
    assert await log_in(fresh_api, NEW, "ida") == 200


async def test_no_key_brings_a_link_back(admin: httpx.AsyncClient, fresh_yard_url: str) -> None:
    key = {"idempotency-key": "k-1"}
    links = {(await admin.post("/users/viewer-all/reset-link", headers=key)).json()["link"] for _ in range(2)}
    assert len(links) == 2
    with psycopg.connect(fresh_yard_url) as conn:
        assert rows.count(conn, "idempotency") == 0


async def test_the_role_of_the_api_reads_no_link(admin: httpx.AsyncClient, fresh_yard_url: str) -> None:
    await link_of(admin)
    with psycopg.connect(fresh_yard_url) as conn:
        conn.execute("set role boomledger_api")
        for tried in ("select * from reset_link", "insert into reset_link values (1, '', now(), now())", "delete from reset_link"):  # fmt: skip
            with pytest.raises(psycopg.errors.InsufficientPrivilege), conn.transaction():
                conn.execute(tried.encode())


async def test_without_passwords_only_the_account_for_emergencies_has_links(
    fresh_yard_url: str, admin: httpx.AsyncClient, token_of: TokenOf
) -> None:
    made_before = await link_of(admin)
    sign_on = SignOnSettings(issuer="http://127.0.0.1:9", client_id="x", public_url="http://127.0.0.1", roles={"x": Role.VIEWER}, sites={"x": ("*",)})  # fmt: skip
    settings = ApiSettings(
        secure_cookie=False, local_accounts=False, sign_on=sign_on, emergency_account="admin-all",
        public_url="https://cranes.example/",
    )  # fmt: skip
    app = create_api(fresh_yard_url, settings)
    async with running(app):
        there = client_of(app, token_of("admin-all"))
        refused = await there.post("/users/viewer-all/reset-link")
        assert (refused.status_code, "switched off" in refused.json()["detail"]) == (403, True)
        assert (await set_by(client_of(app), made_before)).status_code == 403
        link = (await there.post("/users/admin-all/reset-link")).json()["link"]
        assert link.startswith("https://cranes.example/reset#bl_r_")
        assert (await set_by(client_of(app), link.partition("#")[2])).status_code == 204


async def test_no_secret_or_password_is_logged(
    admin: httpx.AsyncClient, fresh_api: FastAPI, caplog: pytest.LogCaptureFixture
) -> None:  # fmt: skip
    caplog.set_level(logging.DEBUG)
    with structlog.testing.capture_logs() as lines:
        secret = await link_of(admin)
        await set_by(client_of(fresh_api), secret)
    logged = caplog.text + str(lines)
    assert "/reset" in logged
    assert secret not in logged
    assert NEW not in logged


async def test_the_page_answers_who_is_not_signed_in_and_keeps_the_link_to_itself(
    fresh_api: FastAPI,
) -> None:
    pages = FastAPI()
    register(pages)
    walled = guard(pages, fresh_api, content_security_policy="default-src 'none'")
    async with client_of(walled) as client:
        page = await client.get("/reset")
        assert page.status_code == 200
        assert page.headers["cache-control"] == "no-store"
        assert page.headers["referrer-policy"] == "no-referrer"
        assert page.text == reset_page()
        assert (await client.get("/settings")).status_code == 401
    assert "history.replaceState" in page.text, "the address does not stay in the history"


def test_the_command_line_makes_links_and_lists_tokens(
    fresh_yard_url: str, token_of: TokenOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOOMLEDGER_DATABASE_URL", fresh_yard_url)
    monkeypatch.setenv("BOOMLEDGER_PUBLIC_URL", "https://cranes.example")
    run = CliRunner()
    for arguments in (["user", "add", "ida", "--link"], ["user", "link", "ida"]):
        made = run.invoke(command_line, arguments)
        assert made.exit_code == 0, made.output
        link = made.stdout.split()[0]
        assert link.startswith("https://cranes.example/reset#bl_r_")
        with psycopg.connect(fresh_yard_url) as conn:
            assert rows.one(conn, "reset_link", "secret_sha256") == secret_sha256(link.partition("#")[2])
            assert link not in str(rows.everything(conn, "audit"))
    token_of("viewer-all")
    listed = run.invoke(command_line, ["user", "tokens"])
    assert "viewer-all" in listed.output
    assert "never" in listed.output
