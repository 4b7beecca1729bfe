"""Every state of a database, for every process: none ends, each says what is wrong, and goes on by itself."""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import httpx
import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from boomledger.admin import patiently
from boomledger.broker import Broker, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from store.migrate import migrate
from tests.faults.conftest import ROOT
from tests.integration.boomledger.test_probes import answer, free_port
from tests.support.ingesting import LIMIT_S, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import message

pytestmark = pytest.mark.mosquitto
DISK_MB = 400
API = """
import sys, uvicorn
from api.app import create_api
from api.settings import ApiSettings
uvicorn.run(create_api(sys.argv[1], ApiSettings(open_access=True)), port=int(sys.argv[2]))
"""
COMMANDS = {"ingest": ("ingest",), "analytics": ("analyse", "--follow"), "watch": ("watch",), "web": ()}


WRITE_NOTHING = ("web",)
"""What is ready over a database that is read-only: pages to read."""


class Processes:
    """The four long-running processes over one database, each by its command."""

    def __init__(self, folder: Path, *, servers: int = 1) -> None:
        """`servers`: how many their URL names; the second one is started by `follow`."""
        self.folder = folder
        self.small_disk = os.path.ismount(folder / "postgres")
        options = {"fsync": "off", "max_connections": "30"}
        self.postgres = EmbeddedPostgres(folder / "postgres", options)
        self.database = self.postgres.start()
        primary = conninfo_to_dict(self.database)
        replicates = {"primary_conninfo": make_conninfo("", host=primary["host"], user=primary["user"])}
        self.other = EmbeddedPostgres(folder / "other", options | replicates)
        url = self.database if servers == 1 else f"{self.database},{quote(str(folder / 'other'), safe='')}"
        migrate(self.database)
        program = find_mosquitto()
        assert program is not None
        self.broker = Broker(folder / "broker", program=program)
        self.address = host, port = self.broker.start()
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.ready: dict[str, str] = {}
        for name, command in COMMANDS.items():
            own = free_port()
            self.ready[name] = f"http://127.0.0.1:{own}/readyz"
            settings = {
                "BOOMLEDGER_DATABASE_URL": url,
                "BOOMLEDGER_BROKER_URL": f"mqtt://{host}:{port}",
                "BOOMLEDGER_METRICS_PORT": str(own),
                "BOOMLEDGER_ALERT_EVERY_S": "1",
                "PYTHONFAULTHANDLER": "1",
            }
            program_of = ("-m", "boomledger", *command) if command else ("-c", API, url, str(own))
            with (folder / f"{name}.log").open("wb") as log:
                self.running[name] = subprocess.Popen(
                    [sys.executable, *program_of],
                    env={**os.environ, **settings},
                    cwd=ROOT,
                    stdout=log,
                    stderr=log,
                )

    def stop(self) -> None:
        for process in self.running.values():
            process.terminate()
        ends = {name: self._end_of(name) for name in self.running}
        self.broker.stop()
        self.postgres.stop()
        self.other.stop()
        assert set(ends.values()) <= {0, -signal.SIGTERM}, ends

    def _end_of(self, name: str) -> int | str:
        """Its exit code; of one that does not end, where its threads stand."""
        process = self.running[name]
        try:
            return process.wait(60)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGABRT)
            process.wait(10)
            return (self.folder / f"{name}.log").read_text(errors="replace")[-6000:]

    def follow(self) -> None:
        """Start another server that has everything of the first and follows it."""
        follow(self.postgres, self.other)

    def are_ready(self, *, but: tuple[str, ...] = ()) -> bool:
        found = [answer(url) for name, url in self.ready.items() if name not in but]
        return all(one is not None and one.status_code == 200 for one in found)

    def are_not_ready(self, *, but: tuple[str, ...] = (), saying: str = "") -> bool:
        """Whether all say that they are not ready, and why."""
        found = [answer(url) for name, url in self.ready.items() if name not in but]
        return all(one is not None and one.status_code == 503 and saying in one.text for one in found)

    def go_on(self) -> None:
        """All are ready again, and none was started anew."""
        wait_until(self.are_ready, "all are ready again")
        assert {name: process.poll() for name, process in self.running.items()} == dict.fromkeys(COMMANDS)

    def servers(self) -> list[int]:
        return pids_of(self.postgres)

    def set(self, name: str, value: str) -> None:
        with psycopg.connect(self.database, autocommit=True) as conn:
            conn.execute("set default_transaction_read_only = off")
            conn.execute(f"alter system set {name} = {value}")
            conn.execute("select pg_reload_conf()")


