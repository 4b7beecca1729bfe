"""A recount with other settings runs beside the counts in use and changes over when it is complete."""

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from analytics import counting, rebuild
from analytics.counting import CountingSettings
from domain.errors import Conflict
from duty import ledger
from duty.edges import Edges
from duty.lifts import LiftRule
from store.duty import COUNTING_IN_USE
from tests.integration.analytics.crane_at_work import Yard, working

PATIENCE_S = 120
START = datetime(2026, 3, 9, 6, tzinfo=UTC)
OTHER = CountingSettings(edges=Edges(0.0, 150.0, 128), lift_rule=LiftRule(plain_tolerance_pct=17.5))


def some_days(yard: Yard, days: range) -> None:
    for day in days:
        yard.store(yard.messages(START + timedelta(days=day), working(0.4, seed=day), boot=day + 1))


def settings_in_use(yard: Yard) -> CountingSettings:
    with psycopg.connect(yard.url) as conn:
        row = COUNTING_IN_USE.first(conn)
    assert row is not None
    return CountingSettings.from_json(row.settings)


def test_a_rebuild_ends_as_if_counted_that_way_from_the_start(yard: Yard) -> None:
    with psycopg.connect(yard.url) as conn:
        counting.add(conn, OTHER)
    some_days(yard, range(3))
    yard.count()
    as_if = yard.counted()
    with psycopg.connect(yard.url) as conn:
        conn.execute("truncate counting, crane_summary, day_figure, span_ledger, lift, gap cascade")
    some_days(yard, range(3))
    yard.count()
    assert settings_in_use(yard) == CountingSettings()
    assert yard.counted() != as_if

    progress: list[tuple[int, int]] = []
    assert rebuild.rebuild(
        yard.url, OTHER, threading.Event(), days_per_claim=2, on_progress=lambda *at: progress.append(at)
    )
    assert progress[:2] == [(2, 1), (3, 0)]
    assert settings_in_use(yard) == OTHER
    assert rebuild.drop_unused(yard.url) == 1
    assert yard.counted() == as_if


def test_answers_come_from_the_old_counts_until_the_new_are_complete(yard: Yard) -> None:
    some_days(yard, range(3))
    yard.count()
    stop = threading.Event()
    assert not rebuild.rebuild(yard.url, OTHER, stop, days_per_claim=1, on_progress=lambda *_: stop.set())
    assert settings_in_use(yard) == CountingSettings()
    some_days(yard, range(3, 5))  # two more days while it is interrupted
    yard.count()
    counted: list[int] = []
    assert rebuild.rebuild(
        yard.url, OTHER, threading.Event(), on_progress=lambda done, _: counted.append(done)
    )
    assert counted[-1] == 4  # the day that was counted before the interruption is not counted again
    assert rebuild.drop_unused(yard.url) == 1
    days = [row for row in yard.rows("span_ledger") if row["span"] == "day"]
    assert {ledger.from_bytes(row["ledger"]).edges for row in days} == {OTHER.edges}
    assert len(days) == 5


def test_an_unfinished_rebuild_is_dropped_with_the_days_it_had_left(yard: Yard) -> None:
    some_days(yard, range(3))
    yard.count()
    as_counted = yard.counted()
    stop = threading.Event()
    assert not rebuild.rebuild(yard.url, OTHER, stop, days_per_claim=1, on_progress=lambda *_: stop.set())
    assert len(yard.rows("recount_day")) == 2
    assert yard.counted() != as_counted
    assert rebuild.drop_unused(yard.url) == 1
    assert not yard.rows("recount_day")
    assert yard.counted() == as_counted


def test_a_rebuild_that_is_dropped_meanwhile_leaves_the_counts_in_use(yard: Yard) -> None:
    some_days(yard, range(2))
    yard.count()
    as_counted = yard.counted()
    dropped: list[int] = []
    with pytest.raises(Conflict, match="start the recount again"):
        rebuild.rebuild(
            yard.url,
            OTHER,
            threading.Event(),
            days_per_claim=1,
            on_progress=lambda *_: dropped.append(rebuild.drop_unused(yard.url)),
        )
    assert dropped[0] == 1
    assert settings_in_use(yard) == CountingSettings()
    assert yard.counted() == as_counted


def test_two_rebuilds_and_a_worker_at_once_come_to_an_end(yard: Yard) -> None:
    some_days(yard, range(4))
    yard.count()
    some_days(yard, range(4, 6))
    under_way = threading.Barrier(2)

    def build() -> bool:
        waits = [under_way]

        def on_progress(*_: int) -> None:
            if waits:
                waits.pop().wait(PATIENCE_S)

        return rebuild.rebuild(yard.url, OTHER, threading.Event(), days_per_claim=1, on_progress=on_progress)

    with ThreadPoolExecutor(3) as pool:
        built = [pool.submit(build) for _ in range(2)]
        counted = pool.submit(yard.count)
        assert [each.result(PATIENCE_S) for each in built] == [True, True]
        counted.result(PATIENCE_S)
    yard.count()  # what the worker may have left to the counts of before
    assert settings_in_use(yard) == OTHER
    assert rebuild.drop_unused(yard.url) == 1
    assert not yard.rows("recount_day")
    assert len(yard.rows("day_figure")) == 6


def test_counts_that_a_summary_rests_on_stay(yard: Yard) -> None:
    some_days(yard, range(1))
    yard.count()
    (old,) = {row["counting_id"] for row in yard.rows("counting")}
    assert rebuild.rebuild(yard.url, OTHER, threading.Event())
    with psycopg.connect(yard.url) as conn:
        conn.execute("update crane_summary set counting_id = %s", [old])
    assert rebuild.drop_unused(yard.url) == 0
    assert {row["counting_id"] for row in yard.rows("day_figure")} >= {old}


def test_settings_in_use_are_not_rebuilt(yard: Yard) -> None:
    some_days(yard, range(1))
    yard.count()
    with pytest.raises(Conflict, match="nothing to rebuild"):
        rebuild.rebuild(yard.url, CountingSettings(), threading.Event())


def test_the_hash_changes_with_every_setting() -> None:
    plain = CountingSettings()
    others = [
        replace(plain, edges=Edges(0.0, 150.0, 255)),
        replace(plain, direction_edges=Edges(-150.0, 150.0, 255)),
        replace(plain, directions=12),
        replace(plain, lift_rule=LiftRule(tolerance_pct=1.0)),
    ]
    assert len({settings.hash for settings in (plain, *others)}) == 5


def test_counts_of_another_version_are_not_mixed(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    some_days(yard, range(1))
    yard.count()
    monkeypatch.setattr(counting, "METHOD_VERSION", 3)
    with psycopg.connect(yard.url) as conn, pytest.raises(Conflict, match="boomledger recount"):
        counting.in_use(conn)
    assert rebuild.rebuild(yard.url, CountingSettings(), threading.Event())
    with psycopg.connect(yard.url) as conn:
        assert counting.in_use(conn).settings == CountingSettings()
