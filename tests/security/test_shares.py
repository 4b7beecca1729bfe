"""One account or address that opens all it can: it is held to its share, and the others are served. Over real sockets."""

import asyncio
import contextlib
import itertools
import socket
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import httpx
import psycopg
import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.routing import Mount, WebSocketRoute
from starlette.websockets import WebSocket
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from api import gate
from api.app import API_PATH, create_api, guard
from api.limits import Shares, Turns, is_stream, may_take
from api.problems import Refused
from api.settings import ApiSettings
from boomledger.web_server import server_config
from tests.security.conftest import make_token
from tests.support import rows
from tests.support.databases import new_database

PLACES = 40
OF_ACCOUNT = 6
RECHECK_S = gate.RECHECK_S  # before the server of these tests gets a shorter one


@dataclass(frozen=True)
class Door:
    """A running server, and where its database is."""

    address: tuple[str, int]
    database_url: str

    def socket(self, source: str = "127.0.0.1") -> socket.socket:
        return socket.create_connection(self.address, timeout=20, source_address=(source, 0))

    def websocket(self, token: str, source: str = "127.0.0.1") -> ClientConnection:
        return connect(
            f"ws://{self.address[0]}:{self.address[1]}/follow",
            additional_headers={"authorization": f"Bearer {token}"},
            sock=self.socket(source),
            open_timeout=20,
            proxy=None,
        )

    def client(self, token: str) -> httpx.Client:
        base = f"http://{self.address[0]}:{self.address[1]}{API_PATH}"
        return httpx.Client(base_url=base, headers={"authorization": f"Bearer {token}"}, timeout=30)


async def follow(websocket: WebSocket) -> None:
    """A live connection: says each tenth of a second that it is there."""
    await websocket.accept()
    with contextlib.suppress(Exception):
        while True:
            await websocket.send_text("here")
            await asyncio.sleep(0.1)


@pytest.fixture(scope="module")
def door(database_server: str, yard_template: str) -> Iterator[Door]:
    patch = pytest.MonkeyPatch()
    patch.setattr(gate, "RECHECK_S", 0.3)
    with new_database(database_server, yard_template) as url:
        settings = ApiSettings(
            secure_cookie=False, pool_size=4, most_connections=PLACES, streams_account=OF_ACCOUNT
        )
        api = create_api(url, settings)

        @contextlib.asynccontextmanager
        async def lifespan(_app: Starlette) -> AsyncIterator[None]:
            async with api.router.lifespan_context(api):
                yield

        pages = Starlette(routes=[WebSocketRoute("/follow", follow), Mount(API_PATH, api)], lifespan=lifespan)
        app = guard(pages, api, content_security_policy="default-src 'none'")
        server = uvicorn.Server(server_config(app, most_connections=PLACES, host="127.0.0.1", port=0))
        thread = threading.Thread(target=server.run)
        thread.start()
        ends = time.monotonic() + 60
        while not server.started and thread.is_alive() and time.monotonic() < ends:
            time.sleep(0.02)
        try:
            yield Door(server.servers[0].sockets[0].getsockname(), url)
        finally:
            server.should_exit = True
            thread.join(30)
            patch.undo()


def until_closed(websocket: ClientConnection) -> float:
    """Seconds until the server closes a websocket that goes on sending."""
    began = time.monotonic()
    with contextlib.suppress(ConnectionClosed):
        while time.monotonic() - began < 20:
            websocket.recv(timeout=20)
    return time.monotonic() - began


def test_the_live_connections_of_one_account_leave_room_for_others(door: Door) -> None:
    greedy = make_token(door.database_url, "viewer-all", "viewer")
    again = make_token(door.database_url, "viewer-all", "viewer")
    with contextlib.ExitStack() as stack:
        for _ in range(OF_ACCOUNT):
            stack.enter_context(door.websocket(greedy))
        for token in (greedy, again):  # another token of the account is the account
            with pytest.raises(InvalidStatus) as refused:
                door.websocket(token, source="127.0.0.2")
            assert refused.value.response.status_code == 429
            assert refused.value.response.headers["retry-after"]
        other = stack.enter_context(door.websocket(make_token(door.database_url, "viewer-north", "viewer")))
        assert other.recv(timeout=20) == "here"
        client = stack.enter_context(door.client(greedy))
        assert client.get("/me").status_code == 200
        assert client.get("/live/stream", params={"seconds": 1}).status_code == 429
        assert client.get("/live", params={"wait_s": 0}).status_code == 429
    ends = time.monotonic() + 20
    while time.monotonic() < ends:  # what was closed is given back
        with contextlib.suppress(InvalidStatus), door.websocket(greedy) as websocket:
            assert websocket.recv(timeout=20) == "here"
            return
    raise AssertionError("no place came back")


def test_the_connections_of_one_address_leave_room_for_others(door: Door) -> None:
    with contextlib.ExitStack() as stack:
        for _ in range(2 * PLACES):
            stack.enter_context(contextlib.closing(door.socket()))
        statuses = Counter(_status(door, f"127.0.0.{last}") for last in (1, 1, 2, 3))
        assert statuses == {"429": 2, "200": 2}