def pids_of(postgres: EmbeddedPostgres) -> list[int]:
    """Process ids of a server and all its sessions."""
    assert postgres.pid is not None
    own = f"/proc/{postgres.pid}/task/{postgres.pid}/children"
    return [postgres.pid, *map(int, Path(own).read_text().split())]


def follow(postgres: EmbeddedPostgres, other: EmbeddedPostgres) -> None:
    """Start `other` with everything that the first server has; it follows it."""
    other.folder.mkdir(mode=0o700)
    owner = postgres.folder.stat()
    os.chown(other.folder, owner.st_uid, owner.st_gid)
    copied = ("-D", str(other.folder / "data"), "-d", postgres.url, "-X", "stream", "-c", "fast", "-R")
    postgres._command("pg_basebackup", *copied)
    other.start()


def promote(other: EmbeddedPostgres) -> None:
    """The server that follows another takes its place."""
    other._command("pg_ctl", "promote", "-D", str(other.folder / "data"))


def fill(folder: Path) -> None:
    """Leave no room on the disk of a server."""
    with suppress(OSError), (folder / "filler").open("ab") as more:
        more.write(bytes(shutil.disk_usage(folder).free))


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """The folder is a disk of its own with little room, where this can be made."""
    made = os.geteuid() == 0 and shutil.which("mount") is not None
    if made:
        folder.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m,mode=700", "tmpfs", str(folder)]
        made = subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield
    finally:
        if made:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextmanager
def no_connection_left(database: str) -> Iterator[None]:
    """Others have all connections of the server; those of ours are ended, and again while they come back in between."""
    ours = "from pg_stat_activity where application_name = 'boomledger'"
    with contextlib.ExitStack() as taken:
        conn = taken.enter_context(psycopg.connect(database, autocommit=True))

        def full() -> bool:
            conn.execute(f"select pg_terminate_backend(pid) {ours}")
            with suppress(psycopg.OperationalError):
                while True:
                    taken.enter_context(psycopg.connect(database))
            return conn.execute(f"select count(*) {ours}").fetchone() == (0,)

        wait_until(full, "others have all of them")
        yield


@contextmanager
def hanging(servers: list[int]) -> Iterator[None]:
    """The server stands still with all its sessions; connections to it stay open."""
    for pid in servers:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in servers:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGCONT)


@contextmanager
def working(*, servers: int = 1) -> Iterator[Processes]:
    """All of them at work; they are to end by themselves."""
    if find_mosquitto() is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="boomledger-states-") as folder:
        Path(folder).chmod(0o755)
        with small_disk(Path(folder) / "postgres"):
            found = Processes(Path(folder), servers=servers)
            try:
                wait_until(found.are_ready, "all are ready", 150)
                yield found
            finally:
                found.stop()


@pytest.fixture(scope="module")
def processes() -> Iterator[Processes]:
    with working() as found:
        yield found


@pytest.mark.timeout(240)
def test_a_database_that_takes_no_writes_is_waited_for(processes: Processes) -> None:
    processes.set("default_transaction_read_only", "on")
    try:
        wait_until(lambda: processes.are_not_ready(but=WRITE_NOTHING, saying="read-only"), "all say so")
    finally:
        processes.set("default_transaction_read_only", "off")
    processes.go_on()


@pytest.mark.timeout(240)
def test_a_database_that_is_away_is_waited_for(processes: Processes) -> None:
    processes.postgres.stop()
    wait_until(lambda: processes.are_not_ready(), "all say so")
    processes.postgres.start()
    processes.go_on()


