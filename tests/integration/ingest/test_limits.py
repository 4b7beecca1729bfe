"""Every limit of ingest: from the settings, and in force."""

from datetime import UTC, datetime, timedelta

import orjson
import psycopg
import pytest
from pydantic import ValidationError

from boomledger.services import limits
from boomledger.settings import Settings
from domain.messages import Leaf, topic
from ingest.writer import Incoming, Outcome, Writer
from store import quarantine, refused
from tests.support import rows
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import message

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def body(**changes: object) -> bytes:
    plain = {"boot": 7, "seq": 1, "t0": NOW, "dt_ms": 100, "channels": {"utilisation_pct": [1.0] * 20}}
    return orjson.dumps({**plain, **changes})


@pytest.mark.parametrize(
    ("settings", "raw", "reason"),
    [
        ({"max_message_bytes": 1000}, body(channels={"utilisation_pct": [10.25] * 300}), "too_large"),
        ({"max_samples": 10}, body(), "bad_lengths"),
        ({"clock_skew_s": 0}, body(t0=NOW + timedelta(seconds=1)), "in_future"),
        ({}, body(), "unknown_crane"),
        ({"unknown_cranes": "draft", "draft_history_days": 0}, body(), "before_registration"),
    ],
)
def test_each_limit_is_in_force_as_set(
    database: str, connection: psycopg.Connection, settings: dict[str, object], raw: bytes, reason: str
) -> None:
    drafted = reason in ("unknown_crane", "before_registration")
    if not drafted:
        register(database, "crane-a")
    arrived = Incoming(topic("crane-a", Leaf.SAMPLES), raw, NOW)
    for chosen, outcome in ((settings, Outcome.QUARANTINED), ({"unknown_cranes": "draft"}, Outcome.STORED)):
        writer = Writer(database, limits(Settings.model_validate(chosen)), alone=False)
        if reason == "in_future" and outcome is Outcome.STORED:
            arrived = Incoming(arrived.topic, arrived.payload, NOW + timedelta(seconds=5))
        if reason == "before_registration" and outcome is Outcome.STORED:
            continue
        assert [result.outcome for result in writer.store([arrived])] == [outcome]
        writer.close()
    (kept,) = quarantine.page(connection)
    assert kept.reason == reason


def test_the_range_of_a_channel_is_in_force_as_set(database: str, connection: psycopg.Connection) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    writer = Writer(database, limits(Settings(channel_ranges={"utilisation_pct": (0, 0.5)})), alone=False)
    arrived = Incoming(topic("crane-a", Leaf.SAMPLES), body(), NOW)
    assert [result.outcome for result in writer.store([arrived])] == [Outcome.STORED]
    writer.close()
    (day,) = refused.by_day(connection, crane_id, NOW.date(), NOW.date())
    assert (day.channel, day.readings, day.least, day.most) == ("utilisation_pct", 20, 1.0, 1.0)


def test_of_each_crane_the_newest_messages_with_refused_readings_are_kept(
    database: str, connection: psycopg.Connection
) -> None:
    ids = register(database, "crane-a", "crane-b")
    chosen = {"refused_max_messages": 10, "refused_max_bytes": 100_000}
    writer = Writer(database, limits(Settings.model_validate(chosen)), alone=False)

    def send(name: str, seq: int, n: int = 1) -> None:
        at = NOW + timedelta(minutes=seq)
        raw = body(seq=seq, t0=at, channels={"utilisation_pct": [999.0] * n})
        writer.store([Incoming(topic(name, Leaf.SAMPLES), raw, at + timedelta(hours=1))])

    for seq in range(15):
        send("crane-a", seq)
    send("crane-b", 0)
    writer.bound_quarantine()
    assert [one.seq for one in refused.messages(connection, ids["crane-a"])] == list(range(14, 4, -1))
    assert len(refused.messages(connection, ids["crane-b"])) == 1
    for seq in range(20, 23):
        send("crane-a", seq, n=8000)
    writer.bound_quarantine()
    writer.close()
    kept = refused.messages(connection, ids["crane-a"])
    assert [one.seq for one in kept] == [22, 21]
    assert sum(len(one.raw) for one in kept) <= 100_000
    (day,) = refused.by_day(connection, ids["crane-a"], NOW.date(), NOW.date())
    assert (day.messages, day.readings) == (18, 15 + 3 * 8000), "the count goes on"


def test_quarantine_is_bounded_by_rows_bytes_and_age_and_the_removal_is_recorded(
    database: str, connection: psycopg.Connection
) -> None:
    chosen = {"quarantine_max_rows": 100, "quarantine_max_bytes": 1_000_000, "quarantine_max_days": 30}
    writer = Writer(database, limits(Settings.model_validate(chosen)), alone=False)
    now = datetime.now(UTC)
    where = topic("crane-a", Leaf.SAMPLES)
    writer.store([Incoming(where, b"{%d" % number, now - timedelta(days=31)) for number in range(5)])
    writer.store([Incoming(where, b"[%d" % number, now) for number in range(110)])
    writer.bound_quarantine()
    assert len(quarantine.page(connection, most=1000)) == 100
    writer.store([Incoming(where, b"[" * 400_000 + b"%d" % number, now) for number in range(3)])
    writer.bound_quarantine()
    assert sum(len(row.raw) for row in quarantine.page(connection, most=1000)) <= 1_000_000
    connection.execute("update quarantine set last_received_at = last_received_at - interval '31 days'")
    writer.bound_quarantine()
    writer.close()
    assert quarantine.page(connection) == []
    assert sum(rows.column(connection, "quarantine_removal", "messages")) == 118


@pytest.mark.parametrize("ranges", [{"no_such": (0, 1)}, {"utilisation_pct": (1, 1)}])
def test_a_range_that_makes_no_sense_is_refused(ranges: dict[str, tuple[float, float]]) -> None:
    with pytest.raises(ValidationError, match=next(iter(ranges))):
        Settings.model_validate({"channel_ranges": ranges})


@pytest.mark.mosquitto
def test_with_little_room_in_memory_everything_still_arrives(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    register(database, "crane-a")
    with (
        ingesting(database, mosquitto, receive_bytes=20_000, batch_bytes=10_000),
        mqtt_client(mosquitto) as client,
    ):
        receipts = Receipts(client)
        publish_all(client, [message("crane-a", number) for number in range(300)])
        wait_until(lambda: len(receipts.stored) == 300, "every message stored")
