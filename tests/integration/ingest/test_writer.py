"""The writer by itself: replay after a fix, and a message that the database refuses."""

from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
import pytest

from domain.errors import QuarantineReason
from domain.messages import Leaf, topic
from ingest import plan as module
from ingest.limits import Limits
from ingest.replay import replay
from ingest.writer import BATCHES_WITH_CARE, Incoming, Outcome, Writer
from store import quarantine, segments
from store.segments import Segment
from tests.support.ingesting import register
from tests.support.telemetry import message, t0_of

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def incoming(name: str, number: int) -> Incoming:
    return Incoming(*message(name, number), NOW)


def stored(conn: psycopg.Connection) -> int:
    row = conn.execute("select (select count(*) from segment) + (select count(*) from event)").fetchone()
    assert row is not None
    return int(row[0])


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
    writer = Writer(database, Limits(), alone=False)
    results = writer.store([incoming("crane-a", number) for number in range(9)])
    writer.close()
    assert [result.outcome for result in results] == [
        Outcome.QUARANTINED if number == 4 else Outcome.STORED for number in range(9)
    ]
    (kept,) = quarantine.page(connection)
    assert "segment_span" in kept.detail


def test_a_dropped_partition_is_made_again(database: str, connection: psycopg.Connection) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)
    writer.store([incoming("crane-a", 0)])
    connection.execute("delete from segment")
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