@pytest.mark.timeout(240)
def test_a_broker_that_died_is_told_of_and_waited_for(processes: Processes) -> None:
    with psycopg.connect(processes.database) as conn:
        before = conn.execute("select count(*) from segment").fetchone()
    assert processes.broker.pid is not None
    os.kill(processes.broker.pid, signal.SIGKILL)
    processes.broker.stop()
    url = processes.ready["ingest"]
    wait_until(lambda: (found := answer(url)) is not None and "the broker" in found.text, "ingest says so")
    assert processes.are_ready(but=("ingest",)), "nobody else needs it"
    assert processes.broker.start() == processes.address
    processes.go_on()
    register(processes.database, "crane-0")
    with (
        mqtt_client(processes.address) as client,
        psycopg.connect(processes.database, autocommit=True) as conn,
    ):
        publish_all(client, [message("crane-0", 0)])
        wait_until(lambda: conn.execute("select count(*) from segment").fetchone() != before, "it is stored")
        conn.execute("delete from segment")


@pytest.mark.timeout(240)
def test_a_database_whose_disk_is_full_is_waited_for(processes: Processes) -> None:
    if not processes.small_disk:
        pytest.skip("a small disk can be mounted by root only")
    disk = processes.folder / "postgres"

    def fill_and_write() -> None:
        """Leave no room, also none that a server freed when it came up again, and have it write."""
        fill(disk)
        with suppress(psycopg.Error), psycopg.connect(processes.database, autocommit=True) as conn:
            for _ in range(
                50
            ):  # the log of what is written needs another file each time, until there is none
                conn.execute("select pg_logical_emit_message(true, 'trial', 'x')")
                conn.execute("select pg_switch_wal()")

    wait_until(lambda: fill_and_write() or processes.are_not_ready(), "all say so")
    (disk / "filler").unlink()
    processes.postgres.start()
    processes.go_on()


@pytest.mark.timeout(240)
def test_a_database_without_connections_left_is_waited_for(processes: Processes) -> None:
    with no_connection_left(processes.database):
        wait_until(lambda: processes.are_not_ready(saying="no connection"), "all say so")
    processes.go_on()


@pytest.mark.timeout(240)
def test_probes_do_not_wait_for_a_database_that_hangs(processes: Processes) -> None:
    stopped = time.monotonic()
    with hanging(processes.servers()):
        wait_until(processes.are_not_ready, "all say so")
        took_s = time.monotonic() - stopped
        asked = time.monotonic()
        assert processes.are_not_ready(saying="does not answer")
        assert time.monotonic() - asked < 4 * 2
    processes.go_on()
    print(f"a database that hangs is told of after {took_s:.1f} s")


@pytest.mark.timeout(240)
def test_an_ingest_that_stands_still_is_told_of_by_another_process(processes: Processes) -> None:
    with psycopg.connect(processes.database, autocommit=True) as conn:

        def beaten(*but: str) -> bool:
            rows = conn.execute(
                "select process from process_heartbeat where working_at > now() - interval '20 s'"
            ).fetchall()
            return {process for (process,) in rows} >= {"ingest", "broker", "analytics", "watch"} - set(but)

        wait_until(beaten, "every process tells that it works")
        system = processes.ready["web"].replace("/readyz", "/system")
        wait_until(lambda: httpx.get(system, timeout=10).json()["troubles"] == [], "all is right")
        with hanging([processes.running["ingest"].pid]):
            conn.execute(
                "update process_heartbeat set beat_at = now() - interval '2 min', working_at = now() - interval '2 min'"
                " where process in ('ingest', 'broker')"
            )
            found = httpx.get(system, timeout=10).json()["troubles"]
            assert [one["part"] for one in found] == ["ingest"]
            assert beaten("ingest", "broker")
        wait_until(lambda: httpx.get(system, timeout=10).json()["troubles"] == [], "it is right again")


