"""Segments: what is written is read, on a hypertable and on partitions alike."""

import asyncio
import threading
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput
from store import segments
from store.segments import Segment
from tests.support.ingesting import register

Connection = psycopg.Connection
T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
SAMPLES = arrays(
    np.float32,
    st.tuples(st.integers(1, 4), st.integers(1, 50)),
    elements=st.floats(-1e6, 1e6, width=32) | st.just(np.nan),
)


def segment(
    number: int = 0, values: Sequence[Sequence[float]] = ((1, 2.5, np.nan),), **changes: object
) -> Segment:
    rows = np.array(values, dtype=np.float32)
    fields: dict[str, object] = {
        "crane_id": 1,
        "t0_ms": segments.to_ms(T0) + number * 1000,
        "boot": 2**62,
        "seq": number,
        "dt_ms": 100,
        "channels": CHANNEL_NAMES[: len(rows)],
        "values": rows,
        "received_ms": segments.to_ms(T0) + 5000,
    }
    return Segment(**(fields | changes))  # type: ignore[arg-type]


def keep(conn: Connection, rows: Sequence[Segment]) -> tuple[int, int]:
    segments.prepare(conn)
    for row in rows:
        segments.make_ranges(conn, segments.from_ms(row.t0_ms), segments.from_ms(row.t0_ms))
    with conn.transaction():
        new, differing = segments.keep(conn, rows)
    return len(new), len(differing)


def whole_range(conn: Connection, channels: Sequence[str] = CHANNEL_NAMES) -> segments.Segments:
    return segments.read(conn, 1, T0 - timedelta(days=400), T0 + timedelta(days=400), channels)


@given(st.lists(SAMPLES, min_size=1, max_size=5))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_written_is_read(connection: Connection, values: list[np.ndarray]) -> None:
    connection.execute("truncate segment")
    rows = [segment(number, value) for number, value in enumerate(values)]
    assert keep(connection, rows) == (len(rows), 0)
    back = segments.read_whole(connection, 1, T0, T0 + timedelta(hours=1))
    assert all(one.same_as(other) for one, other in zip(rows, back, strict=True))
    found = whole_range(connection)
    assert found.n.tolist() == [row.values.shape[1] for row in rows]
    for place, name in enumerate(CHANNEL_NAMES):
        empty = [np.full(row.values.shape[1], np.nan, np.float32) for row in rows]
        sent = [row.values[place] if place < len(row.values) else empty[i] for i, row in enumerate(rows)]
        np.testing.assert_array_equal(found.channels[name], np.concatenate(sent))


def test_the_same_again_is_nothing_new_and_other_readings_are_told(connection: Connection) -> None:
    rows = [segment(number) for number in range(5)]
    assert keep(connection, rows) == (5, 0)
    assert keep(connection, rows) == (0, 0)
    other = segment(3, [[9, 9, 9]])
    segments.prepare(connection)
    with connection.transaction():
        assert segments.keep(connection, [other, segment(7)]) == ({segment(7).key}, {other.key})
    assert len(whole_range(connection).n) == 6


def test_a_segment_that_reaches_into_the_range_is_read_and_samples_are_cut_exactly(
    connection: Connection,
) -> None:
    keep(connection, [segment(number) for number in (0, 1, 2)])
    found = segments.read(
        connection, 1, T0 + timedelta(milliseconds=150), T0 + timedelta(milliseconds=1100), CHANNEL_NAMES
    )
    assert found.seq.tolist() == [0, 1]
    at_ms, readings = found.samples(T0 + timedelta(milliseconds=150), T0 + timedelta(milliseconds=1100))
    assert (at_ms - segments.to_ms(T0)).tolist() == [200, 1000]
    np.testing.assert_array_equal(readings["utilisation_pct"], np.array([np.nan, 1], np.float32))


def test_reading_nothing_gives_empty_columns(connection: Connection) -> None:
    found = whole_range(connection)
    assert found.at_ms().shape == found.starts.shape == found.channels["mode"].shape == (0,)


def test_an_unknown_channel_is_refused_by_name(connection: Connection) -> None:
    with pytest.raises(InvalidInput, match="no_such"):
        whole_range(connection, ["no_such"])


def test_reading_on_an_asyncio_connection_is_the_same(database: str, connection: Connection) -> None:
    keep(connection, [segment(number) for number in range(3)])

    async def read() -> segments.Segments:
        async with await psycopg.AsyncConnection.connect(database) as conn:
            return await segments.read_async(
                conn, 1, T0, T0 + timedelta(hours=1), ["slew_deg", "utilisation_pct"]
            )

    found, blocking = asyncio.run(read()), whole_range(connection, ["slew_deg", "utilisation_pct"])
    for name in ("slew_deg", "utilisation_pct"):
        np.testing.assert_array_equal(found.channels[name], blocking.channels[name])
    assert found.at_ms().tolist() == blocking.at_ms().tolist()


