"""Files that mean harm, sent to the api: each is refused by a limit that is named, in a process that ends, and costs the api nothing."""

import io
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import anyio
import httpx
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from anyio import create_task_group
from structlog.testing import capture_logs

from api.app import create_api, running
from api.settings import ApiSettings
from tests.api.test_imports import MAPPING, as_, form, stored, table
from tests.security.test_database_role import signed
from transfer.child import Order
from transfer.limits import TableLimits

pytestmark = pytest.mark.anyio
API_GROWTH_BYTES_MAX = 60_000_000
MEMORY_BYTES = 600_000_000
OPEN_COLUMNS = replace(TableLimits(), columns=200_000, line_chars=10_000_000)


def settings(**more: Any) -> ApiSettings:
    bounds: dict[str, Any] = {"import_memory_bytes_max": MEMORY_BYTES, "import_cpu_seconds_max": 60}
    return ApiSettings(secure_cookie=False, pool_size=4, **(bounds | more))


@asynccontextmanager
async def engineer_of(url: str, account: str = "engineer-north", **more: Any) -> Any:
    """Somebody who may bring files in, at an api with these limits."""
    app = create_api(url, settings(**more))
    async with running(app):
        yield app, await as_(app, account)


def memory(what: str) -> int:
    """VmRSS or VmHWM of this process, in which the api runs [bytes]."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(what):
            return int(line.split()[1]) * 1024
    raise AssertionError(what)


def memory_from_here() -> int:
    """What this process has in use; the most of it, VmHWM, is counted from here on."""
    Path("/proc/self/clear_refs").write_text("5")
    return memory("VmRSS")


def readers(of: int | None = None) -> list[int]:
    """Processes of a process that read a file; of this one."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
            command = (stat.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if parent == (of or os.getpid()) and b"transfer.child" in command:
            found.append(int(stat.parent.name))
    return found


def alive(process: int) -> bool:
    """Whether a process runs; one that ended and that nobody has asked for does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


async def until(condition: Callable[[], Any], seconds: float = 30) -> None:
    """Wait for a condition."""
    with anyio.fail_after(seconds):
        while not condition():  # noqa: ASYNC110  # it is another process that is waited for
            await anyio.sleep(0.02)


def parquet_of(one: pa.Table, groups: int = 1, **how: Any) -> bytes:
    sink = io.BytesIO()
    with pq.ParquetWriter(sink, one.schema, compression="zstd", **how) as writer:
        for _ in range(groups):
            writer.write_table(one)
    return sink.getvalue()


def shared_text() -> bytes:
    """Four row groups of one long text: some kB that unfold to gigabytes."""
    rows, text = 20_000, "x" * 100_000
    crane = pa.DictionaryArray.from_arrays(pa.array([0] * rows, pa.int32()), pa.array([text]))
    one = pa.table({"crane": crane, "at": pa.array([0] * rows), "load": pa.array([1.0] * rows)})
    return parquet_of(one, 4)


def one_vast_text() -> bytes:
    """One cell of a fifth of a gigabyte, packed to some kB, that no limit sees before it is in memory."""
    text = pa.StringArray.from_buffers(
        1, pa.py_buffer(b"\0\0\0\0" + (200_000_000).to_bytes(4, "little")), pa.py_buffer(bytes(200_000_000))
    )
    one = pa.table({"crane": text, "at": pa.array([0]), "load": pa.array([1.0])})
    return parquet_of(one, use_dictionary=False, write_statistics=False)


def claimed_rows() -> bytes:
    """Ten million rows in little room."""
    ones = pa.array([1.0]).take(pa.array([0] * 1000))
    one = pa.table({"crane": ["c"] * 1000, "at": [0] * 1000, "load": ones})
    whole = pa.concat_tables([one] * 10_000)
    return parquet_of(whole)


def many_columns(count: int) -> bytes:
    return (",".join(f"c{place}" for place in range(count)) + "\n").encode()


BOMBS: list[tuple[str, Callable[[], bytes], str, dict[str, Any]]] = [
    ("a text that rows share", shared_text, "100000 bytes, an import reads at most 10000 characters", {}),
    ("one vast text", one_vast_text, "600 MB of memory: nothing was stored", {}),
    ("ten million rows", claimed_rows, "more than 5000000 rows", {}),
    ("a line without end", lambda: many_columns(300_000), "a line of more than 1000000 characters", {}),
    ("many columns", lambda: many_columns(100_000), "100000 columns, an import reads at most 2000", {}),
    ("many columns, allowed", lambda: many_columns(100_000), "the file has no column", {"import_table": OPEN_COLUMNS, "import_cpu_seconds_max": 15}),
    ("a quote without end", lambda: b'crane,at,load\n"' + b"a\n" * 5000 + b"x" * 2_000_000, "a line of more than 1000000 characters", {}),
    ("no end of cells", lambda: b"crane,at,load\n" + b"a," * 450_000 + b"\n", "450001 cells, the first line has 3", {}),
    ("more than its time", lambda: table(10).encode(), "more than 0.2 s: nothing was stored", {"import_read_seconds_max": 0.2}),
    ("more than its processor time", lambda: table(800_000).encode(), "more than 1 s of processor time", {"import_cpu_seconds_max": 1}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("bomb", "told", "bounds"), [one[1:] for one in BOMBS], ids=[one[0] for one in BOMBS]
)
async def test_a_bomb_is_refused_by_a_limit_and_costs_the_api_nothing(
    yard_url: str, bomb: Callable[[], bytes], told: str, bounds: dict[str, Any]
) -> None:
    content = bomb()
    async with engineer_of(yard_url, **bounds) as (_, engineer):
        before = memory_from_here()
        with capture_logs() as logs:
            sent = {"files": {"file": ("file", content)}, "data": {"mapping": MAPPING}}
            answer = await engineer.post("/imports?dry_run=true", **sent)
        grown = memory("VmHWM") - before
        (ended,) = [line for line in logs if line["event"] == "import_read"]
        print(f"{len(content)} bytes: the api grew by {grown / 1e6:.0f} MB, the reader's peak was "
              f"{(ended['peak_bytes'] or 0) / 1e6:.0f} MB, {ended['seconds']} s: {ended['outcome']}")  # fmt: skip
        if answer.status_code == 200:  # of a line that is no row, the others are read
            assert [one["text"] for one in answer.json()["problems"]] == [told]
        else:
            assert (answer.status_code, told in answer.json()["detail"]) == (422, True), answer.text
        assert grown < API_GROWTH_BYTES_MAX
        assert ended["peak_bytes"] < MEMORY_BYTES
        assert readers() == []
        sound = await engineer.post("/imports?dry_run=true", **form(table(5)))
        if not bounds:
            assert (sound.status_code, sound.json()["new"]) == (200, 1), "the next file is read"


async def test_an_account_has_one_import_that_tells_how_far_it_is_and_can_be_cancelled(
    fresh_yard_url: str,
) -> None:
    async with engineer_of(fresh_yard_url) as (app, engineer), create_task_group() as group:
        answers: list[httpx.Response] = []

        async def send() -> None:
            answers.append(await engineer.post("/imports", **form(table(400_000))))

        async def running_now() -> dict[str, Any] | None:
            found: dict[str, Any] | None = (await engineer.get("/imports/running")).json()["running"]
            return found

        assert await running_now() is None
        assert (await engineer.delete("/imports/running")).status_code == 404
        group.start_soon(send)
        with anyio.fail_after(60):
            while not ((now := await running_now()) and now["rows"]):
                assert not answers
                await anyio.sleep(0.05)
        (reader,) = readers()
        os.kill(reader, signal.SIGSTOP)  # and so it stays under way
        assert (now["file"], now["phase"], now["dry_run"], now["rows"] % 20_000) == (
            "telemetry.csv",
            "checking",
            False,
            0,
        )
        second = await engineer.post("/imports", **form(table(5)))
        assert (second.status_code, "DELETE /imports/running" in second.json()["detail"]) == (409, True)
        other = await as_(app, "admin-north")
        assert (await other.get("/imports/running")).json()["running"] is None, "each sees its own"
        assert (await other.delete("/imports/running")).status_code == 404
        assert (await other.post("/imports?dry_run=true", **form(table(5)))).json()["new"] == 1
        assert len(readers()) == 1
        cancelled = await engineer.delete("/imports/running")
        assert (cancelled.status_code, cancelled.json()["running"]["file"]) == (200, "telemetry.csv")
        await until(lambda: answers)
        assert (answers[0].status_code, answers[0].json()["detail"]) == (
            409,
            "the import was cancelled: nothing was stored",
        )
        assert (readers(), stored(fresh_yard_url)) == ([], 0)
        assert await running_now() is None
        assert (await engineer.post("/imports", **form(table(5)))).json()["new"] == 1


async def test_what_was_stored_before_a_cancel_is_known_when_the_file_comes_again(
    fresh_yard_url: str,
) -> None:
    alone = [
        line for place, line in enumerate(table(12_000).splitlines()) if place % 2 == 0
    ]  # each a message of its own
    sent = form("\n".join(alone) + "\n")
    async with engineer_of(fresh_yard_url) as (_, engineer), create_task_group() as group:
        answers: list[httpx.Response] = []

        async def send() -> None:
            answers.append(await engineer.post("/imports?skip_bad=true", **sent))

        group.start_soon(send)
        await until(lambda: answers or stored(fresh_yard_url) > 0)
        for reader in readers():
            os.kill(reader, signal.SIGSTOP)
        assert (await engineer.delete("/imports/running")).json()["running"]["phase"] == "storing"
        await until(lambda: answers)
        assert answers[0].status_code == 409
        assert "the same file again stores the rest" in answers[0].json()["detail"]
        kept = stored(fresh_yard_url)
        assert 0 < kept < 6000
        again = (await engineer.post("/imports", **sent)).json()
        assert (again["known"], again["new"], stored(fresh_yard_url)) == (kept, 6000 - kept, 6000)


def order(url: str, file: Path, **more: Any) -> Order:
    fields = {"mapping": MAPPING, "dry_run": True, "skip_bad": False, "sites": ["north-yard"]}
    return Order(url=url, file=str(file), **(fields | settings().import_bounds() | more))


def child() -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "transfer.child"]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)


async def test_a_database_that_is_away_is_told_as_everywhere(yard_url: str) -> None:
    async with engineer_of(yard_url) as (app, engineer):
        app.state.database_url = "postgresql://nobody@127.0.0.1:9/none"
        answer = await engineer.post("/imports", **form(table(5)))
        assert (answer.status_code, "database" in answer.json()["detail"]) == (503, True)


def test_a_reader_ends_when_the_api_is_gone(yard_url: str, tmp_path: Path) -> None:
    file = tmp_path / "file.csv"
    file.write_text(table(200_000))
    with child() as reader:
        assert reader.stdin is not None
        assert reader.stdout is not None
        reader.stdin.write(order(yard_url, file).line())
        reader.stdin.flush()
        pid, clock_s = json.loads(reader.stdout.readline())["sign"]
        scope = signed(yard_url, pid=pid, until=clock_s + 60, sites=["north-yard"])
        reader.stdin.write(json.dumps(scope).encode() + b"\n")
        reader.stdin.flush()
        assert json.loads(reader.stdout.readline()) == {"storing": False, "rows": 0}
        reader.stdin.close()  # as when the process that holds the other end was killed
        assert reader.wait(20) == 1


SERVER = """
import sys, uvicorn
from api.app import create_api
from api.settings import ApiSettings
from boomledger.web_server import server_config
config = server_config(create_api(sys.argv[1], ApiSettings(open_access=True, secure_cookie=False)), host="127.0.0.1", fd=int(sys.argv[2]))
config.timeout_graceful_shutdown = 1
uvicorn.Server(config).run()
"""


def serving(database_url: str) -> tuple[subprocess.Popen[bytes], str]:
    """A server in a process of its own, and where it is."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        command = [sys.executable, "-c", SERVER, database_url, str(listening.fileno())]
        return subprocess.Popen(command, pass_fds=[listening.fileno()]), url


async def test_a_server_that_is_told_to_stop_ends_its_readers(fresh_yard_url: str) -> None:
    server, url = serving(fresh_yard_url)
    try:
        async with httpx.AsyncClient(base_url=url, timeout=60) as client, create_task_group() as group:

            async def send() -> None:
                with pytest.raises(httpx.RemoteProtocolError):
                    await client.post("/imports?dry_run=true", **form(table(1_000_000)))

            group.start_soon(send)
            await until(lambda: readers(server.pid))
            (reader,) = readers(server.pid)
            server.terminate()
            begun = time.monotonic()
            await until(lambda: server.poll() is not None)
            print(f"stopped after {time.monotonic() - begun:.1f} s")
            await until(lambda: not alive(reader), 5)
    finally:
        server.kill()
        server.wait()
