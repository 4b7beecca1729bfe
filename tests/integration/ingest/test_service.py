"""Ingest between a real Mosquitto and a real database."""

import contextlib
from datetime import UTC, date, datetime, timedelta

import numpy as np
import orjson
import psycopg
import pytest

from domain.messages import Leaf, topic
from ingest.limits import Limits
from store import cranes, events, quarantine, segments
from tests.support import rows
from tests.support.ingesting import (
    LIMIT_S,
    Receipts,
    ingesting,
    mqtt_client,
    publish_all,
    register,
    wait_until,
)
from tests.support.rows import count
from tests.support.telemetry import (
    CHANNELS,
    MESSAGES_PER_BOOT,
    START,
    boot_of,
    is_event,
    message,
    readings,
    t0_of,
)

pytestmark = pytest.mark.mosquitto
Address = tuple[str, int]


def key(name: str, number: int) -> tuple[str, int, int]:
    return name, boot_of(name, number), number % MESSAGES_PER_BOOT


def samples_body(**changes: object) -> dict[str, object]:
    return {
        "boot": 7,
        "seq": 1,
        "t0": "2026-03-02T06:00:00Z",
        "dt_ms": 100,
        "channels": {"utilisation_pct": [1, 2]},
        **changes,
    }


def test_messages_are_stored_as_sent_and_receipted(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    ids = register(database, "crane-a", "crane-b")
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [message(name, number) for number in range(30) for name in ids])
        expected = {key(name, number) for number in range(30) for name in ids}
        wait_until(lambda: receipts.stored == expected, "a receipt for each message")
    for name, crane_id in ids.items():
        found = segments.read(connection, crane_id, START, START + timedelta(days=1), CHANNELS)
        numbers = [number for number in range(30) if not is_event(number)]
        assert found.t0_ms.tolist() == [segments.to_ms(t0_of(number)) for number in numbers]
        for row, channel in enumerate(CHANNELS):
            sent = np.concatenate([readings(name, number, 100)[row] for number in numbers])
            np.testing.assert_array_equal(found.channels[channel], sent)
        kept = events.read(connection, crane_id, START, START + timedelta(days=1))
        assert [event.at for event in kept] == [t0_of(number) for number in range(30) if is_event(number)]
    assert count(connection, "quarantine") == 0


