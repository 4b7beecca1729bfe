"""Bytes a sample of 8 channels in a database of your choice: as written, in the columnstore where there is one, in the cold tier.

python benchmarks/store.py --database postgresql://... --json     (an empty database; without one: the embedded PostgreSQL)

Messages of 100 samples at 10 Hz of simulated work in an invented yard, the same signals as in benchmarks/ingest.py.
"""

import argparse
import json
import sys
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import psycopg

from benchmarks.ingest import CHANNELS, DT_MS, SAMPLES, working
from boomledger.postgres import EmbeddedPostgres
from domain.channels import CHANNEL_NAMES
from store import cold, segments
from store.columns import Segment, from_ms, to_ms
from store.migrate import migrate
from tests.support.ingesting import register
from tests.support.telemetry import START

CRANES, MESSAGES = 4, 5000  # a crane; a little more than half a day each
NAMES = tuple(sorted(CHANNELS, key=CHANNEL_NAMES.index))


def rows(crane_id: int, place: int) -> list[Segment]:
    """Messages of one crane, in order of time."""
    readings = working(place, MESSAGES * SAMPLES)[[CHANNELS.index(name) for name in NAMES]]
    return [
        Segment(
            crane_id=crane_id,
            t0_ms=to_ms(START) + number * SAMPLES * DT_MS,
            boot=7,
            seq=number,
            dt_ms=DT_MS,
            channels=NAMES,
            values=np.ascontiguousarray(readings[:, number * SAMPLES :][:, :SAMPLES], dtype=np.float32),
            received_ms=to_ms(START) + (number + 1) * SAMPLES * DT_MS + 300,
        )
        for number in range(MESSAGES)
    ]


def size(conn: psycopg.Connection[Any]) -> int:
    """Bytes of `segment` with its partitions or chunks, indexes and overflow storage."""
    conn.execute("vacuum segment")
    partitioned = conn.execute("select segment_is_partitioned()").fetchone() == (True,)
    row = conn.execute(
        "select sum(pg_total_relation_size(relid)) from pg_partition_tree('segment') where isleaf"
        if partitioned
        else "select hypertable_size('segment')"
    ).fetchone()
    assert row is not None
    return int(row[0])


def measure(url: str) -> dict[str, float]:
    """Bytes a sample in each form."""
    migrate(url)
    ids = register(url, *(f"load-{place:05}" for place in range(CRANES)))
    samples = CRANES * MESSAGES * SAMPLES
    found: dict[str, float] = {"samples": samples}
    with psycopg.connect(url, autocommit=True) as conn:
        segments.prepare(conn)
        segments.make_ranges(conn, START, from_ms(to_ms(START) + MESSAGES * SAMPLES * DT_MS))
        stored = [rows(crane_id, place) for place, crane_id in enumerate(ids.values())]
        for first in range(0, MESSAGES, 100):
            with conn.transaction():
                segments.keep(conn, [row for one in stored for row in one[first : first + 100]])
        found["bytes_per_sample_hot"] = size(conn) / samples
        if conn.execute("select segment_is_partitioned()").fetchone() == (False,):
            conn.execute("select compress_chunk(chunk) from show_chunks('segment') as chunk")
            found["bytes_per_sample_columnstore"] = size(conn) / samples
        with tempfile.TemporaryDirectory() as folder:
            moved = cold.move(conn, folder, before=date(2100, 1, 1))
            found["bytes_per_sample_cold"] = moved.bytes / moved.samples
    return found


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--database", help="URL of an empty database")
    parser.add_argument("--json", action="store_true", help="one line of JSON")
    asked = parser.parse_args()
    if asked.database:
        found = measure(asked.database)
    else:
        with tempfile.TemporaryDirectory(prefix="boomledger-bench-") as folder:
            Path(folder).chmod(0o755)
            server = EmbeddedPostgres(Path(folder) / "postgres", {"fsync": "off"})
            try:
                found = measure(server.start())
            finally:
                server.stop()
    print(
        json.dumps({name: round(value, 2) for name, value in found.items()}, indent=None if asked.json else 2)
    )


if __name__ == "__main__":
    main()
