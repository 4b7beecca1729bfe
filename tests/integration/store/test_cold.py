"""The cold tier: moved days are read as before, and nothing leaves the database unchecked."""

import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import psycopg
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from domain.channels import CHANNEL_NAMES
from domain.errors import Conflict, InvalidInput, Unavailable
from store import cold, packing, parquet, segments, touched
from store.columns import Segment
from store.locks import Lock, take
from tests.support.ingesting import register, wait_until

T0 = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
NAMES = ("utilisation_pct", "slew_deg", "mode")
VALUES = st.floats(-1e6, 1e6, width=32) | st.sampled_from([np.nan, -0.0, 0.1, 12.34, 99.9, -7.125])


def rows_of(crane_id: int, hours: int = 5, boot: int = 5) -> list[Segment]:
    """A segment every minute, over a UTC midnight."""
    rng = np.random.default_rng(1)
    walk = np.round(np.cumsum(rng.normal(0, 0.3, (3, hours * 60 * 100)), axis=1), 2).astype(np.float32)
    walk[rng.random(walk.shape) < 0.001] = np.nan
    return [
        Segment(
            crane_id=crane_id,
            t0_ms=segments.to_ms(T0) + number * 60_000,
            boot=boot,
            seq=number,
            dt_ms=600,
            channels=NAMES if number % 3 else NAMES[:2],
            values=walk[: 3 if number % 3 else 2, number * 100 : (number + 1) * 100],
            received_ms=segments.to_ms(T0) + number * 60_500,
        )
        for number in range(hours * 60)
    ]


def keep(conn: psycopg.Connection, rows: list[Segment]) -> None:
    segments.prepare(conn)
    segments.make_ranges(conn, T0 - timedelta(days=2), T0 + timedelta(days=2))
    with conn.transaction():
        segments.keep(conn, rows)


def read(conn: psycopg.Connection, crane_id: int) -> segments.Segments:
    return segments.read(conn, crane_id, T0 + timedelta(minutes=30), T0 + timedelta(hours=4), NAMES)


def same(first: segments.Segments, second: segments.Segments) -> None:
    for column in ("t0_ms", "boot", "seq", "dt_ms", "n"):
        np.testing.assert_array_equal(getattr(first, column), getattr(second, column))
    for name in NAMES:
        np.testing.assert_array_equal(first.channels[name], second.channels[name])


def hot(conn: psycopg.Connection) -> int:
    row = conn.execute("select count(*) from segment").fetchone()
    assert row is not None
    return int(row[0])


@given(arrays(np.float32, st.tuples(st.integers(1, 3), st.integers(1, 60)), elements=VALUES))
@settings(max_examples=40, deadline=None)
def test_a_file_says_exactly_what_was_put_in(
    tmp_path_factory: pytest.TempPathFactory, values: np.ndarray
) -> None:
    folder = str(tmp_path_factory.getbasetemp())
    row = Segment(
        crane_id=3,
        t0_ms=-5,
        boot=2**63 - 1,
        seq=0,
        dt_ms=7,
        channels=NAMES[: len(values)],
        values=values,
        received_ms=9,
    )
    name, data = parquet.coded("one", [row])
    parquet.write(location := parquet.below(folder, name), data)
    (back,) = parquet.load(location, crane_id=3)
    assert back.key == row.key
    assert back.channels == row.channels
    # Bit by bit, so that -0.0 is not 0.0; every NaN is the one missing reading.
    missing = np.isnan(values)
    np.testing.assert_array_equal(np.isnan(back.values), missing)
    np.testing.assert_array_equal(back.values.view(np.int32)[~missing], values.view(np.int32)[~missing])


def test_moved_days_are_read_as_before(database: str, connection: psycopg.Connection, tmp_path: Path) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    before = read(connection, crane_id)
    moved = cold.move(connection, str(tmp_path), before=date(2026, 3, 3))
    assert (moved.days, moved.samples, moved.waiting) == (1, 120 * 100, 0)
    assert hot(connection) == 180
    same(read(connection, crane_id), before)
    cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    assert hot(connection) == 0
    same(read(connection, crane_id), before)


def test_two_do_not_move_days_at_once(database: str, connection: psycopg.Connection, tmp_path: Path) -> None:
    with psycopg.connect(database, autocommit=True) as other:
        assert take(other, Lock.COOL)
        with pytest.raises(Conflict, match="another session"):
            cold.move(connection, str(tmp_path), before=date(2026, 3, 3))
    # The other ends, and its lock with it.
    locks = "select count(*) from pg_locks where locktype = 'advisory' and database = (select oid from pg_database where datname = current_database())"
    wait_until(lambda: connection.execute(locks).fetchone() == (0,), "the other session has ended")
    assert cold.move(connection, str(tmp_path), before=date(2026, 3, 3)).days == 0
    with psycopg.connect(database, autocommit=True) as other:
        assert take(other, Lock.COOL), "given back"


def test_any_tool_reads_the_file(database: str, connection: psycopg.Connection, tmp_path: Path) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    cold.move(connection, str(tmp_path), before=date(2026, 3, 3))
    (file,) = tmp_path.rglob("*.parquet")
    assert file.parent == tmp_path / "crane-a" / "2026"
    table = pq.read_table(file)
    assert table.num_rows == 12_000
    assert table["at"][0].as_py() == T0
    assert float(table["utilisation_pct"][0].as_py()) == pytest.approx(
        float(rows_of(crane_id)[0].values[0, 0])
    )


