"""`boomledger replay` through a broker with TLS into a real database, from each of its sources, and a load over TLS."""

import io
import os
import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from pydantic import SecretStr
from rich.console import Console

from benchmarks.load import Load, run_load
from boomledger import replay, simulate
from boomledger.broker import find_mosquitto, free_port, wait_for_port
from boomledger.settings import Settings
from boomledger.yard import register, write_history
from ingest import service
from simulator.generate import generate_day
from simulator.record import DayRecord
from simulator.yard import load_yard
from store import cranes, segments
from store.connection import connect
from tests.integration.ingest.test_access import make_certificates

pytestmark = pytest.mark.mosquitto
PATIENCE_S = 60
CRANE = "yard-04"
LENGTH = timedelta(minutes=6)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """The URL of a Mosquitto that speaks TLS only, and the authority of its certificate."""
    program = find_mosquitto()
    if program is None or shutil.which("openssl") is None:
        pytest.skip("needs mosquitto and openssl: apt-get install mosquitto openssl")
    make_certificates(tmp_path)
    port = free_port()
    config = tmp_path / "tls.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 100000\n"
        f"certfile {tmp_path}/server.crt\nkeyfile {tmp_path}/server.key\n"
        + ("user root\n" if os.geteuid() == 0 else "")  # pytest's folders are closed to its own account
    )
    process = subprocess.Popen([program, "-c", str(config)], stderr=subprocess.DEVNULL)
    try:
        wait_for_port("127.0.0.1", port, lambda: process.poll() is None, "mosquitto")
        yield f"mqtts://127.0.0.1:{port}", tmp_path / "ca.crt"
    finally:
        process.kill()
        process.wait(PATIENCE_S)


@pytest.fixture
def settings(database: str, broker: tuple[str, Path]) -> Iterator[Settings]:
    """Settings of a database with an ingest that listens at the broker."""
    url, authority = broker
    stop, subscribed = threading.Event(), threading.Event()
    thread = threading.Thread(
        target=service.run,
        kwargs={
            "broker_url": url,
            "broker_ca_file": authority,
            "database_url": database,
            "stop": stop,
            "subscribed": subscribed,
        },
    )
    thread.start()
    try:
        assert subscribed.wait(PATIENCE_S)
        yield Settings(database_url=SecretStr(database), broker_url=SecretStr(url), broker_ca_file=authority)
    finally:
        stop.set()
        thread.join(PATIENCE_S)


@pytest.fixture
def record(database: str) -> DayRecord:
    """A recorded day of one crane."""
    yard = load_yard(date(2026, 1, 5))
    register(database, yard, date(2025, 11, 1))
    made = generate_day(yard.crane(CRANE), date(2025, 11, 5), 1, dt_ms=500)
    assert made is not None
    write_history(database, [made])
    return made


def stored(url: str, crane: str, start: datetime, end: datetime) -> segments.Segments:
    with connect(url) as conn:
        crane_id = cranes.directory(conn)[crane].crane_id
        return segments.read(conn, crane_id, start, end, ("utilisation_pct", "slew_deg"))


def as_table(record: DayRecord, end_ms: int) -> pa.Table:
    n = int(np.searchsorted(record.t_ms, end_ms))
    columns = {name: record.channels[name][:n] for name in ("utilisation_pct", "slew_deg")}
    at = pa.array(record.t_ms[:n], pa.timestamp("ms", tz="UTC"))
    return pa.table({"crane": [CRANE] * n, "at": at, **columns})


@pytest.mark.parametrize("source", ["database", "parquet", "csv"])
def test_a_period_is_sent_once_more_as_a_twin(
    settings: Settings, database: str, record: DayRecord, tmp_path: Path, source: str
) -> None:
    start = segments.from_ms(int(record.t_ms[0]))
    end = start + LENGTH
    file = None
    if source != "database":
        file = tmp_path / f"samples.{source}"
        table = as_table(record, segments.to_ms(end))
        pq.write_table(table, file) if source == "parquet" else pyarrow.csv.write_csv(table, file)
    begun = datetime.now(UTC)
    for thin in (False, True):  # twice: other boot numbers, so both are kept
        replay.run(
            settings,
            names=[CRANE] if file is None else [],
            time_from=start if file is None else None,
            time_to=end if file is None else None,
            samples_file=file,
            events_file=None,
            factor=1000.0,
            thin=thin,
            stop=threading.Event(),
            console=Console(file=io.StringIO()),
        )
    twin = stored(database, f"replay-{CRANE}", begun - 2 * LENGTH, datetime.now(UTC) + LENGTH)
    assert len(set(twin.boot.tolist())) == 2
    assert record.boot not in set(twin.boot.tolist())
    expected = record.channels["utilisation_pct"][record.t_ms < segments.to_ms(end)]
    for boot in set(twin.boot.tolist()):
        of_boot = np.repeat(twin.boot, twin.n) == boot
        played = twin.channels["utilisation_pct"][of_boot]
        if source == "database":  # whole messages: the last one reaches over the end
            assert len(played) >= len(expected)
        np.testing.assert_array_equal(played[: len(expected)], expected)
    own = stored(database, CRANE, begun - 2 * LENGTH, datetime.now(UTC) + LENGTH)
    assert own.n.sum() == 0


def test_a_load_goes_over_tls(settings: Settings, broker: tuple[str, Path], database: str) -> None:
    yard = load_yard(date(2026, 1, 5))
    with connect(database) as conn:
        cranes.save_site(conn, yard.site)
        for name in ("load-00001", "load-00002", "load-00003"):
            cranes.save_crane(conn, yard.cranes[0].crane.model_copy(update={"name": name}))
    measured = run_load(broker[0], Load(cranes=3, seconds=1.0, message_every_s=0.25), ca_file=broker[1])
    assert (measured.messages, measured.receipts, measured.quarantined) == (12, 12, 0)


def test_days_are_published_at_a_speed_factor(settings: Settings, database: str) -> None:
    output = io.StringIO()
    simulate.run_published(
        settings, 4, 1, 1, factor=20_000.0, stop=threading.Event(), console=Console(file=output)
    )
    sent, of = re.findall(r"\d+", output.getvalue())
    assert sent == of
    assert int(of) > 20
    now = datetime.now(UTC)
    assert stored(database, "yard-01", now - timedelta(days=6), now).n.sum() > 1000
