"""Senders that repeat themselves, send late and in any order, whose clocks jump, or that flood."""

import random
import threading
from datetime import UTC, datetime, timedelta

import orjson
import paho.mqtt.client as mqtt
import psycopg
import pytest

from analytics.worker import run as analytics
from domain.messages import Leaf, ReceiptMessage, topic
from tests.faults.conftest import Installation, counted
from tests.support.ingesting import Receipts, mqtt_client, publish_all, wait_until
from tests.support.telemetry import boot_of, message

pytestmark = pytest.mark.mosquitto

SENT = 150
FLOOD, CALM = 6000, 30
IN_FLIGHT = 500  # of the flood
AHEAD = 100  # receipts of one batch leave crane by crane


def test_repeated_reordered_and_late_messages_count_once_each(
    installation: Installation, cranes: dict[str, int]
) -> None:
    installation.wait_for_ingest()
    rng = random.Random(11)
    # What is old arrives after, before and among what is new, each message up to three times.
    numbered = [
        (crane, number) for crane in cranes for number in range(SENT) for _ in range(rng.randint(1, 3))
    ]
    rng.shuffle(numbered)
    with mqtt_client(installation.address) as client:
        receipts = Receipts(client)
        publish_all(client, (message(crane, number) for crane, number in numbered))
        keys = {(name, boot_of(name, number), number) for name, number in numbered}
        wait_until(lambda: keys <= receipts.stored, "a receipt for each")
    for crane, crane_id in cranes.items():
        installation.check_equal(crane, crane_id, SENT)
    installation.check_ledgers(SENT, *cranes)
    print(f"{len(numbered)} deliveries of {len(keys)} messages in any order, each stored once, ledgers equal")


def test_a_clock_that_jumps_loses_nothing_and_says_so(
    installation: Installation, cranes: dict[str, int]
) -> None:
    installation.wait_for_ingest()
    crane, crane_id = next(iter(cranes.items()))
    now = datetime.now(UTC)
    # Steady, back by an hour into what was sent, on from there, then far ahead, and right again.
    starts = [now - timedelta(hours=3) + timedelta(seconds=10 * number) for number in range(40)]
    starts += [starts[20] - timedelta(seconds=3) + timedelta(seconds=10 * number) for number in range(20)]
    future = {len(starts) + number for number in range(5)}
    starts += [now + timedelta(hours=2, seconds=10 * number) for number in range(5)]
    starts += [now - timedelta(hours=1) + timedelta(seconds=10 * number) for number in range(10)]
    bodies = [
        {"boot": 77, "seq": seq, "t0": at, "dt_ms": 100, "channels": {"utilisation_pct": [1.5] * 100}}
        for seq, at in enumerate(starts)
    ]
    with mqtt_client(installation.address) as client:
        receipts = Receipts(client)
        publish_all(client, ((topic(crane, Leaf.SAMPLES), orjson.dumps(body)) for body in bodies))
        keys = {(crane, 77, seq) for seq in range(len(bodies))}
        wait_until(lambda: keys <= receipts.stored | receipts.quarantined, "a receipt for each")
    assert receipts.quarantined == {(crane, 77, seq) for seq in future}
    with psycopg.connect(installation.database) as conn:
        rows = conn.execute(
            "select seq, t0 from segment where crane_id = %s order by seq", [crane_id]
        ).fetchall()
        reasons = conn.execute(
            "select reason, count(*) from quarantine where crane_name = %s group by reason", [crane]
        ).fetchall()
    expected = [(seq, at) for seq, at in enumerate(starts) if seq not in future]
    assert [(seq, at.replace(microsecond=at.microsecond // 1000 * 1000)) for seq, at in expected] == rows
    assert reasons == [("in_future", len(future))]
    analytics(installation.database, threading.Event(), once=True)
    assert counted(installation.database, crane)
    print(
        f"{len(bodies)} messages while the clock jumped: {len(rows)} stored, {len(future)} said to be ahead of time"
    )


def test_a_crane_that_floods_holds_up_others_by_no_more_than_was_sent_before_them(
    installation: Installation, cranes: dict[str, int]
) -> None:
    installation.wait_for_ingest()
    flooding, calm, _ = cranes
    flood = [message(flooding, number, n=5) for number in range(FLOOD)]
    order: list[str] = []  # of receipts, by crane
    done = threading.Event()

    def on_receipt(_client: mqtt.Client, _data: object, received: mqtt.MQTTMessage) -> None:
        name = received.topic.split("/")[2]
        receipt = ReceiptMessage.model_validate_json(received.payload)
        order.extend([name] * len(receipt.stored) if name in cranes else [])
        if len(order) >= FLOOD + CALM:
            done.set()

    before: list[int] = []  # messages of the flood that were sent before a calm one, all others after it
    waiting: list[int] = []  # those of them that had no receipt yet
    address = installation.address
    with mqtt_client(address) as listener, mqtt_client(address, IN_FLIGHT) as sender:
        subscribed = threading.Event()
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.message_callback_add("boomledger/v1/+/committed", on_receipt)
        listener.subscribe("boomledger/v1/+/committed", qos=1)
        assert subscribed.wait(60)
        with mqtt_client(address) as other:
            for number, (where, payload) in enumerate(flood):
                sender.publish(where, payload, qos=1)
                if number % (FLOOD // CALM) == 0:
                    publish_all(other, [message(calm, len(before), n=5)])
                    before.append(number + 1)
                    waiting.append(number + 1 - order.count(flooding))
        assert done.wait(120), f"{len(order)} receipts of {FLOOD + CALM}"
    assert (order.count(flooding), order.count(calm)) == (FLOOD, CALM)
    places = [place for place, name in enumerate(order) if name == calm]
    late = [place - own - flooded for own, (place, flooded) in enumerate(zip(places, before, strict=True))]
    print(
        f"{FLOOD} messages of one crane, up to {max(waiting)} of them waiting: those of another wait behind"
        f" at most {max(late)} that were sent after theirs"
    )
    assert max(waiting) > 10 * AHEAD, "this is no flood"
    assert max(late) <= AHEAD