def test_late_data_joins_the_file_of_its_day(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    rows = rows_of(crane_id)
    keep(connection, rows[::2])
    cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    keep(connection, rows)  # the late half, and everything that had moved once more
    late = read(connection, crane_id)
    assert len(late.n) == len(set(late.t0_ms.tolist())) == 210
    cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    assert hot(connection) == 0
    same(read(connection, crane_id), late)
    assert len(list(tmp_path.rglob("*.parquet"))) == 2


def test_a_message_that_comes_again_is_known_and_one_with_other_readings_is_told(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    rows = rows_of(crane_id)
    keep(connection, rows[::2])
    cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    other = replace(rows[2], values=rows[2].values + 1)
    for keeping in (segments.keep, segments.keep_as_new):
        with connection.transaction(force_rollback=True):
            assert keeping(connection, [rows[0], other, rows[1]]) == ({rows[1].key}, {other.key})
            assert hot(connection) == 1
    next(tmp_path.rglob("*.parquet")).unlink()  # what cannot be compared is kept
    with connection.transaction(force_rollback=True):
        assert len(segments.keep(connection, rows[::2])[0]) in (60, 90)


# Where the process that moves days ends, by its own hand, as by the kernel's: before a line is reached or after it.
KILLED = """
import os, signal, sys
from datetime import date
import psycopg
from store import cold, parquet

database, folder, step = sys.argv[1:]
def die(*args, **named):
    os.kill(os.getpid(), signal.SIGKILL)
write, remove, tidied = parquet.write, parquet.remove, []
def tidy(conn, folder, whole=cold._tidy):
    return die() if tidied else tidied.append(whole(conn, folder)) or 0
if step == "written down":
    parquet.write = die
elif step == "half a file":
    parquet.write = lambda place, data: die(write(place, data[: data.size // 2]))
elif step == "a file":
    parquet.write = lambda place, data: die(write(place, data))
elif step == "before the commit":
    cold._remove = die
elif step == "moved":
    cold._tidy = tidy
elif step == "old file removed":
    parquet.remove = lambda place: die(remove(place))
with psycopg.connect(database, autocommit=True) as conn:
    cold.move(conn, folder, before=date(2026, 3, 4))
"""


@pytest.mark.parametrize(
    ("step", "left_over"),
    [
        ("written down", 0),
        ("half a file", 1),
        ("a file", 1),
        ("before the commit", 1),
        ("moved", 2),
        ("old file removed", 1),
    ],
)
def test_a_kill_loses_and_doubles_nothing_and_the_next_run_tidies_up(
    database: str, connection: psycopg.Connection, tmp_path: Path, step: str, left_over: int
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    rows = rows_of(crane_id)
    keep(connection, rows[::2])
    cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    with connection.transaction():
        packing.keep_new(connection, rows[1::2])  # late data: the old files will be no longer needed
    whole = read(connection, crane_id)
    killed = subprocess.run([sys.executable, "-c", KILLED, database, str(tmp_path), step], check=False)
    assert killed.returncode == -signal.SIGKILL
    same(read(connection, crane_id), whole)
    assert cold.move(connection, str(tmp_path), before=date(2026, 3, 4)).files_removed == left_over
    same(read(connection, crane_id), whole)
    assert hot(connection) == 0
    lived_in = {name for (name,) in connection.execute("select location from cold_day").fetchall()}
    assert parquet.listed(str(tmp_path)).keys() == lived_in
    assert connection.execute("select location from cold_file_unfinished").fetchall() == []


def test_a_folder_moves_with_its_files_and_not_without(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    with pytest.raises(InvalidInput, match="name its folder"):
        cold.move(connection, None, before=date(2026, 3, 3))
    whole = read(connection, crane_id)
    here, there = tmp_path / "here", tmp_path / "there"
    cold.move(connection, str(here), before=date(2026, 3, 3))
    with pytest.raises(Conflict, match="1 of 1 files of the cold tier are not whole below"):
        cold.move(connection, str(there), before=date(2026, 3, 4))
    shutil.copytree(here, there)
    (file,) = there.rglob("*.parquet")
    file.write_bytes(file.read_bytes()[:-1])
    with pytest.raises(Conflict, match=str(here)):
        cold.move(connection, str(there), before=date(2026, 3, 4))
    shutil.rmtree(there)
    here.rename(there)
    assert cold.move(connection, str(there), before=date(2026, 3, 4)).days == 1
    same(read(connection, crane_id), whole)
    assert cold.move(connection, None, before=date(2026, 3, 4)).days == 0
    assert not here.exists()


def test_a_day_that_waits_to_be_counted_stays(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    touched.touch(connection, [(crane_id, date(2026, 3, 2))])
    moved = cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    assert (moved.days, moved.waiting) == (0, 2)
    assert hot(connection) == 300


def test_a_copy_that_differs_stops_the_move_and_removes_nothing(
    database: str, connection: psycopg.Connection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    load = parquet.load
    monkeypatch.setattr(parquet, "load", lambda *args, **named: load(*args, **named)[:-1])
    with pytest.raises(cold.CopyDiffers, match="does not say"):
        cold.move(connection, str(tmp_path), before=date(2026, 3, 4))
    assert hot(connection) == 300


def test_a_folder_that_cannot_be_written_is_said_plainly(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    with pytest.raises(Unavailable, match="cannot be written"):
        cold.move(connection, "/proc/nowhere", before=date(2026, 3, 4))
    assert hot(connection) == 300


def test_a_range_that_was_emptied_is_given_back(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    keep(connection, rows_of(crane_id))
    segments.make_ranges(connection, datetime(2026, 1, 5, tzinfo=UTC), T0)
    assert cold.move(connection, str(tmp_path), before=date(2026, 4, 2)).ranges_dropped >= 1
    keep(connection, rows_of(crane_id, boot=6))
    assert hot(connection) == 300


def test_channels_of_the_file_follow_the_dictionary() -> None:
    assert len(CHANNEL_NAMES) <= 31, "the bit field of the file's column `channels` is an int32"
