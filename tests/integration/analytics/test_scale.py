"""Counting on several processes is bit-equal to counting on one, also when workers die on the way."""

import os
import signal
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from analytics import scale
from tests.integration.analytics.crane_at_work import Yard, working

distributed = pytest.importorskip("distributed")

pytestmark = [
    pytest.mark.filterwarnings("ignore"),  # of Dask's own sockets and child processes at shutdown
    pytest.mark.timeout(900),  # each worker process loads and compiles for itself
]
START = datetime(2026, 3, 9, 21, 30, tzinfo=UTC)  # 22:30 in Vienna: every night over midnight


@pytest.fixture
def client() -> Iterator["distributed.Client"]:
    with scale.open_client(workers=2) as client:
        yield client
        client.cluster.close()


def some_nights(yard: Yard) -> None:
    for night in range(6):
        yard.store(
            yard.messages(
                START + timedelta(days=night), working(3, seed=night, dt_ms=2000), dt_ms=2000, boot=night + 1
            )
        )


def serial(yard: Yard) -> dict[str, list]:
    some_nights(yard)
    yard.count()
    counted = yard.counted()
    with psycopg.connect(yard.url) as conn:
        conn.execute("truncate counting, crane_summary, day_figure, span_ledger, lift, gap cascade")
    return counted


def test_parts_on_two_workers_are_bit_equal_to_the_serial_run(
    yard: Yard, client: "distributed.Client"
) -> None:
    expected = serial(yard)
    some_nights(yard)
    assert scale.recount_fleet(client, yard.url, days_per_part=2) == 7
    assert yard.counted() == expected
    assert not yard.rows("touched_day")


def test_workers_killed_in_the_middle_change_nothing(yard: Yard, client: "distributed.Client") -> None:
    """Both workers are killed, one after the other, while parts are being counted; new ones take their place."""
    expected = serial(yard)
    some_nights(yard)
    pids = list(client.run(os.getpid).values())
    over, killed = threading.Event(), []

    def kill_while_busy() -> None:
        for pid in pids:
            while not over.wait(0.05) and not any(client.processing().values()):
                pass
            if not over.is_set():
                os.kill(pid, signal.SIGKILL)
                killed.append(pid)

    killer = threading.Thread(target=kill_while_busy)
    killer.start()
    try:
        assert scale.recount_fleet(client, yard.url, days_per_part=1) == 7
    finally:
        over.set()
        killer.join(60)
    assert killed == pids
    assert yard.counted() == expected
