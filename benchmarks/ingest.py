"""What ingest costs: end to end against a bare receive and a bare COPY of the same messages, in one run.

python benchmarks/ingest.py --json          the last line is one line of JSON; about a minute on two free cores
python benchmarks/ingest.py --json --full   more messages, and ten minutes at full rate with the memory watched

Messages of 100 samples of 8 channels (simulated work of an invented yard) wait in a real Mosquitto, so that no publisher
competes for the cores; then they are received and acknowledged bare, or ingested into an embedded PostgreSQL; as JSON, and of
other cranes as CBOR. Bytes on the wire are those of whole PUBLISH packets.
"""

import argparse
import asyncio
import json
import math
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psutil  # type: ignore[import-untyped]
import psycopg
import zstandard
from ingest_roles import CLIENT_ID, SUBSCRIBED, Address, subscriber
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from boomledger.broker import Broker, QueueBounds, find_mosquitto
from boomledger.postgres import EmbeddedPostgres
from domain.messages import Leaf, topic
from ingest.content import CBOR, CONTENT_ENCODING, PLAIN, Content
from ingest.decode import judge, parse
from ingest.limits import Limits
from ingest.plan import Incoming, Plan
from simulator.generate import generate_day
from simulator.messages import samples_cbor
from simulator.yard import load_yard
from store import cold, cranes
from store.columns import Segment, from_ms
from store.migrate import migrate
from store.packing import packed
from tests.support.telemetry import SITE, START, crane

SAMPLES, DT_MS = 100, 100
CHANNELS = (
    *("utilisation_pct", "limit_pct", "slew_deg", "main_boom_deg"),
    *("knuckle_boom_deg", "extension_m", "stabiliser_left_pct", "oil_temperature_degc"),
)
COPY_HEAD, COPY_END = b"PGCOPY\n\xff\r\n\0" + bytes(8), b"\xff\xff"
BATCH = 500
CBOR_CONTENT = Content(CBOR)
ROLES = Path(__file__).with_name("ingest_roles.py")


def payloads(
    names: list[str], messages: int, written: Callable[..., bytes] | None = None
) -> Iterator[tuple[str, bytes]]:
    """Messages of all cranes in turn, each at simulated work (an invented yard, 10 Hz)."""
    written = written or payload
    each = math.ceil(messages / len(names))
    work = [working(place, each * SAMPLES) for place in range(len(names))]
    for number in range(each):
        for name, readings in zip(names, work, strict=True):
            yield (
                topic(name, Leaf.SAMPLES),
                written(number, readings[:, number * SAMPLES :][:, :SAMPLES], START),
            )


@cache
def working(place: int, samples: int) -> np.ndarray[Any, Any]:
    """Readings of 8 channels (channels, samples) of one invented crane at work, as many days as it takes."""
    yard_crane = load_yard().cranes[place]
    parts: list[np.ndarray[Any, Any]] = []
    day = date(2026, 3, 2)
    while sum(part.shape[1] for part in parts) < samples:
        record = generate_day(yard_crane, day, dt_ms=DT_MS)
        day += timedelta(days=1)
        if record is not None:
            parts.append(np.array([record.channels[name] for name in CHANNELS]))
    return np.concatenate(parts, axis=1)[:, :samples]


def walk(rng: np.random.Generator, samples: int) -> np.ndarray[Any, Any]:
    """Random walks of 8 channels with steps of about 0.2 and two decimals, between 0 and 58."""
    steps = np.cumsum(rng.normal(0, 0.2, (len(CHANNELS), samples)), axis=1) + 40
    return np.round(np.abs((steps % 116) - 58), 2)


def payload(number: int, block: np.ndarray[Any, Any], start: datetime, boot: int = 7) -> bytes:
    """One samples message."""
    body = {
        "boot": boot,
        "seq": number,
        "t0": start + timedelta(milliseconds=number * SAMPLES * DT_MS),
        "dt_ms": DT_MS,
        "channels": dict(zip(CHANNELS, np.ascontiguousarray(block, dtype=np.float32), strict=True)),
    }
    return orjson.dumps(body, option=orjson.OPT_SERIALIZE_NUMPY)


def payload_cbor(number: int, block: np.ndarray[Any, Any], start: datetime, boot: int = 7) -> bytes:
    """The same as CBOR."""
    t0_ms = round(start.timestamp() * 1000) + number * SAMPLES * DT_MS
    return samples_cbor(
        boot, number, t0_ms, DT_MS, dict(zip(CHANNELS, block.astype(np.float32), strict=True))
    )


def properties(content: Content) -> Properties:
    stated = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if content.type:
        stated.ContentType = content.type
    if content.encoding:
        stated.UserProperty = (CONTENT_ENCODING, content.encoding)
    return stated


