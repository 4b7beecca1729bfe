"""The writer by itself: replay after a fix, and a message that the database refuses."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import orjson
import psycopg
import pytest

from domain.errors import QuarantineReason
from domain.messages import Leaf, topic
from domain.quarantine import ReplayRow
from ingest import plan as module
from ingest.limits import Limits
from ingest.replay import replay, replaying
from ingest.server_clock import ServerClock
from ingest.writer import BATCHES_WITH_CARE, Incoming, Outcome, Writer
from store import quarantine, segments, system_watch
from store.segments import Segment
from tests.support import rows
from tests.support.ingesting import register, wait_until
from tests.support.telemetry import message, t0_of

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def incoming(name: str, number: int) -> Incoming:
    return Incoming(*message(name, number), NOW)


def stored(conn: psycopg.Connection) -> int:
    return rows.count(conn, "segment") + rows.count(conn, "event")


def test_a_replay_stores_what_can_be_understood_now_and_keeps_the_rest(
    database: str, connection: psycopg.Connection
) -> None:
    writer = Writer(database, Limits(), alone=False)
    garbage = Incoming(topic("crane-a", Leaf.SAMPLES), b"{", NOW)
    writer.store([*(incoming("crane-a", number) for number in range(20)), garbage])
    writer.close()
    assert (stored(connection), len(quarantine.page(connection))) == (0, 21)
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)
    assert writer.store([incoming("crane-a", 3)])[0].outcome is Outcome.STORED
    writer.close()
    report = replay(database, Limits())
    assert (report.stored, report.known, report.kept) == (19, 1, 1)
    assert stored(connection) == 20
    (left,) = quarantine.page(connection)
    assert (left.raw, left.times, left.received_at) == (b"{", 1, NOW)
    assert replay(database, Limits(), reason=QuarantineReason.UNKNOWN_CRANE).kept == 0


def test_a_replay_does_not_forgive_a_clock_that_was_ahead(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    early = Incoming(*message("crane-a", 0), t0_of(0) - timedelta(days=1))
    writer = Writer(database, Limits(), alone=False)
    assert writer.store([early])[0].outcome is Outcome.QUARANTINED
    writer.close()
    assert replay(database, Limits()).kept == 1


def why_the_fourth_was_set_aside(database: str, connection: psycopg.Connection) -> str:
    """The detail in quarantine, after nine messages of which all but the fourth were stored."""
    writer = Writer(database, Limits(), alone=False)
    results = writer.store([incoming("crane-a", number) for number in range(9)])
    writer.close()
    assert [result.outcome for result in results] == [
        Outcome.QUARANTINED if number == 4 else Outcome.STORED for number in range(9)
    ]
    (kept,) = quarantine.page(connection)
    return kept.detail


def test_a_message_that_the_database_refuses_is_set_aside_and_the_others_are_stored(
    database: str, connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such a message should not exist; if one slips through the checks it must not stop the rest for ever."""
    register(database, "crane-a")
    judge = module.judge_but_for_ranges

    def blind(*arguments: object) -> object:
        found = judge(*arguments)  # type: ignore[arg-type]
        if isinstance(found, Segment) and found.t0_ms == segments.to_ms(t0_of(4)):
            values = np.zeros((1, 2), dtype=np.float32)
            return Segment(
                **{
                    field: getattr(found, field)
                    for field in ("crane_id", "t0_ms", "boot", "seq", "received_ms")
                },
                dt_ms=86_400_000,
                channels=("utilisation_pct",),
                values=values,
            )
        return found

    monkeypatch.setattr(module, "judge_but_for_ranges", blind)
    assert "segment_span" in why_the_fourth_was_set_aside(database, connection)


@pytest.mark.parametrize("where", ["judging", "checking", "storing"])
def test_a_message_that_meets_a_fault_of_ours_is_set_aside_and_the_others_are_stored(
    database: str, connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    register(database, "crane-a")
    judge = module.judge_but_for_ranges

    def faulty(*arguments: object) -> object:
        found = judge(*arguments)  # type: ignore[arg-type]
        if isinstance(found, Segment) and found.t0_ms == segments.to_ms(t0_of(4)):
            if where == "judging":
                raise AttributeError("a fault")
            wrong: Any = {"channels": (b"slew_deg",)} if where == "checking" else {"received_ms": None}
            return replace(found, **wrong)
        return found

    monkeypatch.setattr(module, "judge_but_for_ranges", faulty)
    assert "Error while" in why_the_fourth_was_set_aside(database, connection)
    assert stored(connection) == 8


def test_a_dropped_partition_is_made_again(database: str, connection: psycopg.Connection) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)
    writer.store([incoming("crane-a", 0)])
    rows.remove(connection, "segment")
    connection.execute("select segment_drop_empty_ranges('2026-04-02T00:00Z')")
    assert writer.store([incoming("crane-a", 1)])[0].outcome is Outcome.STORED
    writer.close()
    assert stored(connection) == 1