def test_a_message_that_comes_twice_counts_once(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    register(database, "crane-a")
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        for _ in range(2):
            publish_all(client, [message("crane-a", number) for number in (0, 1, 9, 0, 1, 9)])
            wait_until(lambda: len(receipts.stored) == 3, "receipts")
            receipts.stored.clear()
        publish_all(client, [message("crane-a", 2)])
        wait_until(lambda: receipts.stored == {key("crane-a", 2)}, "the last receipt")
    assert (count(connection, "segment"), count(connection, "event")) == (3, 1)
    assert count(connection, "quarantine") == 0


def test_the_same_key_with_other_contents_is_set_aside(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    register(database, "crane-a")
    where = topic("crane-a", Leaf.SAMPLES)
    first, second = samples_body(), samples_body(channels={"utilisation_pct": [1, 3]})
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [(where, orjson.dumps(first))])
        wait_until(lambda: receipts.stored, "the first")
        publish_all(client, [(where, orjson.dumps(second))])
        wait_until(lambda: receipts.quarantined == {("crane-a", 7, 1)}, "the second set aside")
        both_at_once = [samples_body(seq=2), samples_body(seq=2, dt_ms=200)]
        publish_all(client, [(where, orjson.dumps(body)) for body in both_at_once])
        wait_until(lambda: ("crane-a", 7, 2) in receipts.quarantined, "the clash inside a batch")
    assert count(connection, "segment") == 2
    assert {row.reason for row in quarantine.page(connection)} == {"key_reused"}
    assert sorted(row.raw for row in quarantine.page(connection)) == sorted(
        map(orjson.dumps, [second, both_at_once[1]])
    )


BAD = {
    "not_json": [b"", b"{", b"\xff\xfe", b"[" * 5000, b'{"boot":1,"seq":2,"t0":'],
    "bad_shape": [
        b"[]",
        b"7",
        orjson.dumps(samples_body(channels={"no_such_channel": [1]})),
        orjson.dumps(samples_body(channels={})),
        orjson.dumps(samples_body(boot=-1)),
        orjson.dumps(samples_body(boot="7")),
        orjson.dumps(samples_body(t0="yesterday")),
        orjson.dumps(samples_body(t0="2026-03-02T06:00:00")),
        orjson.dumps(samples_body(dt_ms=0)),
        orjson.dumps(samples_body(channels={"utilisation_pct": ["1"]})),
        orjson.dumps(samples_body(colour="red")),
    ],
    "bad_lengths": [
        orjson.dumps(samples_body(channels={"utilisation_pct": []})),
        orjson.dumps(samples_body(channels={"utilisation_pct": [1], "limit_pct": [1, 2]})),
        orjson.dumps(samples_body(channels={"utilisation_pct": [1] * 60})),
        orjson.dumps(samples_body(dt_ms=600_000, channels={"utilisation_pct": [1] * 200})),
    ],
    "out_of_range": [
        orjson.dumps(samples_body()).replace(b"[1,2]", b"[NaN,1]"),
        orjson.dumps(samples_body()).replace(b"[1,2]", b"[1e999]"),
    ],
    "in_future": [orjson.dumps(samples_body(t0="2126-03-02T06:00:00Z"))],
    "before_registration": [orjson.dumps(samples_body(t0="2024-12-31T23:59:59Z"))],
    "crane_mismatch": [orjson.dumps(samples_body(crane="crane-b"))],
    "too_large": [b" " * 20_001],
}


def test_what_cannot_be_understood_is_kept_with_its_reason_and_stops_nobody(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    register(database, "crane-a", "crane-b")
    limits = Limits(message_bytes=20_000, samples=50)
    bad = [(topic("crane-a", Leaf.SAMPLES), raw) for raws in BAD.values() for raw in raws]
    bad += [
        (topic("nobody", Leaf.SAMPLES), orjson.dumps(samples_body())),
        ("boomledger/v1/Not A Crane/samples", orjson.dumps(samples_body())),
        (
            topic("crane-a", Leaf.EVENTS),
            b'{"boot":1,"seq":5,"at":"2026-03-02T06:00:00Z","kind":"fault","text":"a\\u0000"}',
        ),
        (topic("crane-a", Leaf.EVENTS), b'{"boot":1,"seq":5,"at":"2026-03-02T06:00:00Z","kind":"party"}'),
        (topic("crane-a", Leaf.STATUS), b'{"boot":1,"state":"asleep"}'),
    ]
    good = [message("crane-b", number, n=50) for number in range(len(bad))]
    with ingesting(database, mosquitto, limits=limits), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [one for pair in zip(bad, good, strict=True) for one in pair])
        wait_until(lambda: len(receipts.stored) == len(good), "all good messages")
        wait_until(lambda: count(connection, "quarantine") == len(bad), "all bad messages")
        wait_until(
            lambda: ("crane-a", 7, 1) in receipts.quarantined, "a receipt for a bad message with a key"
        )
    kept = quarantine.page(connection, most=1000)
    assert sorted((row.topic, row.raw) for row in kept) == sorted(bad)
    by_raw = {(row.topic, row.raw): row.reason for row in kept}
    for reason, raws in BAD.items():
        assert {by_raw[topic("crane-a", Leaf.SAMPLES), raw] for raw in raws} == {reason}
    assert by_raw[bad[-5]] == "unknown_crane"
    assert by_raw[bad[-4]] == "unknown_topic"
    assert {by_raw[one] for one in bad[-3:]} == {"bad_shape"}


def test_the_days_of_the_site_are_queued_and_listeners_told(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    ids = register(database, "crane-a")
    connection.execute("listen boomledger_live")
    connection.execute("listen boomledger_touched")
    # 22:59:59.9 UTC is a tenth of a second before midnight in Vienna in winter.
    over_midnight = samples_body(
        t0="2026-03-02T22:59:59.900Z", channels={"utilisation_pct": [1, 2.5], "mode": [1, None]}
    )
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), orjson.dumps(over_midnight))])
        told = {(note.channel, note.payload) for note in connection.notifies(timeout=30, stop_after=2)}
    assert told == {("boomledger_live", "crane-a"), ("boomledger_touched", "")}
    assert rows.rows(connection, "touched_day", "crane_id", "day") == [
        (ids["crane-a"], date(2026, 3, 2)),
        (ids["crane-a"], date(2026, 3, 3)),
    ]
    live = rows.one(connection, "live", "at", "last_values")
    assert live == (datetime(2026, 3, 2, 23, tzinfo=UTC), {"utilisation_pct": 2.5, "mode": None})


