"""The embedded PostgreSQL: start, stop, restart, left-over servers, second starts, closed folders."""

import os
import signal
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest

from boomledger import postgres as module
from boomledger.postgres import EmbeddedPostgres
from domain.errors import Conflict
from tests.support.ingesting import wait_until

FAST = {"fsync": "off"}


@pytest.fixture
def folder() -> Iterator[Path]:
    """Below /tmp: pytest's own folders are closed to the account that the server runs as under root."""
    with tempfile.TemporaryDirectory(prefix="boomledger-pg-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def ask(url: str, question: str) -> object:
    with psycopg.connect(url, autocommit=True) as conn:
        cursor = conn.execute(question)
        return None if cursor.description is None else cursor.fetchone()


def test_data_stays_over_a_restart_and_stop_is_harmless_twice(folder: Path) -> None:
    server = EmbeddedPostgres(folder / "pg", FAST)
    url = server.start()
    ask(url, "create table kept as select 7 as x")
    server.stop()
    server.stop()
    assert not server.running()
    again = EmbeddedPostgres(folder / "pg", FAST)
    assert again.start() == url
    assert ask(url, "select x from kept") == (7,)
    again.stop()


def test_it_listens_on_a_socket_that_only_its_owner_reaches(folder: Path) -> None:
    server = EmbeddedPostgres(folder / "pg", FAST)
    assert ask(server.start(), "show listen_addresses") == ("",)
    assert (folder / "pg").stat().st_mode & 0o077 == 0
    server.stop()


def test_a_second_start_on_the_folder_is_refused(folder: Path) -> None:
    server = EmbeddedPostgres(folder / "pg", FAST)
    server.start()
    with pytest.raises(Conflict, match="holds"):
        EmbeddedPostgres(folder / "pg", FAST).start()
    assert ask(server.url, "select 1") == (1,)
    server.stop()


def test_a_server_left_over_by_a_killed_process_is_adopted_and_stopped(folder: Path) -> None:
    first = EmbeddedPostgres(folder / "pg", FAST)
    first.start()
    pid = first.pid
    first._release_lock()  # what the kernel does when the process is killed
    second = EmbeddedPostgres(folder / "pg", FAST)
    second.start()
    assert second.pid == pid
    second.stop()
    assert not second.running()


def test_a_killed_server_starts_again_with_its_data(folder: Path) -> None:
    server = EmbeddedPostgres(folder / "pg")
    url = server.start()
    ask(url, "create table kept as select 7 as x")
    assert server.pid is not None
    os.kill(server.pid, signal.SIGKILL)
    wait_until(lambda: not server.running(), "the server is gone")
    assert ask(server.start(), "select x from kept") == (7,)
    server.stop()


def test_a_path_too_long_for_a_socket_works(folder: Path) -> None:
    server = EmbeddedPostgres(folder / ("long" * 20) / "pg", FAST)
    assert ask(server.start(), "select 1") == (1,)
    server.stop()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root hands the server to another account")
def test_root_keeps_its_own_folders_closed(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Data and programs that the account cannot reach are kept where it can; no permission is widened."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    monkeypatch.setattr(module, "SHARED_STATE", folder / "state")
    wheel, may_enter = module.wheel(), module._may_enter
    monkeypatch.setattr(
        module, "_may_enter", lambda path, account: path != wheel / "bin" and may_enter(path, account)
    )
    server = EmbeddedPostgres(closed / "pg", FAST)
    with ThreadPoolExecutor(2) as both:  # two processes may come at once to a new machine
        assert len({*both.map(lambda _: server.binaries, range(2))}) == 1
    assert [path.name.startswith("postgresql-") for path in (folder / "state").iterdir()] == [True]
    assert ask(server.start(), "select 1") == (1,)
    server.stop()
    assert (closed / "pg").is_symlink()
    assert closed.stat().st_mode & 0o777 == 0o700
    assert str(server.binaries).startswith(str(folder))


def test_a_folder_of_another_version_is_refused_with_the_way_out(folder: Path) -> None:
    server = EmbeddedPostgres(folder / "pg", FAST)
    server.start()
    server.stop()
    (folder / "pg" / "data" / "PG_VERSION").write_text("15\n")
    with pytest.raises(Conflict, match="dump it with version 15"):
        EmbeddedPostgres(folder / "pg", FAST).start()
