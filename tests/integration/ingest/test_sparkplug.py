"""Sparkplug through a real Mosquitto, from encoders and clients that are not ours."""

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psycopg
import pytest
from esio_spb_builder import EdgeNodeFactory, SpBConfigurationManager

from domain.messages import Leaf, NoticeMessage, topic
from ingest.limits import Limits
from ingest.sparkplug.host import STATE_TOPIC, hosting
from ingest.sparkplug.payload import REBIRTH, decode
from store import events, quarantine, refused, segments
from tests.support.ingesting import LIMIT_S, mqtt_client, register, wait_until

pytestmark = pytest.mark.mosquitto
GROUP = "yard"
CLIENT = Path(__file__).parents[2] / "support" / "sparkplug_client.py"
LATELY = (datetime.now(UTC) - timedelta(days=1), datetime.now(UTC) + timedelta(days=1))


@contextlib.contextmanager
def host(database: str, address: tuple[str, int], wait: bool = True) -> Iterator[threading.Event]:
    stop, subscribed = threading.Event(), threading.Event()
    with hosting(
        group=GROUP,
        broker_url=f"mqtt://{address[0]}:{address[1]}",
        database_url=database,
        limits=Limits(),
        stop=stop,
        subscribed=subscribed,
    ):
        assert not wait or subscribed.wait(LIMIT_S)
        yield subscribed