def test_presence_follows_status_but_not_the_last_will_of_an_earlier_boot(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    register(database, "crane-a")
    where = topic("crane-a", Leaf.STATUS)

    def say(state: str, boot: int) -> None:
        publish_all(client, [(where, orjson.dumps({"state": state, "boot": boot}))])

    def presence() -> object:
        return next(iter(rows.rows(connection, "live", "online", "boot")), None)

    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        say("online", 1)
        wait_until(lambda: presence() == (True, 1), "online")
        say("online", 2)
        say("offline", 1)
        wait_until(lambda: presence() == (True, 2), "still online")
        say("offline", 2)
        wait_until(lambda: presence() == (False, 2), "offline")


def test_an_unknown_crane_is_drafted_where_that_is_wanted(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    limits = Limits(draft_unknown_cranes=True, draft_history=timedelta(days=40_000))
    with ingesting(database, mosquitto, limits=limits), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [message("newcomer", 0), (topic("not-one", Leaf.SAMPLES), b"{")])
        wait_until(lambda: receipts.stored == {key("newcomer", 0)}, "stored")
    (drafted,) = cranes.list_cranes(connection)
    assert (drafted.crane.name, drafted.crane.draft, drafted.site.time_zone) == ("newcomer", True, "UTC")


def test_a_crane_registered_later_is_accepted_without_a_restart(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        publish_all(client, [message("crane-a", 0)])
        wait_until(lambda: receipts.quarantined == {key("crane-a", 0)}, "set aside")
        register(database, "crane-a")

        def stored() -> bool:
            publish_all(client, [message("crane-a", 1)])
            return key("crane-a", 1) in receipts.stored

        wait_until(stored, "stored after registration")


def test_workers_on_a_shared_subscription_store_the_same(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    names = [f"crane-{number}" for number in range(5)]
    register(database, *names)
    with (
        ingesting(database, mosquitto, shared_group="workers", batch_messages=20),
        ingesting(database, mosquitto, shared_group="workers", batch_messages=20),
        mqtt_client(mosquitto) as client,
    ):
        receipts = Receipts(client)
        expected = {key(name, number) for name in names for number in range(100)}
        publish_all(client, [message(name, number) for number in range(100) for name in names])
        wait_until(lambda: receipts.stored == expected, "every message stored")
    assert count(connection, "segment") + count(connection, "event") == len(expected)
    assert count(connection, "quarantine") == 0


def test_a_second_process_without_a_shared_group_stands_by_until_the_first_has_ended(
    database: str, mosquitto: Address
) -> None:
    register(database, "crane-a")
    with contextlib.ExitStack() as first, contextlib.ExitStack() as second:
        first.enter_context(ingesting(database, mosquitto))
        client = second.enter_context(mqtt_client(mosquitto))
        subscribed = second.enter_context(ingesting(database, mosquitto, wait=False))
        receipts = Receipts(client)
        publish_all(client, [message("crane-a", number) for number in range(50)])
        wait_until(lambda: len(receipts.stored) == 50, "the first works")
        assert not subscribed.is_set()
        first.close()
        assert subscribed.wait(LIMIT_S)
        publish_all(client, [message("crane-a", number) for number in range(50, 60)])
        wait_until(lambda: len(receipts.stored) == 60, "the second works")


def test_stopping_finishes_what_has_arrived(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    """Unfinished messages stay with the broker and come at the next start: nothing is lost in between."""
    register(database, "crane-a")
    with mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        with ingesting(database, mosquitto, batch_messages=10, receive_maximum=50):
            publish_all(client, [message("crane-a", number) for number in range(300)])
        settled = len(receipts.stored)
        assert count(connection, "segment") + count(connection, "event") >= settled
        with ingesting(database, mosquitto):
            wait_until(lambda: len(receipts.stored) == 300, "the rest after the next start")
    assert count(connection, "segment") + count(connection, "event") == 300