@pytest.mark.timeout(240)
def test_ingest_stands_by_when_another_took_over_and_comes_back(processes: Processes) -> None:
    with psycopg.connect(processes.database, autocommit=True) as conn:
        conn.execute("update lease set holder = 'other' where name = 'ingest'")
        later = "now() + interval '1 hour'"
        conn.execute(f"update lease_renewal set holder = 'other', renewed_at = {later} where name = 'ingest'")
        register(processes.database, "crane-1")
        with mqtt_client(processes.address) as client:
            publish_all(client, [message("crane-1", 0)])
        url = processes.ready["ingest"]
        wait_until(lambda: (found := answer(url)) is not None and "standing by" in found.text, "it says so")
        assert conn.execute("select count(*) from segment").fetchone() == (0,)
        conn.execute("delete from lease where holder = 'other'")
    processes.go_on()
    with psycopg.connect(processes.database, autocommit=True) as conn:
        wait_until(lambda: conn.execute("select count(*) from segment").fetchone() == (1,), "it is stored")


def test_work_that_waits_is_done_when_the_database_takes_writes_again(processes: Processes) -> None:
    processes.set("default_transaction_read_only", "on")
    threading.Timer(0.5, processes.set, ("default_transaction_read_only", "off")).start()
    assert patiently(processes.database, lambda conn: conn.execute("select 7").fetchone(), wait_s=0.1) == (7,)


def let_the_other_take_over(processes: Processes, what: str, limit_s: float = LIMIT_S) -> None:
    """Make the second server the one that takes writes; all go on, and what is sent then is stored there."""
    promote(processes.other)
    processes.go_on()
    register(processes.other.url, "crane-9")
    with (
        mqtt_client(processes.address) as client,
        psycopg.connect(processes.other.url, autocommit=True) as conn,
    ):
        publish_all(client, [message("crane-9", 0)])
        wait_until(lambda: conn.execute("select count(*) from segment").fetchone() == (1,), what, limit_s)


@pytest.mark.timeout(300)
def test_all_go_on_with_the_server_that_takes_over() -> None:
    with working(servers=2) as processes:
        processes.follow()
        processes.postgres.stop()  # and does not come back
        wait_until(lambda: processes.are_not_ready(but=WRITE_NOTHING), "all that write say so")
        let_the_other_take_over(processes, "it is stored there")


@pytest.mark.timeout(600)
def test_of_two_servers_the_first_may_be_full_read_only_or_hang_until_the_other_takes_over() -> None:
    with working(servers=2) as processes:
        processes.follow()
        with no_connection_left(processes.database):
            wait_until(
                lambda: processes.are_not_ready(but=WRITE_NOTHING, saying="no connection"), "they say so"
            )
            wait_until(
                lambda: processes.are_ready(but=tuple(set(COMMANDS) - set(WRITE_NOTHING))), "pages are read"
            )
        processes.go_on()
        processes.set("default_transaction_read_only", "on")
        try:
            wait_until(lambda: processes.are_not_ready(but=WRITE_NOTHING, saying="read-only"), "they say so")
        finally:
            processes.set("default_transaction_read_only", "off")
        processes.go_on()
        with hanging(processes.servers()):
            wait_until(lambda: processes.are_not_ready(but=WRITE_NOTHING), "all that write say so")
            let_the_other_take_over(processes, "it is stored there once work that stands still was cut", 240)


@pytest.mark.timeout(300)
def test_all_leave_a_server_that_takes_no_writes_any_more_for_one_that_does() -> None:
    with working(servers=2) as processes:
        processes.follow()
        processes.set("default_transaction_read_only", "on")  # the first one goes on answering
        promote(processes.other)
        with psycopg.connect(processes.other.url, autocommit=True) as conn:
            conn.execute("alter system reset default_transaction_read_only")
            conn.execute("select pg_reload_conf()")
            ours = "select count(distinct process) from process_heartbeat where beat_at > now() - interval '20 s'"
            wait_until(
                lambda: conn.execute(ours).fetchone() >= (3,),
                "those that write tell of themselves there",
                120,
            )
        processes.go_on()
