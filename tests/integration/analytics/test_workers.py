"""Workers that are killed, that share the queue, and touches that come while they count."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest

from analytics import counting, recount, worker
from domain.crane import Site
from store import cranes
from tests.integration.analytics.crane_at_work import Yard, put_crane, working
from tests.support import rows

ROOT = Path(__file__).parents[3]
START = datetime(2026, 3, 9, 6, tzinfo=UTC)
PATIENCE_S = 120

WORKER_THAT_IS_KILLED = """
import os, signal, sys, threading
from analytics import {module}, worker

original, calls = {module}.{function}, 0

def fatal(*args, **kwargs):
    global calls
    calls += 1
    if calls == {call}:
        os.kill(os.getpid(), signal.SIGKILL)
    return original(*args, **kwargs)

{module}.{function} = fatal
worker.run(sys.argv[1], threading.Event(), once=True, days_per_claim=2)
"""


def in_process(code: str, url: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", code, url], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )


def a_week(yard: Yard) -> None:
    for day in range(4):
        yard.store(yard.messages(START + timedelta(days=day), working(0.5, seed=day), boot=day + 1))


@pytest.mark.parametrize(
    ("module", "function", "call"),
    [
        ("recount", "merge_spans", 1),  # day rows written, nothing merged yet
        ("recount", "recount_lifts", 2),  # one claim committed, the next half written
        ("worker", "execute", 3),  # everything written, the touches not yet taken off
    ],
)
def test_a_killed_worker_changes_nothing(database: str, module: str, function: str, call: int) -> None:
    yard = put_crane(database)
    a_week(yard)
    code = WORKER_THAT_IS_KILLED.format(module=module, function=function, call=call)
    killed = in_process(code, database)
    _, errors = killed.communicate(timeout=PATIENCE_S)
    assert killed.returncode == -signal.SIGKILL, errors.decode()
    assert len(yard.rows("touched_day")) in {2, 4}
    yard.count()
    after_kill = yard.counted()
    assert not yard.rows("touched_day")

    with psycopg.connect(database) as conn:
        conn.execute("truncate counting, crane_summary, day_figure, span_ledger, lift, gap cascade")
    a_week(yard)
    yard.count()
    assert yard.counted() == after_kill


def test_a_worker_killed_at_any_time(database: str) -> None:
    """Killed from outside, over and over, at moments nobody chose."""
    yard = put_crane(database)
    code = "import sys, threading\nfrom analytics import worker\nworker.run(sys.argv[1], threading.Event(), again_after_s=0)"
    a_week(yard)
    give_up = time.monotonic() + PATIENCE_S
    for wait_until in (2, 0):
        process = in_process(code, database)
        while len(yard.rows("touched_day")) > wait_until and time.monotonic() < give_up:
            pass
        os.kill(process.pid, signal.SIGKILL)
        process.communicate(timeout=PATIENCE_S)
    yard.count()
    after_kills = yard.counted()
    assert len(after_kills["day_figure"]) == 4

    with psycopg.connect(database) as conn:
        conn.execute("truncate counting, crane_summary, day_figure, span_ledger, lift, gap cascade")
    a_week(yard)
    yard.count()
    assert yard.counted() == after_kills


def test_two_workers_never_count_a_day_twice(database: str) -> None:
    yards = [put_crane(database)]
    with psycopg.connect(database) as conn:
        for number in range(1, 5):
            crane = yards[0].crane.model_copy(update={"name": f"crane-{number}"})
            cranes.save_site(conn, Site(name=crane.site, time_zone="Europe/Vienna"))
            crane_id = cranes.save_crane(conn, crane)
            yards.append(Yard(url=database, crane_id=crane_id, crane=crane, zone=yards[0].zone))
    for yard in yards:
        for day in range(3):
            yard.store(yard.messages(START + timedelta(days=day), working(0.3, seed=yard.crane_id), boot=day))
    done: list[worker.Done] = []
    start_together = threading.Barrier(2)

    def work() -> None:
        start_together.wait(PATIENCE_S)
        worker.run(database, threading.Event(), once=True, days_per_claim=1, on_done=done.append)

    workers = [threading.Thread(target=work) for _ in range(2)]
    for each in workers:
        each.start()
    for each in workers:
        each.join(PATIENCE_S)
    counted = sorted((each.crane, day) for each in done for day in each.days)
    assert len(counted) == len(set(counted)) == 15
    assert len(yards[0].rows("day_figure")) == 15
    assert not yards[0].rows("touched_day")


def test_a_touch_during_the_count_is_not_lost(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    parts = yard.messages(START, working(0.5))
    yard.store(parts[:-1])
    once(monkeypatch, lambda: yard.store(parts[-1:]))
    yard.count()
    assert yard.rows("day_figure")[0]["samples"] == 1800
    assert not yard.rows("touched_day")


def test_ingest_never_waits_for_a_count(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    """A touch is committed while the count holds its claim: the call below returns, or the lock time-out fails it."""
    yard.store(yard.messages(START, working(0.2)))

    def touch() -> None:
        with psycopg.connect(yard.url, options="-c lock_timeout=5s -c timezone=UTC") as conn:
            conn.execute("select * from touched_day for update")

    once(monkeypatch, touch)
    yard.count()
    assert not yard.rows("touched_day")


def test_a_crane_that_cannot_be_counted_does_not_stop_the_others(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = put_crane(database)
    crane = first.crane.model_copy(update={"name": "second"})
    with psycopg.connect(database) as conn:
        second = Yard(url=database, crane_id=cranes.save_crane(conn, crane), crane=crane, zone=first.zone)
    for yard in (first, second):
        yard.store(yard.messages(START, working(0.1)))
    original = recount.count_days

    def refuse_first(conn, entry, *rest):
        if entry.crane_id == first.crane_id:
            raise ValueError("a defect in counting this crane")
        return original(conn, entry, *rest)

    monkeypatch.setattr(worker, "count_days", refuse_first)
    second.count()
    assert [row["crane_id"] for row in second.rows("day_figure")] == [second.crane_id]
    assert [row["crane_id"] for row in second.rows("touched_day")] == [first.crane_id]


def test_an_idle_worker_wakes_at_a_touch(yard: Yard) -> None:
    stop, counted = threading.Event(), threading.Event()
    thread = threading.Thread(
        target=worker.run,
        args=(yard.url, stop),
        kwargs={"wait_s": PATIENCE_S, "on_done": lambda _: counted.set()},
    )
    thread.start()
    try:
        yard.store(yard.messages(START, working(0.1)))
        assert counted.wait(PATIENCE_S / 2), "the notification did not wake the worker"
    finally:
        stop.set()
        thread.join(PATIENCE_S)
    assert not thread.is_alive()


def once(monkeypatch: pytest.MonkeyPatch, action: Callable[[], None]) -> None:
    """Has something done once between reading the samples and writing what they came to."""
    original, left = recount.write_days, [action]

    def write_days(*args: object) -> None:
        if left:
            left.pop()()
        original(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(worker, "write_days", write_days)


def test_a_live_crane_waits_its_turn_and_a_backlog_does_not(yard: Yard) -> None:
    a_week(yard)
    with psycopg.connect(yard.url, autocommit=True) as conn:
        hand = worker.Worker(conn=conn, again_after_s=3600, days_per_claim=1)
        assert hand.step() is not None  # never counted before
        assert hand.step() is None  # counted just now, and its other days have not waited long
        rows.change(conn, "touched_day", {"touched_at": datetime.now(UTC) - timedelta(hours=2)})
        assert [hand.step() is not None for _ in range(4)] == [True, True, True, False]


def test_the_running_day_of_a_live_crane_takes_no_core(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its next count waits in proportion to what the last one took, however short the usual pause is."""
    now = datetime.now(UTC)
    ahead = 12 - now.hour  # a zone where it is about noon, so that no midnight falls into the test
    yard = put_crane(database, f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT")
    with psycopg.connect(yard.url, autocommit=True) as conn:
        hand = worker.Worker(conn=conn, again_after_s=1e-6)
        for pause, again in ((1e-9, False), (1e9, True)):
            monkeypatch.setattr(worker, "LIVE_CORE", pause)
            hand._left_alone.clear()
            yard.store(yard.messages(now - timedelta(minutes=6), working(0.05), first_seq=10 * again))
            assert hand.step() is not None
            yard.store(yard.messages(now - timedelta(minutes=2), working(0.01), boot=2, first_seq=10 * again))
            assert (hand.step() is not None) == again
            rows.remove(conn, "touched_day")


def test_two_workers_that_are_the_first_ones_agree_on_the_way_of_counting(database: str) -> None:
    with psycopg.connect(database) as first, psycopg.connect(database) as second:
        entered = counting.in_use(first)
        found: list[counting.Method] = []
        later = threading.Thread(target=lambda: found.append(counting.in_use(second)))
        later.start()
        give_up = time.monotonic() + PATIENCE_S
        with psycopg.connect(database, autocommit=True) as conn:
            while not conn.execute("select pid from pg_locks where not granted").fetchone():
                assert later.is_alive()
                assert time.monotonic() < give_up
                time.sleep(0.01)
        first.commit()
        later.join(PATIENCE_S)
    assert found == [entered]


def test_first_ones_that_start_at_once_do_not_block_each_other(database: str) -> None:
    """Many times, for it is a race."""
    start_together = threading.Barrier(2)
    found: list[counting.Method] = []

    def first_one() -> None:
        with psycopg.connect(database, options="-c lock_timeout=20s") as conn:
            start_together.wait(PATIENCE_S)
            found.append(counting.in_use(conn))

    for turn in range(1, 13):
        both = [threading.Thread(target=first_one) for _ in range(2)]
        for each in both:
            each.start()
        for each in both:
            each.join(PATIENCE_S)
        assert len(found) == 2 * turn
        assert found[-1] == found[-2]
        with psycopg.connect(database) as conn:
            rows.remove(conn, "counting")