def test_beyond_all_places_the_answer_is_503(door: Door) -> None:
    with contextlib.ExitStack() as stack:
        for last in range(10, 10 + PLACES):
            stack.enter_context(contextlib.closing(door.socket(f"127.0.0.{last}")))
        assert _status(door, "127.0.0.200") == "503"


def _status(door: Door, source: str) -> str:
    """What an address gets, asked anew while connections of before are still being counted off."""
    with door.socket(source) as sock:
        with contextlib.suppress(ConnectionError):
            sock.sendall(f"GET {API_PATH}/healthz HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n".encode())
        return sock.recv(65536).split(b" ", 2)[1].decode()


@pytest.mark.parametrize(
    "change",
    [
        lambda conn: rows.remove(conn, "api_token", title="test"),
        lambda conn: rows.change(conn, "api_token", {"expires_at": datetime.now(UTC)}, title="test"),
        lambda conn: rows.change(conn, "api_token", {"sites": ["south-yard"]}, title="test"),
        lambda conn: rows.change(conn, "account", {"disabled_at": datetime.now(UTC)}, name="engineer-all"),
    ],
    ids=["revoked", "expired", "narrowed", "account disabled"],
)
def test_what_stays_open_ends_with_its_token(door: Door, change: Callable[[psycopg.Connection], int]) -> None:
    _until_free(door)
    token = make_token(door.database_url, "engineer-all", "viewer")
    with door.websocket(token) as websocket, door.client(token) as client:
        assert websocket.recv(timeout=20) == "here"
        with client.stream("GET", "/live/stream", params={"seconds": 60}) as stream:
            lines = stream.iter_lines()
            assert next(lines) == "event: live"
            began = time.monotonic()
            with psycopg.connect(door.database_url, autocommit=True) as conn:
                change(conn)
            rest = list(lines)
            assert time.monotonic() - began < 20
            assert rest[-2].startswith(": sign in again")
        assert until_closed(websocket) < 15
        assert websocket.close_code == 1008
    with psycopg.connect(door.database_url, autocommit=True) as conn:
        rows.change(conn, "account", {"disabled_at": None}, name="engineer-all")
        rows.remove(conn, "api_token")


def _until_free(door: Door) -> None:
    """Connections of the test before are counted off when the server has seen them closed."""
    ends = time.monotonic() + 20
    while _status(door, "127.0.0.1") != "200" and time.monotonic() < ends:
        time.sleep(0.05)


def test_what_stays_open_stays_while_nothing_changes(door: Door) -> None:
    _until_free(door)
    with door.websocket(make_token(door.database_url, "viewer-north", "viewer")) as websocket:
        ends = time.monotonic() + 4 * gate.RECHECK_S
        while time.monotonic() < ends:
            assert websocket.recv(timeout=20) == "here"


def test_the_times_stay_below_a_quarter_of_a_minute() -> None:
    assert RECHECK_S + gate.ANSWER_S < 15


@pytest.mark.parametrize("holders", [1, 2, 4, 9])
def test_holders_share_and_leave_as_much_for_the_next(holders: int) -> None:
    held = dict.fromkeys(range(holders), 0)
    took = True
    while took:
        took = False
        for holder, own in held.items():
            if may_take(own, sum(held.values()), 1000):
                held[holder], took = own + 1, True
    assert all(abs(own - 1000 / (holders + 1)) <= 1 for own in held.values())
    assert 1000 - sum(held.values()) >= 1000 // (holders + 1)


def test_a_place_comes_back_after_an_error() -> None:
    shares = Shares(10, most=1)
    for _ in range(3):
        with pytest.raises(KeyError), shares.place("ida"):
            raise KeyError
    with shares.place("ida"), pytest.raises(Refused), shares.place("ida"):
        pass


@pytest.mark.anyio
async def test_requests_of_one_account_wait_for_their_turn_and_others_do_not() -> None:
    turns = Turns(2, wait_s=0.2)
    running: list[int] = []
    most = 0
    go = asyncio.Event()

    async def work(number: int) -> str:
        nonlocal most
        try:
            async with turns.turn("ida"):
                running.append(number)
                most = max(most, len(running))
                await go.wait()
                running.remove(number)
                return "done"
        except Refused as refusal:
            return str(refusal.status)

    tasks = [asyncio.create_task(work(number)) for number in range(5)]
    async with asyncio.timeout(20):
        late = [await task for task in itertools.islice(asyncio.as_completed(tasks), 3)]
        assert late == ["429"] * 3
        async with turns.turn("eva"):
            go.set()
        assert Counter([await task for task in tasks]) == {"done": 2, "429": 3}
        assert most == 2
        assert await work(9) == "done"


@pytest.mark.parametrize(
    ("scope", "stays"),
    [
        ({"type": "websocket", "path": "/", "query_string": b""}, True),
        ({"type": "http", "path": "/api/v1/live/stream", "query_string": b""}, True),
        ({"type": "http", "path": "/live", "query_string": b"wait_s=20"}, True),
        ({"type": "http", "path": "/live", "query_string": b""}, False),
        ({"type": "http", "path": "/cranes", "query_string": b""}, False),
    ],
)
def test_streams_are_told_from_requests(scope: dict[str, object], stays: bool) -> None:
    assert is_stream(scope) is stays
