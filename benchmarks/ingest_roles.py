"""The processes of benchmarks/ingest.py that are measured; they import no more than they need, or starting would be measured.

python benchmarks/ingest_roles.py receive HOST PORT MESSAGES
python benchmarks/ingest_roles.py ingest BROKER_URL DATABASE_URL
"""

import sys
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

CLIENT_ID = "boomledger-ingest"
RECEIVE_MAXIMUM = 2000
SUBSCRIBED = "subscribed"
Address = tuple[str, int]


def subscriber(address: Address, client_id: str) -> mqtt.Client:
    """A client with a session that the broker keeps, as ingest has it."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5, manual_ack=True
    )
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.SessionExpiryInterval = 3600
    client.connect_async(*address, clean_start=False, properties=properties)
    return client


def receive(host: str, port: str, messages: str) -> None:
    """Receive and acknowledge so many messages; prints the seconds from the first to the last."""
    client, done = subscriber((host, int(port)), "bare-receive"), threading.Event()
    seen, times = 0, [0.0, 0.0]

    def take(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal seen
        times[min(seen, 1)] = time.perf_counter()
        seen += 1
        client.ack(message.mid, message.qos)
        if seen == int(messages):
            done.set()

    client.on_message = take
    client.loop_start()
    done.wait(300)
    client.disconnect()
    client.loop_stop()
    print(times[1] - times[0])


def ingest(broker_url: str, database_url: str) -> None:
    """Ingest until its input is closed; says so when the broker has its subscription."""
    from ingest import service

    assert service.CLIENT_ID == CLIENT_ID
    stop, subscribed = threading.Event(), threading.Event()
    threading.Thread(target=lambda: (subscribed.wait(), print(SUBSCRIBED, flush=True)), daemon=True).start()
    threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
    service.run(
        broker_url=broker_url,
        database_url=database_url,
        stop=stop,
        subscribed=subscribed,
        receive_maximum=RECEIVE_MAXIMUM,
    )


if __name__ == "__main__":
    {"receive": receive, "ingest": ingest}[sys.argv[1]](*sys.argv[2:])
