"""A Mosquitto of its own on a free port, and a ledger that answers with receipts."""

import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from domain.messages import Leaf, SamplesMessage, parse_topic, topic


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A Mosquitto that can be killed and started again on the same port, with nothing left of what it held."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\n"
            "max_queued_messages 100000\nmax_inflight_messages 1000\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(["mosquitto", "-c", str(self._config)], stderr=subprocess.DEVNULL)
        up = threading.Event()
        probe = mqtt.Client(CallbackAPIVersion.VERSION2)
        probe.on_connect = lambda *_: up.set()
        probe.reconnect_delay_set(1, 1)
        probe.connect_async("127.0.0.1", self.port)
        probe.loop_start()
        assert up.wait(60), "mosquitto did not answer within 60 s"
        probe.disconnect()
        probe.loop_stop()

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(30)
            self._process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if shutil.which("mosquitto") is None:
        pytest.skip("needs a mosquitto on PATH: apt-get install mosquitto")
    running = Broker(tmp_path)
    try:
        running.start()
        yield running
    finally:
        running.kill()


@pytest.fixture
def broker_port(broker: Broker) -> int:
    return broker.port


class ReceivingLedger:
    """Takes every message and sends receipts, as ingest does; `deaf_to` messages get none the first time."""

    def __init__(self, port: int, deaf_every: int = 0) -> None:
        self.samples: dict[tuple[int, int], tuple[str, SamplesMessage]] = {}
        self.events: dict[tuple[int, int], tuple[str, dict[str, object]]] = {}
        self.statuses: dict[str, str] = {}
        self.copies = 0
        self.refuses: int | None = None  # the number of messages that a receipt names as quarantined
        self.hears = threading.Event()  # while it is cleared, messages arrive and get no receipt
        self.hears.set()
        self._deaf_every = deaf_every
        self._ignored: set[tuple[int, int]] = set()
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_connect = lambda client, *_: client.subscribe("boomledger/v1/+/+", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._received
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(30)

    def _received(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        parsed = parse_topic(message.topic)
        assert parsed is not None
        crane, leaf = parsed
        if leaf is Leaf.COMMITTED:
            return
        body = orjson.loads(message.payload)
        if leaf is Leaf.STATUS:
            self.statuses[crane] = body["state"]
            return
        key = body["boot"], body["seq"]
        self.copies += 1
        if not self.hears.is_set():
            return
        if self._deaf_every and key[1] % self._deaf_every == 0 and key not in self._ignored:
            self._ignored.add(key)
            return
        if leaf is Leaf.SAMPLES:
            self.samples[key] = crane, SamplesMessage.model_validate_json(message.payload)
        else:
            self.events[key] = crane, body
        outcome = "quarantined" if self.refuses == key[1] else "stored"
        client.publish(topic(crane, Leaf.COMMITTED), orjson.dumps({"boot": key[0], outcome: [key[1]]}), qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def ledger(broker_port: int) -> Iterator[ReceivingLedger]:
    receiving = ReceivingLedger(broker_port)
    yield receiving
    receiving.close()


@pytest.fixture
def forgetful_ledger(broker_port: int) -> Iterator[ReceivingLedger]:
    receiving = ReceivingLedger(broker_port, deaf_every=7)
    yield receiving
    receiving.close()