def wire_bytes(messages: list[tuple[str, bytes]], content: Content) -> float:
    """Bytes of whole packets for each reading of a channel."""
    size = sum(len(publish_packet(where, raw, 1, properties(content).pack())) for where, raw in messages)
    return size / (len(messages) * SAMPLES * len(CHANNELS))


def reading_rate(as_json: list[tuple[str, bytes]], as_cbor: list[tuple[str, bytes]]) -> float:
    """How many times as many messages of CBOR as of JSON one core reads, in batches as ingest takes them."""
    return reading_us(as_json, PLAIN) / reading_us(as_cbor, CBOR_CONTENT)


def reading_us(messages: list[tuple[str, bytes]], content: Content, rounds: int = 20) -> float:
    """Processor time to read a message: the median over batches of the least time of each."""
    now, limits, least = datetime.now(UTC), Limits(), []
    for first in range(0, min(len(messages), 8 * BATCH), BATCH):
        batch = [Incoming(*one, now, content=content) for one in messages[first : first + BATCH]]
        taken = []
        for _ in range(rounds):
            begin = time.thread_time()
            Plan(batch).read(limits)
            taken.append(time.thread_time() - begin)
        least.append(min(taken) / len(batch) * 1e6)
    return float(np.median(least))


def leave_session(address: Address, client_id: str) -> None:
    """Subscribe and go away: from now on the broker keeps messages for that client."""
    client, done = subscriber(address, client_id), threading.Event()
    client.on_connect = lambda *_: client.subscribe("boomledger/v1/+/samples", qos=1)
    client.on_subscribe = lambda *_: done.set()
    client.loop_start()
    done.wait(30)
    client.disconnect()
    client.loop_stop()