def test_late_data_finds_its_range_and_ranges_are_not_made_twice(connection: Connection) -> None:
    rows = [segment(0, t0_ms=segments.to_ms(T0 - timedelta(days=days))) for days in (0, 40, 300)]
    assert keep(connection, rows) == (3, 0)
    segments.make_ranges(connection, T0 - timedelta(days=300), T0)
    assert len(whole_range(connection).n) == 3


def test_a_new_range_waits_for_no_reader_and_no_writer(database: str, connection: Connection) -> None:
    """A backup reads for a long time; ingest must not wait for it, nor others for ingest."""
    keep(connection, [segment(0)])
    with psycopg.connect(database) as busy:
        busy.execute("select count(*) from segment")
        busy.execute("lock table segment in row exclusive mode")
        connection.execute("set lock_timeout = '5s'")
        segments.make_ranges(connection, T0 - timedelta(days=500), T0 - timedelta(days=400))
        assert keep(connection, [segment(1, t0_ms=segments.to_ms(T0 - timedelta(days=450)))]) == (1, 0)


def test_two_writers_may_need_the_same_new_range(database: str, connection: Connection) -> None:
    """The second has looked, found none and waits; what the first made meanwhile must not stop it."""
    with psycopg.connect(database) as first, psycopg.connect(database, autocommit=True) as second:
        segments.make_ranges(first, T0, T0)
        failed: list[BaseException] = []

        def make() -> None:
            try:
                segments.make_ranges(second, T0, T0)
            except psycopg.Error as error:
                failed.append(error)

        waiting = threading.Thread(target=make)
        waiting.start()
        while not waits_for_a_lock(connection, second.info.backend_pid) and waiting.is_alive():
            time.sleep(0.01)
        first.commit()
        waiting.join(20)
        assert not failed
        assert keep(second, [segment(0)]) == (1, 0)


def waits_for_a_lock(conn: Connection, pid: int) -> bool:
    found = conn.execute("select from pg_locks where pid = %s and not granted", [pid]).fetchone()
    return found is not None


def plan_of(conn: Connection, query: str) -> str:
    return "\n".join(line for (line,) in conn.execute(f"explain {query}").fetchall())


def test_the_sample_view_gives_rows_and_reads_only_the_segments_in_question(
    database: str, connection: Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    months = [T0 + timedelta(days=30 * month) for month in range(6)]
    keep(connection, [segment(0, crane_id=crane_id, t0_ms=segments.to_ms(at)) for at in months])
    rows = connection.execute(
        "select at, utilisation_pct, slew_deg from samples_between('crane-a', %s, %s) order by at",
        [months[2], months[2] + timedelta(milliseconds=200)],
    ).fetchall()
    assert rows == [(months[2], 1.0, None), (months[2] + timedelta(milliseconds=100), 2.5, None)]
    (of_all,) = connection.execute(
        "select count(*) from samples_between(%s, %s)", [months[2], months[3] + timedelta(milliseconds=100)]
    ).fetchone() or (0,)
    assert of_all == 4
    connection.execute("analyze segment")
    connection.execute("set enable_seqscan = off")
    day = "'2026-05-01T00:00Z' and t0 < '2026-05-02T00:00Z'"
    filtered = plan_of(connection, f"select * from sample where crane_id = {crane_id} and t0 >= {day}")
    function = plan_of(
        connection,
        "select at, mode from samples_between('crane-a', '2026-05-01T00:00Z', '2026-05-02T00:00Z')",
    )
    whole_fleet = plan_of(
        connection, "select at, mode from samples_between('2026-05-01T00:00Z', '2026-05-02T00:00Z')"
    )
    spread = connection.execute("select to_regclass('pg_dist_partition')").fetchone() != (None,)
    # On a cluster the functions plan inside, out of scope, and the setting above does not reach the nodes.
    for plan in (filtered,) if spread else (filtered, function, whole_fleet):
        word = "t0 >" if spread else "Index Cond"
        conditions = [line for line in plan.splitlines() if word in line and "t0 >" in line]
        assert conditions, plan
        assert plan.count("segment_2026") <= 2 * len(conditions), plan
        assert "2026_03" not in plan, plan


def test_readings_keep_their_names_where_columns_stand_in_another_order(connection: Connection) -> None:
    """A database that was brought forward step by step may have a channel where a new one has another."""
    connection.execute("alter table segment drop column slew_deg cascade")
    connection.execute("alter table segment add column slew_deg real[]")
    sent = segment(values=[[float(place)] for place in range(len(CHANNEL_NAMES))])
    assert keep(connection, [sent]) == (1, 0)
    row = connection.execute("select slew_deg, main_boom_deg, lift_counter from segment").fetchone()
    assert row == tuple(
        [float(CHANNEL_NAMES.index(name))] for name in ("slew_deg", "main_boom_deg", "lift_counter")
    )
