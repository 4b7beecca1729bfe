"""CBOR and compressed messages on their whole way: stored, receipted, set aside with what they are read by, replayed."""

from datetime import UTC, datetime, timedelta
from typing import Any

import cbor2
import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psycopg
import pytest
import zstandard
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from domain.errors import QuarantineReason
from domain.messages import Leaf, topic
from ingest.content import CONTENT_ENCODING, Content
from ingest.limits import Limits
from ingest.replay import replay
from ingest.writer import Incoming, Outcome, Writer
from simulator.messages import samples_cbor, samples_payload
from store import quarantine, refused, segments
from store.sql import query
from tests.support.ingesting import (
    LIMIT_S,
    Receipts,
    ingesting,
    mqtt_client,
    publish_all,
    register,
    wait_until,
)

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
T0_MS = int(T0.timestamp() * 1000)
WHERE = topic("crane-a", Leaf.SAMPLES)
THIN = Content("application/cbor", "zstd")
READINGS = {
    "utilisation_pct": np.array([41.2, np.nan, 43.1], np.float32),
    "slew_deg": np.array([-12.5, 0.0, 700.5], np.float32),
}


def thin(seq: int, t0_ms: int = T0_MS, readings: dict[str, Any] = READINGS) -> bytes:
    return zstandard.compress(samples_cbor(7, seq, t0_ms, 1000, readings))


def properties(content: Content) -> Properties:
    stated = Properties(PacketTypes.PUBLISH)
    stated.ContentType = content.type
    stated.UserProperty = (CONTENT_ENCODING, content.encoding)
    return stated


def send(client: mqtt.Client, payload: bytes, content: Content = THIN, qos: int = 1) -> None:
    client.publish(WHERE, payload, qos=qos, properties=properties(content)).wait_for_publish(LIMIT_S)


@pytest.mark.mosquitto
def test_a_thin_message_is_stored_receipted_and_known_again_as_json(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        send(client, thin(1))
        send(client, thin(2, T0_MS + 3000), qos=0)
        send(client, thin(3, T0_MS + 6000)[:-2])
        wait_until(lambda: len(receipts.stored) == 2, "the receipts")
        receipts.stored.clear()
        publish_all(client, [(WHERE, samples_payload(7, 1, T0_MS, 1000, READINGS))])
        wait_until(lambda: receipts.stored == {("crane-a", 7, 1)}, "the receipt of a duplicate")
        send(
            client,
            cbor2.dumps({**cbor2.loads(zstandard.decompress(thin(1))), "dt_ms": 999}),
            Content(THIN.type),
        )
        wait_until(lambda: receipts.quarantined == {("crane-a", 7, 1)}, "a key that is used twice")
    found = segments.read_whole(connection, crane_id, T0, T0 + timedelta(hours=1))
    assert [one.seq for one in found] == [1, 2]
    for one in found:
        for name, values in READINGS.items():
            np.testing.assert_array_equal(one.values[one.channels.index(name)], values)
    assert {row.reason for row in quarantine.page(connection)} == {"key_reused", "bad_encoding"}


def test_what_is_set_aside_is_read_again_by_its_content_type(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-b")
    writer = Writer(database, Limits(), alone=False)
    ahead = int((NOW + timedelta(hours=1)).timestamp() * 1000)
    head_alike = b'{"content_type":"application/cbor","content_encoding":""}\n\xa0'
    batch = [
        Incoming(WHERE, thin(1), NOW, content=THIN),
        Incoming(WHERE, samples_cbor(7, 2, T0_MS + 3000, 1000, READINGS), NOW, content=Content(THIN.type)),
        Incoming(WHERE, samples_payload(7, 3, T0_MS + 6000, 1000, READINGS), NOW),
        Incoming(WHERE, thin(4)[:-2], NOW, content=THIN),
        Incoming(WHERE, head_alike, NOW),
        Incoming(topic("crane-b", Leaf.SAMPLES), thin(5, ahead), NOW, content=THIN),
        Incoming(WHERE, orjson.dumps({"state": "asleep"}), NOW, content=Content("text/plain")),
    ]
    results = writer.store(batch)
    writer.close()
    assert {result.outcome for result in results} == {Outcome.QUARANTINED}
    assert [result.key for result in results] == [(7, 1), (7, 2), (7, 3), None, None, (7, 5), None]
    kept = sorted(quarantine.page(connection), key=lambda row: row.quarantine_id)
    by_bytes = {quarantine.opened(row.raw): row.reason for row in kept}
    assert by_bytes == {
        (one.payload, tuple(one.content)): reason
        for one, reason in zip(
            batch,
            [
                *["unknown_crane"] * 3,
                "bad_encoding",
                "not_json",
                "in_future",
                "bad_encoding",
            ],
            strict=True,
        )
    }
    numbers = connection.execute(query("quarantined_numbers"), {"crane": "crane-a"}).fetchall()
    assert sorted(numbers) == [(7, 1), (7, 2), (7, 3)]
    span = quarantine.refused_ahead(connection, "crane-b", NOW - timedelta(days=1), NOW + timedelta(days=1))
    assert span == [(int(NOW.timestamp() * 1000), 3000)]
    crane_id = register(database, "crane-a")["crane-a"]
    done = replay(database, Limits())
    assert (done.stored, done.kept) == (3, 4)
    connection.rollback()
    assert [one.seq for one in segments.read_whole(connection, crane_id, T0, T0 + timedelta(hours=1))] == [
        1,
        2,
        3,
    ]
    assert {row.reason for row in quarantine.page(connection)} == {"bad_encoding", "not_json", "in_future"}


def test_bytes_with_a_refused_reading_are_kept_with_their_content_type(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    wild = thin(1, readings={"slew_deg": np.array([1.0, 9999.0], np.float32)})
    writer = Writer(database, Limits(), alone=False)
    assert [one.outcome for one in writer.store([Incoming(WHERE, wild, NOW, content=THIN)])] == [
        Outcome.STORED
    ]
    writer.close()
    (kept,) = refused.messages(connection, crane_id)
    assert quarantine.opened(kept.raw) == (wild, THIN)
    assert QuarantineReason.BAD_ENCODING not in {row.reason for row in quarantine.page(connection)}