class Listener:
    """Commands to nodes and the state of the host, as they come."""

    def __init__(self, client: mqtt.Client) -> None:
        self.asked: list[str] = []
        self.states: list[bool] = []
        ready = threading.Event()
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = self._take
        client.subscribe([(f"spBv1.0/{GROUP}/NCMD/+", 1), (STATE_TOPIC, 1)])
        assert ready.wait(LIMIT_S)

    def _take(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic == STATE_TOPIC:
            self.states.append(orjson.loads(message.payload)["online"])
        elif decode(message.payload).metrics[0].name == REBIRTH:
            self.asked.append(message.topic.rsplit("/", 1)[1])


def esio_node(**more: float) -> Any:
    """An edge node `box-1` with the device crane-a and an edge node's own metrics, by a library that is not ours."""
    config = SpBConfigurationManager()
    config.add_group(GROUP, "an invented yard")
    config.add_node(
        GROUP,
        "box-1",
        "an invented gateway",
        metrics=[{"name": "CPU/Load", "data_type": "Float", "value": 0.0}],
    )
    metrics = [
        {"name": "dt_ms", "data_type": "Int32", "value": 1000},
        {"name": "utilisation_pct", "data_type": "Float", "value": 0.0},
        {"name": "slew_deg", "data_type": "Double", "value": 0.0},
        {"name": "mode", "data_type": "UInt8", "value": 2},
        {"name": "event/fault/E1", "data_type": "Boolean", "value": False},
        *({"name": name, "data_type": "Float", "value": value} for name, value in more.items()),
    ]
    config.add_device(GROUP, "box-1", "crane-a", "an invented crane", metrics=metrics)
    return EdgeNodeFactory(config).create_edge_node(GROUP, "box-1")


def read(conn: psycopg.Connection, crane_id: int) -> segments.Segments:
    return segments.read(conn, crane_id, *LATELY, ["utilisation_pct", "slew_deg", "mode"])


class Steps:
    """Time of the edge node, a step of 5 ms before each packet: its library stamps each metric by itself, and two metrics on
    either side of a millisecond are two samples."""

    def __init__(self) -> None:
        self.now_s = time.time()

    def time(self) -> float:
        """As of the module that it stands for."""
        return self.now_s


def test_packets_of_another_library_become_samples_events_and_presence(
    database: str,
    connection: psycopg.Connection,
    mosquitto: tuple[str, int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = Steps()
    monkeypatch.setattr("esio_spb_builder.core.protocol.time", clock)
    crane_id = register(database, "crane-a")["crane-a"]
    node = esio_node()
    device = node.get_device("crane-a")

    def online() -> bool | None:
        row = connection.execute("select online from live where crane_id = %s", [crane_id]).fetchone()
        return None if row is None else bool(row[0])

    with mqtt_client(mosquitto) as client, host(database, mosquitto):
        listener = Listener(client)

        def send(packet: Any) -> None:
            client.publish(packet.topic, packet.serialize(), qos=0)

        # This library counts bdSeq up when the will is made, which is before the birth that it belongs to.
        will = node.death_certificate()
        last_words = will.serialize()
        for packet in node.rebirth():
            send(packet)
        wait_until(online, "the crane is online")
        for step in range(20):
            clock.now_s += 0.005
            device.update_metrics({"utilisation_pct": step + 0.1, "slew_deg": step / 2 - 3})
            send(device.data_packet())
        clock.now_s += 0.005
        device.update_metrics({"event/fault/E1": True})
        send(device.data_packet())
        wait_until(lambda: len(read(connection, crane_id).n) == 20, "all samples are stored")
        (fault,) = wait_until(lambda: events.read(connection, crane_id, *LATELY), "the fault is stored")
        assert (fault.kind, fault.code, fault.state) == ("fault", "E1", "raised")
        found = read(connection, crane_id)
        order = found.seq.argsort()
        # Decimals as they were, the mode held from the birth, numbers without a gap.
        assert found.channels["utilisation_pct"][order].tolist() == pytest.approx(
            [step + 0.1 for step in range(20)], abs=1e-5
        )
        assert found.channels["slew_deg"][order].tolist() == [step / 2 - 3 for step in range(20)]
        assert set(found.channels["mode"].tolist()) == {2.0}
        assert sorted(found.seq.tolist()) == list(range(20))
        assert set(found.dt_ms.tolist()) == {1000}
        assert len(set(found.boot.tolist())) == 1
        assert (listener.asked, listener.states) == ([], [True])
        client.publish(will.topic, last_words, qos=1)
        wait_until(lambda: online() is False, "the crane is offline")
    assert quarantine.page(connection) == []


def test_a_metric_that_matches_no_channel_is_told_as_an_unknown_channel_is(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    node = esio_node(Utilisation=1.0)
    device = node.get_device("crane-a")
    told: list[NoticeMessage] = []
    with mqtt_client(mosquitto) as client, host(database, mosquitto):
        client.message_callback_add(
            topic("crane-a", Leaf.NOTICES),
            lambda *all_: told.append(NoticeMessage.model_validate_json(all_[2].payload)),
        )
        client.subscribe(topic("crane-a", Leaf.NOTICES), qos=1)
        for packet in node.rebirth():
            client.publish(packet.topic, packet.serialize())
        device.update_metrics({"utilisation_pct": 7.0})
        packet = device.data_packet()
        client.publish(packet.topic, packet.serialize())
        wait_until(lambda: told, "the notice")
    assert (told[0].code, told[0].channel, told[0].outcome) == ("unknown_channel", "Utilisation", "stored")
    days = [moment.date() for moment in LATELY]
    (counted,) = refused.by_day(connection, crane_id, days[0], days[1])
    assert (counted.channel, counted.readings) == ("Utilisation", 1)
    (kept,) = refused.messages(connection, crane_id)
    assert orjson.loads(kept.raw)["channels"]["Utilisation"] == [1.0]


def test_the_same_limits_hold_and_a_registered_crane_is_replayed(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    """The crane is unknown; a value is out of range; bytes are no payload; births are missing."""
    from ingest.replay import replay

    node = esio_node()
    device = node.get_device("crane-a")
    with mqtt_client(mosquitto) as client, host(database, mosquitto):
        listener = Listener(client)
        births = node.rebirth()
        device.update_metrics({"utilisation_pct": 5.0})
        early = device.data_packet()
        client.publish(early.topic, early.serialize())
        wait_until(lambda: listener.asked == ["box-1"], "the node is asked for its births")
        for packet in births:
            client.publish(packet.topic, packet.serialize())
        for value in (7.0, 9999.0):
            device.update_metrics({"utilisation_pct": value})
            packet = device.data_packet()
            client.publish(packet.topic, packet.serialize())
        client.publish(f"spBv1.0/{GROUP}/DDATA/box-1/crane-a", b"\xff\xff\xff")
        wait_until(lambda: len(quarantine.page(connection)) == 5, "five messages are set aside")
    reasons = sorted(row.reason for row in quarantine.page(connection))
    assert reasons == ["no_birth", "not_sparkplug", "unknown_crane", "unknown_crane", "unknown_crane"]
    crane_id = register(database, "crane-a")["crane-a"]
    done = replay(database, Limits())
    # Presence and two samples, one of them without its reading; what was never understood stays.
    assert (done.stored, done.kept) == (3, 2)
    readings = read(connection, crane_id).channels["utilisation_pct"]
    np.testing.assert_array_equal(readings, [7.0, np.nan])
    assert {row.reason for row in quarantine.page(connection)} == {"no_birth", "not_sparkplug"}


def test_a_second_host_stands_by_and_takes_over(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    with contextlib.ExitStack() as first, contextlib.ExitStack() as second:
        first.enter_context(host(database, mosquitto))
        taken = second.enter_context(host(database, mosquitto, wait=False))
        assert not taken.wait(1.5)
        first.close()
        assert taken.wait(LIMIT_S)


@pytest.fixture
def edge(mosquitto: tuple[str, int]) -> Iterator[Callable[[str], None]]:
    """An edge node on pysparkplug in a process of its own: that library wants another paho than we do."""
    python = os.environ.get("BOOMLEDGER_TEST_SPARKPLUG_PYTHON")
    if python is None:
        pytest.skip("no BOOMLEDGER_TEST_SPARKPLUG_PYTHON: an interpreter with `pip install pysparkplug`")
    process = subprocess.Popen(
        [python, str(CLIENT), mosquitto[0], str(mosquitto[1]), GROUP, "box-1", "crane-a"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=sys.stderr,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    said: list[str] = []
    reader = threading.Thread(target=lambda: said.extend(line.strip() for line in process.stdout or ()))
    reader.start()

    def tell(line: str) -> None:
        assert process.stdin is not None
        process.stdin.write(f"{line}\n")
        process.stdin.flush()

    tell.said = said  # type: ignore[attr-defined]
    wait_until(lambda: said, "the node is born")
    yield tell
    process.stdin.close()
    process.wait(LIMIT_S)
    reader.join()
    process.stdout.close()


def test_a_client_that_is_not_ours_is_asked_again_after_a_gap_and_dies_by_its_will(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int], edge: Any
) -> None:
    """The host starts after the node: it has to ask for the births first."""
    crane_id = register(database, "crane-a")["crane-a"]
    start = int(datetime.now(UTC).timestamp() * 1000) - 60_000
    with host(database, mosquitto):
        edge(f"data {start} 1 1")
        wait_until(lambda: edge.said.count("rebirth") == 1, "the node was asked")
        for step in range(1, 11):
            edge(f"data {start + 100 * step} {step}.5 -{step}")
        edge(f"past {start - 5000} 77")
        edge("fault 1")
        wait_until(lambda: len(read(connection, crane_id).n) == 11, "samples are stored")
        found = read(connection, crane_id)
        assert found.channels["utilisation_pct"].tolist() == [77.0, *(step + 0.5 for step in range(1, 11))]
        assert found.channels["slew_deg"][1:].tolist() == [-step for step in range(1, 11)]
        wait_until(lambda: events.read(connection, crane_id, *LATELY), "the fault is stored")
        edge("skip")
        # Asked a second time at the soonest some seconds after the first.
        place = 20
        while edge.said.count("rebirth") < 2:
            edge(f"data {start + 100 * place} 2 2")
            edge("skip")
            place += 1
            threading.Event().wait(0.2)
            assert place < 300
        edge("die")
        wait_until(
            lambda: (
                connection.execute("select online from live where crane_id = %s", [crane_id]).fetchone()
                == (False,)
            ),
            "the will says offline",
        )
    (unknown,) = quarantine.page(connection)
    assert unknown.reason == "no_birth"
