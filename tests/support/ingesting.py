"""Ingest in a thread, senders, and waiting for conditions, for tests."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from domain.messages import ReceiptMessage
from ingest import service
from store import cranes
from tests.support.telemetry import SITE, crane

LIMIT_S = 60.0


def wait_until(condition: Callable[[], Any], what: str, limit_s: float = LIMIT_S) -> Any:
    """Wait until the condition gives something true, and return that."""
    give_up = time.monotonic() + limit_s
    while not (result := condition()):
        assert time.monotonic() < give_up, f"not within {limit_s} s: {what}"
        time.sleep(0.02)
    return result


@contextlib.contextmanager
def ingesting(
    database: str, address: tuple[str, int], *, wait: bool = True, **arguments: Any
) -> Iterator[threading.Event]:
    """Ingest that runs inside the block; what it raises is raised at the end. Gives the event `subscribed`."""
    stop, subscribed, problems = threading.Event(), threading.Event(), []

    def body() -> None:
        try:
            service.run(
                broker_url=f"mqtt://{address[0]}:{address[1]}",
                database_url=database,
                stop=stop,
                subscribed=subscribed,
                **arguments,
            )
        except Exception as problem:
            problems.append(problem)

    thread = threading.Thread(target=body)
    thread.start()
    try:
        assert not wait or subscribed.wait(LIMIT_S)
        yield subscribed
    finally:
        stop.set()
        thread.join(LIMIT_S)
    assert not thread.is_alive()
    if problems:
        raise problems[0]


@contextlib.contextmanager
def mqtt_client(address: tuple[str, int], in_flight: int = 20, **login: str) -> Iterator[mqtt.Client]:
    """A connected MQTT 5 client that sends up to `in_flight` messages before the first is acknowledged."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(in_flight)
    if login:
        client.username_pw_set(login["user"], login["password"])
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.connect(*address)
    client.loop_start()
    assert connected.wait(LIMIT_S)
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


class Receipts:
    """Receipts as they come in, by crane and boot."""

    def __init__(self, client: mqtt.Client) -> None:
        self.stored: set[tuple[str, int, int]] = set()
        self.quarantined: set[tuple[str, int, int]] = set()
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.message_callback_add("boomledger/v1/+/committed", self._take)
        client.subscribe("boomledger/v1/+/committed", qos=1)
        assert subscribed.wait(LIMIT_S)

    def _take(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        name = message.topic.split("/")[2]
        receipt = ReceiptMessage.model_validate_json(message.payload)
        self.stored |= {(name, receipt.boot, seq) for seq in receipt.stored}
        self.quarantined |= {(name, receipt.boot, seq) for seq in receipt.quarantined}


def publish_all(client: mqtt.Client, messages: Iterable[tuple[str, bytes]]) -> None:
    """Publish with QoS 1 and wait for the broker's acknowledgements."""
    for info in [client.publish(topic, payload, qos=1) for topic, payload in messages]:
        info.wait_for_publish(LIMIT_S)


def register(database: str, *names: str) -> dict[str, int]:
    """Register invented cranes; their keys by name."""
    with psycopg.connect(database) as conn:
        cranes.save_site(conn, SITE)
        return {name: cranes.save_crane(conn, crane(name)) for name in names}
