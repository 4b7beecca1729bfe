"""Records through a real broker: everything arrives, and what got no receipt is sent again."""

import threading
import time
from collections.abc import Callable
from datetime import date

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import pytest

from domain.errors import Unavailable
from ingest.content import Content
from ingest.decode import parse
from ingest.limits import Limits
from ingest.packets import Published, stated
from ingest.quick import Samples
from simulator.generate import generate
from simulator.messages import Outgoing, outgoing
from simulator.outbox import Outbox
from simulator.publish import Publisher, Sent, in_sending_order, publish
from simulator.record import DayRecord
from simulator.yard import load_yard

pytestmark = pytest.mark.mosquitto


@pytest.fixture(scope="module")
def records() -> list[DayRecord]:
    return list(generate(load_yard().cranes[:4], date(2025, 11, 5), 1, dt_ms=1000))


def sent_by(records: list[DayRecord]) -> int:
    return sum(len(record.batches) + len(record.events) for record in records)


def test_everything_arrives_and_the_outbox_ends_empty(broker_port, ledger, records) -> None:
    with Outbox(":memory:") as outbox:
        sent = publish(records, f"mqtt://127.0.0.1:{broker_port}", outbox=outbox)
        assert len(outbox) == 0
    assert sent.messages == sent.stored == sent_by(records)
    assert sent.quarantined == 0
    samples = sum(len(next(iter(body.channels.values()))) for _, body in ledger.samples.values())
    assert samples == sum(record.samples for record in records)
    assert len(ledger.events) == sum(len(record.events) for record in records)


def test_a_thin_link_carries_the_same_in_fewer_bytes(broker_port, records) -> None:
    """What arrives is read as ingest reads it, and compared with what goes over a wide link."""
    heard: list[Published] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    done, subscribed = threading.Event(), threading.Event()
    messages = list(outgoing(records[0]))[:30]

    def take(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        content = stated(message.properties.pack())
        heard.append(Published(message.topic.encode(), message.mid, message.payload, content))
        if len(heard) == len(messages):
            done.set()

    client.on_message = take
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", broker_port)
    client.loop_start()
    client.subscribe([(f"boomledger/v1/{records[0].crane}/{leaf}", 1) for leaf in ("samples", "events")])
    assert subscribed.wait(30)
    stop = threading.Event()
    with Publisher(f"mqtt://127.0.0.1:{broker_port}", thin=[records[0].crane]) as publisher:
        sending = threading.Thread(target=publisher.run, args=(messages,), kwargs={"stop": stop})
        sending.start()
        assert done.wait(30)
        stop.set()
        sending.join(30)
    client.disconnect()
    client.loop_stop()
    assert {one.content for one in heard} == {Content("application/cbor", "zstd")}
    for sent, got in zip(messages, heard, strict=True):
        expected = parse(sent.topic, sent.payload, Limits()).message
        found = parse(got.topic.decode(), got.payload, Limits(), got.content).message
        if isinstance(expected, Samples):
            assert isinstance(found, Samples)
            np.testing.assert_array_equal(found.values, expected.values)
            expected, found = expected._replace(values=None), found._replace(values=None)
        assert found == expected
    assert sum(len(one.payload) for one in heard) < sum(len(one.payload) for one in messages) / 2


def test_what_is_refused_is_kept_apart(broker_port, ledger, records) -> None:
    ledger.refuses = next(outgoing(records[0])).seq
    with Outbox(":memory:") as outbox:
        sent = publish(records[:1], f"mqtt://127.0.0.1:{broker_port}", outbox=outbox)
        assert (sent.stored, sent.quarantined) == (sent_by(records[:1]) - 1, 1)
        assert (len(outbox), outbox.refused) == (0, 1)


def test_a_message_without_receipt_comes_again(broker_port, forgetful_ledger, records) -> None:
    with Publisher(f"mqtt://127.0.0.1:{broker_port}", resend_after_s=0.5) as publisher:
        sent = publisher.run(in_sending_order(records[:1]))
    assert sent.stored == sent_by(records[:1])
    assert forgetful_ledger.copies > sent.stored
    assert sent.sent_again == forgetful_ledger.copies - sent.stored


def test_without_a_ledger_it_gives_up_and_says_what_to_check(broker_port, records) -> None:
    with (
        Publisher(f"mqtt://127.0.0.1:{broker_port}", patience_s=0.5) as publisher,
        pytest.raises(Unavailable, match="is ingest running"),
    ):
        publisher.run(in_sending_order(records[:1]))


def test_without_a_broker_it_says_so(records) -> None:
    with pytest.raises(Unavailable, match="is it running"):
        publish(records[:1], "mqtt://127.0.0.1:1")


def test_a_killed_broker_loses_nothing(broker, ledger, records) -> None:
    """The broker takes messages, is killed with what it holds, and comes back empty: the outbox sends them again."""
    ledger.hears.clear()
    done: list[Sent] = []
    with Publisher(f"mqtt://127.0.0.1:{broker.port}", patience_s=None) as publisher:
        sending = threading.Thread(
            target=lambda: done.append(publisher.run(in_sending_order(records[:1]))), daemon=True
        )
        sending.start()
        wait_until(lambda: ledger.copies > 10)
        broker.kill()
        ledger.hears.set()
        broker.start()
        sending.join(120)
        assert not sending.is_alive()
    assert done[0].stored == sent_by(records[:1]) == len(ledger.samples) + len(ledger.events)


def wait_until(reached: Callable[[], bool], limit_s: float = 60.0) -> None:
    end_s = time.monotonic() + limit_s
    while not reached():
        assert time.monotonic() < end_s, f"not reached within {limit_s} s"
        time.sleep(0.02)


def test_presence_is_told(broker_port, ledger, records) -> None:
    publish(records[:1], f"mqtt://127.0.0.1:{broker_port}")
    wait_until(lambda: ledger.statuses.get(records[0].crane) == "offline")


def test_at_a_speed_factor_messages_wait_for_their_time(broker_port, ledger) -> None:
    """Three messages a minute apart, 600 times as fast: 0.2 s from the first to the last, never sooner."""
    messages = [
        Outgoing("yard-01", 7, seq, 60_000 * seq, "boomledger/v1/yard-01/events", event(seq))
        for seq in range(3)
    ]
    with Publisher(f"mqtt://127.0.0.1:{broker_port}") as publisher:
        sent = publisher.run(messages, factor=600.0)
    assert sent.stored == 3
    assert sent.seconds >= 0.2


def event(seq: int) -> bytes:
    return orjson.dumps({"boot": 7, "seq": seq, "at": "2026-01-05T07:00:00Z", "kind": "service"})


def test_what_was_left_in_an_outbox_is_sent_at_the_next_start(broker_port, ledger, tmp_path) -> None:
    file = tmp_path / "outbox.sqlite"
    with Outbox(file) as outbox:
        outbox.put([Outgoing("yard-01", 7, 0, 0, "boomledger/v1/yard-01/events", event(0))])
    with Outbox(file) as outbox, Publisher(f"mqtt://127.0.0.1:{broker_port}", outbox) as publisher:
        sent = publisher.run([])
        assert len(outbox) == 0
    assert (sent.messages, sent.stored) == (0, 1)
