"""The disk of the database is full: everything waits, and goes on when there is room again."""

import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import sql

from store import segments
from tests.faults.conftest import Installation
from tests.support.ingesting import wait_until
from tests.support.telemetry import START

pytestmark = pytest.mark.mosquitto

SIZE_MB, FREE_MB = 16, 1
SENT = 300


@contextlib.contextmanager
def small_disk(installation: Installation) -> Iterator[Path]:
    """The partition that the test's messages belong to lies on a disk with little room; gives the file to remove."""
    disk = installation.folder / "disk"
    disk.mkdir()
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("a small disk can be mounted by root only")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m,mode=755", "tmpfs", str(disk)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    try:
        space = disk / "space"
        space.mkdir()
        data = (installation.postgres.folder / "data").stat()
        os.chown(space, data.st_uid, data.st_gid)
        with psycopg.connect(installation.database, autocommit=True) as conn:
            segments.make_ranges(conn, START, START)
            conn.execute(sql.SQL("create tablespace small location {}").format(str(space)))
            conn.execute(f"alter table segment_{START:%Y_%m} set tablespace small")
        filler = disk / "filler"
        filler.write_bytes(bytes(shutil.disk_usage(disk).free - FREE_MB * 2**20))
        yield filler
    finally:
        subprocess.run(["umount", "--lazy", str(disk)], check=True)


@pytest.mark.timeout(600)
def test_a_full_disk_of_the_database_is_waited_for(
    installation: Installation, cranes: dict[str, int]
) -> None:
    log = installation.folder / "ingest.log"
    with small_disk(installation) as filler:
        for crane in cranes:
            installation.send(crane, SENT, 250.0)
        wait_until(lambda: "No space left" in log.read_text(), "the disk is full")
        filler.unlink()
        installation.finish(*cranes)
        for crane, crane_id in cranes.items():
            installation.check_equal(crane, crane_id, SENT)
        installation.check_ledgers(SENT, *cranes)
        with psycopg.connect(installation.database, autocommit=True) as conn:
            conn.execute(f"alter table segment_{START:%Y_%m} set tablespace pg_default")
            conn.execute("drop tablespace small")
    print(f"disk full while {SENT * len(cranes)} messages came: none lost, none twice, ledgers equal")