def test_messages_that_are_stored_already_are_told_apart_from_new_ones_in_any_batch(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)

    def outcomes(*numbers: int) -> str:
        return "".join(
            result.outcome.value[0] for result in writer.store([incoming("crane-a", n) for n in numbers])
        )

    found = [
        outcomes(0, 1, 2),
        outcomes(2, 3, 4, 3),  # the first batch that cannot be taken as new
        outcomes(4, 5),
        *(outcomes(number) for number in range(6, 6 + BATCHES_WITH_CARE)),
        outcomes(100, 101, 100),  # taken as new again
        outcomes(101, 102),
    ]
    writer.close()
    assert found == ["sss", "dssd", "ds", *"s" * BATCHES_WITH_CARE, "ssd", "ds"]
    assert stored(connection) == 9 + BATCHES_WITH_CARE


SLOW = timedelta(minutes=6)


def ahead(name: str, at: datetime, received_at: datetime, seq: int = 0) -> Incoming:
    """A message that ends at a time."""
    body = {"boot": 5, "seq": seq, "t0": at, "dt_ms": 100, "channels": {"utilisation_pct": [1.5]}}
    return Incoming(topic(name, Leaf.SAMPLES), orjson.dumps(body), received_at)


def test_a_slow_clock_of_the_server_refuses_no_crane_but_the_one_that_is_ahead_of_all(
    database: str, connection: psycopg.Connection
) -> None:
    """What was refused before enough cranes were heard is stored by a replay, by the clock that they show."""
    register(database, "crane-a", "crane-b", "crane-c", "crane-d")
    writer = Writer(database, Limits(), alone=False, clock=ServerClock())
    writer.prepare()
    now = datetime.now(UTC)
    first, second = ahead("crane-a", now + SLOW, now), ahead("crane-b", now + SLOW, now)
    assert [one.outcome for one in writer.store([first, second])] == [Outcome.QUARANTINED] * 2
    late = [
        ahead("crane-c", now + SLOW, now),
        ahead("crane-d", now + timedelta(hours=3), now),
        ahead("crane-a", now + SLOW, now, seq=1),
    ]
    assert [one.outcome.value for one in writer.store(late)] == ["stored", "quarantined", "stored"]
    writer.tidy()
    writer.close()
    assert system_watch.newest_work(connection).clock_doubt == (
        "The clock of ingest is 6.0 minutes behind the clocks of most of 4 cranes"
    )
    done = replay(database, Limits())
    assert (done.stored, done.kept) == (2, 1)
    (wild,) = quarantine.page(connection)
    assert wild.crane_name == "crane-d"


async def ask_twice(database: str) -> tuple[int, int]:
    async with await psycopg.AsyncConnection.connect(database) as conn:
        first = await quarantine.ask_replay(conn, "eva", crane_name="crane-a")
        return first, await quarantine.ask_replay(conn, "eva", crane_name="crane-a")


def test_a_replay_that_is_asked_for_is_done_once_and_says_what_came_of_it(
    database: str, connection: psycopg.Connection
) -> None:
    writer = Writer(database, Limits(), alone=False)
    writer.store([incoming("crane-a", 0), incoming("crane-b", 0)])
    writer.close()
    register(database, "crane-a", "crane-b")
    number, again = asyncio.run(ask_twice(database))
    assert again == number

    def found() -> ReplayRow | None:
        connection.rollback()
        (one,) = quarantine.REPLAYS.all(connection, replay_id=number, sites=None, most=1)
        return one if one.done_at is not None else None

    with replaying(database, Limits()), replaying(database, Limits()):
        done = wait_until(found, "the replay is done")
    assert (done.stored, done.known, done.kept, done.asked_by) == (1, 0, 0, "eva")
    assert [row.crane_name for row in quarantine.page(connection)] == ["crane-b"]
    assert asyncio.run(ask_twice(database)) == (number + 1, number + 1)