def publish(address: Address, messages: list[tuple[str, bytes]], content: Content = PLAIN) -> None:
    """Hand all messages to the broker and wait until it has them."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect(*address)
    client.loop_start()
    stated = properties(content)
    for info in [client.publish(where, raw, qos=1, properties=stated) for where, raw in messages]:
        info.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def child(*arguments: str, **pipes: Any) -> subprocess.Popen[bytes]:
    """A role of `ingest_roles.py` as a process of its own."""
    return subprocess.Popen([sys.executable, str(ROLES), *arguments], **pipes)


def bare_receive(address: Address, messages: list[tuple[str, bytes]], content: Content = PLAIN) -> float:
    """Messages a second, received and acknowledged by paho and nothing else."""
    leave_session(address, "bare-receive")
    publish(address, messages, content)
    process = child("receive", address[0], str(address[1]), str(len(messages)), stdout=subprocess.PIPE)
    output, _ = process.communicate(timeout=300)
    return len(messages) / float(output)


def bare_copy(database: str, messages: list[tuple[str, bytes]]) -> float:
    """Messages a second, copied as ready-made rows into a table with the columns and the key of `segment`."""
    with psycopg.connect(database, autocommit=True) as conn:
        directory = cranes.directory(conn)
        now = datetime.now(UTC)
        rows = [judge(parse(where, raw, Limits()), now, directory, Limits()) for where, raw in messages]
        ready = [b"".join(packed([row])) for row in rows if isinstance(row, Segment)]
        conn.execute("create table bare (like segment including all)")
        begin = time.perf_counter()
        for first in range(0, len(ready), BATCH):
            with conn.transaction(), conn.cursor().copy("copy bare from stdin (format binary)") as copy:
                copy.write(COPY_HEAD + b"".join(ready[first : first + BATCH]) + COPY_END)
        seconds = time.perf_counter() - begin
        conn.execute("drop table bare")
    return len(messages) / seconds


def wait_for(condition: Callable[[], bool], limit_s: float = 600) -> None:
    give_up = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > give_up:
            raise TimeoutError("the benchmark does not get on")
        time.sleep(0.02)


def end_to_end(
    address: Address,
    broker_url: str,
    database: str,
    messages: list[tuple[str, bytes]],
    content: Content = PLAIN,
) -> float:
    """Messages a second from the arrival of the first message to the commit of the last."""
    leave_session(address, CLIENT_ID)
    publish(address, messages, content)
    # Looking for the newest message of every crane costs nothing; counting would be work of the size of what is measured.
    last = dict(messages)
    newest = {
        where.split("/")[2]: from_ms(parse(where, raw, Limits(), content).message.t0_ms)  # type: ignore[union-attr]
        for where, raw in last.items()
    }
    with psycopg.connect(database, autocommit=True) as conn:
        process = child("ingest", broker_url, database, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
        wait_for(lambda: all(stored(conn, name, t0) for name, t0 in newest.items()))
        end = time.time()
        row = conn.execute(
            "select extract(epoch from min(received_at))::float, count(*) from segment"
            " join crane using (crane_id) where name = any(%s)",
            (list(newest),),
        ).fetchone()
        process.communicate(timeout=60)
    assert row is not None
    if row[1] != len(messages):
        raise SystemExit(f"{row[1]} of {len(messages)} messages are stored")
    return len(messages) / (end - float(row[0]))


def stored(conn: psycopg.Connection, name: str, t0: datetime) -> bool:
    found = conn.execute(
        "select from segment where crane_id = (select crane_id from crane where name = %s) and t0 = %s",
        (name, t0),
    )
    return found.fetchone() is not None


def hot_bytes(database: str, samples: int) -> float:
    """Bytes on disk a sample, indexes and overflow storage included."""
    with psycopg.connect(database, autocommit=True) as conn:
        conn.execute("vacuum segment")
        row = conn.execute(
            "select sum(pg_total_relation_size(relid)) from pg_partition_tree('segment') where isleaf"
        ).fetchone()
    assert row is not None
    return float(row[0]) / samples


def cold_bytes(database: str, folder: Path) -> float:
    """Bytes a sample in the Parquet files."""
    with psycopg.connect(database, autocommit=True) as conn:
        conn.execute("delete from touched_day")
        moved = cold.move(conn, str(folder), before=date(2100, 1, 1))
    return moved.bytes / moved.samples


async def many_cranes(address: Address, names: list[str], every_s: float, rounds: int) -> list[float]:
    """Seconds from publishing to the receipt that follows the commit, of many connected cranes sending in turn."""
    sent: dict[tuple[str, int], float] = {}
    delays: list[float] = []
    everything = asyncio.Event()
    loop = asyncio.get_running_loop()
    total = len(names) * rounds

    def on_receipt(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        now, name = time.perf_counter(), message.topic.split("/")[2]
        delays.extend(now - sent[name, seq] for seq in orjson.loads(message.payload)["stored"])
        if len(delays) >= total:
            loop.call_soon_threadsafe(everything.set)

    listener = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    listener.on_message = on_receipt
    listener.on_connect = lambda *_: listener.subscribe("boomledger/v1/+/committed", qos=1)
    listener.connect(*address)
    listener.loop_start()
    gate = asyncio.Semaphore(50)
    rng = np.random.default_rng(2)

    async def one(name: str, place: int) -> None:
        async with gate:
            reader, writer = await asyncio.open_connection(*address)
            writer.write(connect_packet(name))
            await reader.read(64)
        block = walk(rng, SAMPLES * rounds)
        start = datetime.now(UTC) - timedelta(days=1)
        for number in range(rounds):
            await asyncio.sleep(every_s * (place / len(names) if number == 0 else 1))
            raw = payload(number, block[:, number * SAMPLES : (number + 1) * SAMPLES], start, boot=9)
            sent[name, number] = time.perf_counter()
            writer.write(publish_packet(topic(name, Leaf.SAMPLES), raw, number + 1))
            await reader.read(64)
        await everything.wait()
        writer.close()

    await asyncio.wait_for(asyncio.gather(*(one(name, place) for place, name in enumerate(names))), 600)
    listener.disconnect()
    listener.loop_stop()
    return delays


def connect_packet(client_id: str) -> bytes:
    """An MQTT 5 CONNECT with a clean start: 1000 full clients would measure themselves."""
    body = text("MQTT") + bytes([5, 2]) + struct.pack(">H", 120) + b"\0" + text(client_id)
    return b"\x10" + length(len(body)) + body


def publish_packet(where: str, raw: bytes, packet_id: int, stated: bytes = b"\0") -> bytes:
    """An MQTT 5 PUBLISH with QoS 1, with packed properties."""
    body = text(where) + struct.pack(">H", packet_id) + stated + raw
    return b"\x32" + length(len(body)) + body


def text(value: str) -> bytes:
    return struct.pack(">H", len(value)) + value.encode()


def length(value: int) -> bytes:
    found = b""
    while True:
        value, low = divmod(value, 128)
        found += bytes([low | (0x80 if value else 0)])
        if not value:
            return found


def delays(address: Address, broker_url: str, database: str, names: list[str], rounds: int) -> list[float]:
    process = child("ingest", broker_url, database, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdout is not None
    while SUBSCRIBED.encode() != process.stdout.readline().strip():
        if process.poll() is not None:
            raise SystemExit("ingest did not start")
    found = asyncio.run(many_cranes(address, names, 10.0, rounds))
    process.communicate(timeout=60)
    return found


def memory_by_minute(address: Address, broker_url: str, database: str, minutes: int) -> list[float]:
    """Ingest at full rate for a while: its largest memory in every minute [MB]."""
    process = child("ingest", broker_url, database, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
    watched, largest, number = psutil.Process(process.pid), [0.0] * minutes, 0
    begin = time.monotonic()
    block = walk(np.random.default_rng(3), SAMPLES)
    while (minute := int((time.monotonic() - begin) // 60)) < minutes:
        chunk = range(number, number + 2000)
        start = datetime.now(UTC) - timedelta(days=300)
        publish(
            address, [(topic("bench-0", Leaf.SAMPLES), payload(one, block, start, boot=11)) for one in chunk]
        )
        number = chunk.stop
        largest[minute] = max(largest[minute], watched.memory_info().rss / 1e6)
    process.communicate(timeout=120)
    return largest


def measure(full: bool) -> dict[str, float]:
    names = [f"bench-{number}" for number in range(4)]
    thin = [f"thin-{number}" for number in range(4)]
    many = [f"many-{number}" for number in range(1000)]
    messages = list(payloads(names, 40_000 if full else 6_000))
    as_cbor = list(payloads(thin, len(messages), payload_cbor))
    packed_cbor = [(where, zstandard.compress(raw, 9)) for where, raw in as_cbor[:: len(as_cbor) // 1000]]
    with tempfile.TemporaryDirectory(prefix="boomledger-bench-") as folder:
        Path(folder).chmod(0o755)
        program = find_mosquitto()
        if program is None:
            raise SystemExit("this benchmark needs a real mosquitto: apt-get install mosquitto")
        postgres = EmbeddedPostgres(Path(folder) / "postgres")
        broker = Broker(
            Path(folder) / "broker", program=program, queued=QueueBounds(messages=200_000, bytes=2**30)
        )
        database = postgres.start()
        try:
            migrate(database)
            with psycopg.connect(database) as conn:
                cranes.save_site(conn, SITE)
                for name in (*names, *thin, *many):
                    cranes.save_crane(conn, crane(name))
            address = broker.start()
            broker_url = f"mqtt://{address[0]}:{address[1]}"
            receive = bare_receive(address, messages)
            copy = bare_copy(database, messages)
            rate = end_to_end(address, broker_url, database, messages)
            hot = hot_bytes(database, len(messages) * SAMPLES)
            receive_cbor = bare_receive(address, as_cbor, CBOR_CONTENT)
            rate_cbor = end_to_end(address, broker_url, database, as_cbor, CBOR_CONTENT)
            result = {
                "end_to_end_vs_limit": rate / min(receive, copy),
                "end_to_end_vs_limit_cbor": rate_cbor / min(receive_cbor, copy),
                "cbor_vs_json_reading_rate": reading_rate(messages, as_cbor),
                "wire_bytes_per_reading_json": wire_bytes(messages, PLAIN),
                "wire_bytes_per_reading_cbor": wire_bytes(as_cbor, CBOR_CONTENT),
                "wire_bytes_per_reading_cbor_zstd": wire_bytes(
                    packed_cbor, CBOR_CONTENT._replace(encoding="zstd")
                ),
                "messages_per_s": rate,
                "messages_per_s_cbor": rate_cbor,
                "bare_receive_messages_per_s": receive,
                "bare_receive_messages_per_s_cbor": receive_cbor,
                "bare_copy_messages_per_s": copy,
                "bytes_per_sample_hot": hot,
                "bytes_per_sample_cold": cold_bytes(database, Path(folder) / "cold"),
            }
            found = delays(address, broker_url, database, many, rounds=6 if full else 1)
            result["p99_commit_delay_s"] = float(np.quantile(found, 0.99))
            result["median_commit_delay_s"] = float(np.median(found))
            if full:
                by_minute = memory_by_minute(address, broker_url, database, 10)
                result |= {f"memory_minute_{n}_mb": size for n, size in enumerate(by_minute, 1)}
                result["memory_second_half_growth_mb"] = max(by_minute[5:]) - max(by_minute[:5])
            return result
        finally:
            broker.stop()
            postgres.stop()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="end with one line of JSON")
    parser.add_argument("--full", action="store_true", help="more messages, and the memory over ten minutes")
    arguments = parser.parse_args()
    begin = time.perf_counter()
    result = measure(arguments.full)
    result["seconds"] = time.perf_counter() - begin
    for name, value in result.items():
        print(f"{name:32} {value:12.3f}")
    if arguments.json:
        print(json.dumps({name: round(value, 4) for name, value in result.items()}))


if __name__ == "__main__":
    main()
