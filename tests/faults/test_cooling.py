"""`db cool` in every state of its database and folder, real ones: it goes on or ends with words, and nothing is lost or half moved."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from boomledger.postgres import EmbeddedPostgres
from store import parquet, segments
from store.columns import Segment
from store.migrate import migrate
from tests.faults.conftest import ROOT
from tests.faults.test_database_states import fill, follow, hanging, pids_of, promote, small_disk
from tests.support.ingesting import register, wait_until

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
DAYS = 60
A_DAY = 20  # messages


class Cooling:
    """A database with old days, and the command that moves them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.cold = folder / "cold"
        self.small_disk = os.path.ismount(folder / "postgres")
        options = {"fsync": "off", "max_connections": "15", "max_wal_size": "64MB"}
        self.postgres = EmbeddedPostgres(folder / "postgres", options)
        self.url = self.postgres.start()
        primary = conninfo_to_dict(self.url)
        replicates = {"primary_conninfo": make_conninfo("", host=primary["host"], user=primary["user"])}
        self.other = EmbeddedPostgres(folder / "other", options | replicates)
        self.both = f"{self.url},{quote(str(self.folder / 'other'), safe='')}"
        migrate(self.url)
        self.crane_id = register(self.url, "crane-a")["crane-a"]
        with psycopg.connect(self.url, autocommit=True) as conn:
            segments.prepare(conn)
            segments.make_ranges(conn, FIRST, FIRST + timedelta(days=DAYS + 1))
            with conn.transaction():
                segments.keep(conn, self._rows())
        self.whole = self.stored(self.url)
        assert len(self.whole) == DAYS * A_DAY

    def _rows(self) -> list[Segment]:
        rng = np.random.default_rng(4)
        one = Segment(
            crane_id=self.crane_id,
            t0_ms=0,
            boot=5,
            seq=0,
            dt_ms=100,
            channels=("utilisation_pct",),
            values=np.zeros((1, 100), np.float32),
            received_ms=segments.to_ms(FIRST),
        )
        return [
            replace(
                one,
                t0_ms=segments.to_ms(FIRST + timedelta(days=number // A_DAY, minutes=number % A_DAY)),
                seq=number,
                values=np.round(rng.uniform(0, 90, (1, 100)), 1).astype(np.float32),
            )
            for number in range(DAYS * A_DAY)
        ]

    def stored(self, url: str) -> dict[tuple[int, ...], bytes]:
        """Every message in both tiers; none is in both, and every file has a day."""
        with psycopg.connect(url, autocommit=True) as conn:
            rows = segments.read_both_tiers(conn, self.crane_id, FIRST, FIRST + timedelta(days=DAYS + 1))
            keys = [row.key for row in rows]
            assert len(set(keys)) == len(keys)
        return {row.key: row.values.tobytes() for row in rows}

    def left(self, url: str) -> int:
        with psycopg.connect(url, autocommit=True) as conn:
            row = conn.execute("select count(*) from segment").fetchone()
        assert row is not None
        return int(row[0])

    def moved(self, url: str) -> int:
        with psycopg.connect(url, autocommit=True) as conn:
            row = conn.execute("select count(*) from cold_day").fetchone()
        assert row is not None
        return int(row[0])

    @contextmanager
    def stopped_in_the_middle(self, url: str, cold: Path | str = "") -> Iterator[subprocess.Popen[bytes]]:
        """The command at work over the database, some days moved and some not, held still for what the test does; then it goes on."""
        with (self.folder / "said").open("wb") as said:
            command = [
                sys.executable,
                "-m",
                "boomledger",
                "db",
                "cool",
                str(cold or self.cold),
                "--keep-days",
                "1",
            ]
            settings = {"BOOMLEDGER_DATABASE_URL": url, "AWS_EC2_METADATA_DISABLED": "true"}
            process = subprocess.Popen(
                command, env={**os.environ, **settings}, cwd=ROOT, stdout=said, stderr=said
            )
        try:
            wait_until(
                lambda: process.poll() is not None or self.moved(self.url) >= 3, "days have moved", 120
            )
            os.kill(process.pid, signal.SIGSTOP)
            assert process.poll() is None, self.said()
            yield process
        finally:
            os.kill(process.pid, signal.SIGCONT)

    def said(self) -> str:
        return (self.folder / "said").read_text()

    def says(self, words: str) -> None:
        wait_until(lambda: words in self.said(), f"it says: {words}", 120)

    def ends_well(self, process: subprocess.Popen[bytes], url: str) -> None:
        """It went on and moved every day, whole, and no file is over."""
        assert process.wait(120) == 0, self.said()
        assert self.left(url) == 0, self.said()
        assert self.stored(url) == self.whole
        with psycopg.connect(url) as conn:
            lived_in = {name for (name,) in conn.execute("select location from cold_day").fetchall()}
        assert parquet.listed(str(self.cold)).keys() == lived_in

    def close(self) -> None:
        self.postgres.stop()
        self.other.stop()


@pytest.fixture
def cooling() -> Iterator[Cooling]:
    with tempfile.TemporaryDirectory(prefix="boomledger-cool-") as folder:
        Path(folder).chmod(0o755)
        with small_disk(Path(folder) / "postgres"):
            found = Cooling(Path(folder))
            try:
                yield found
            finally:
                found.close()


def set_read_only(url: str, value: str) -> None:
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("set default_transaction_read_only = off")
        conn.execute(f"alter system set default_transaction_read_only = {value}")
        conn.execute("select pg_reload_conf()")


def write_until_full(url: str) -> None:
    """Until the log of what is written finds no room."""
    with psycopg.connect(url, autocommit=True) as conn:
        for _ in range(1000):
            conn.execute("select pg_logical_emit_message(true, 'trial', 'x')")
            conn.execute("select pg_switch_wal()")


@pytest.mark.timeout(300)
def test_it_waits_for_a_database_that_takes_no_writes_is_away_or_hangs(cooling: Cooling) -> None:
    with cooling.stopped_in_the_middle(cooling.url) as process:
        set_read_only(cooling.url, "on")
    cooling.says("the database is read-only and takes no writes; trying again")
    before = cooling.moved(cooling.url)
    assert before < DAYS
    assert cooling.stored(cooling.url) == cooling.whole
    os.kill(process.pid, signal.SIGSTOP)
    cooling.postgres.stop()
    os.kill(process.pid, signal.SIGCONT)
    cooling.says("the database does not answer; trying again")
    cooling.postgres.start()
    set_read_only(cooling.url, "off")
    cooling.ends_well(process, cooling.url)


@pytest.mark.timeout(300)
def test_it_says_that_the_database_hangs_and_goes_on(cooling: Cooling) -> None:
    with cooling.stopped_in_the_middle(cooling.url) as process:
        frozen = hanging(pids_of(cooling.postgres))
        frozen.__enter__()
    try:
        cooling.says("the database does not answer; trying again")
    finally:
        frozen.__exit__(None, None, None)
    cooling.ends_well(process, cooling.url)


@pytest.mark.timeout(300)
def test_it_waits_for_a_database_whose_disk_is_full(cooling: Cooling) -> None:
    if not cooling.small_disk:
        pytest.skip("a small disk can be mounted by root only")
    disk = cooling.folder / "postgres"
    with cooling.stopped_in_the_middle(cooling.url) as process:
        fill(disk)
        with pytest.raises(psycopg.Error):
            write_until_full(cooling.url)
    cooling.says("trying again")
    assert process.poll() is None
    (disk / "filler").unlink()
    cooling.postgres.start()
    cooling.ends_well(process, cooling.url)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("end", ["stopped", "hanging"])
def test_it_goes_on_with_the_server_that_takes_over(cooling: Cooling, end: str) -> None:
    follow(cooling.postgres, cooling.other)
    with cooling.stopped_in_the_middle(cooling.both) as process:
        wait_until(lambda: cooling.moved(cooling.other.url) >= 3, "the other server has followed")
        frozen = hanging(pids_of(cooling.postgres))
        if end == "stopped":
            cooling.postgres.stop()
        else:
            frozen.__enter__()
    try:
        cooling.says("read-only" if end == "stopped" else "the database")
        promote(cooling.other)
        cooling.ends_well(process, cooling.other.url)
    finally:
        if end == "hanging":
            frozen.__exit__(None, None, None)


@pytest.mark.timeout(300)
def test_it_ends_with_words_where_the_folder_takes_no_more_and_the_next_run_goes_on(cooling: Cooling) -> None:
    if not cooling.small_disk:
        pytest.skip("a small disk can be mounted by root only")
    disk = cooling.folder / "small"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)], check=True)
    try:
        with cooling.stopped_in_the_middle(cooling.url, disk) as process:
            pass
        assert process.wait(120) == 1, cooling.said()
        assert "cannot be written" in cooling.said()
        assert "does not answer" not in cooling.said()
        assert 3 <= cooling.moved(cooling.url) < DAYS
        assert cooling.stored(cooling.url) == cooling.whole
        shutil.copytree(disk, cooling.cold)
    finally:
        subprocess.run(["umount", "--lazy", str(disk)], check=True)
    command = [sys.executable, "-m", "boomledger", "db", "cool", str(cooling.cold), "--keep-days", "1"]
    settings: dict[str, Any] = {"BOOMLEDGER_DATABASE_URL": cooling.url}
    again = subprocess.Popen(command, env={**os.environ, **settings}, cwd=ROOT)
    cooling.ends_well(again, cooling.url)
