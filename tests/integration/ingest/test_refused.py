"""A reading out of its channel's range is a missing reading: told and counted, and its message is stored, on every way in."""

import csv
import threading
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import orjson
import psycopg
import pytest

from analytics import worker
from api.app import create_api
from api.settings import ApiSettings
from dashboard.client import Client
from domain.channels import CHANNEL_BY_NAME
from domain.errors import QuarantineReason
from domain.findings import FindingCode
from domain.messages import Leaf, topic
from ingest import quick
from ingest.limits import Limits
from ingest.replay import replay
from ingest.writer import Incoming, Outcome, Writer
from store import quarantine, refused, segments
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, register, wait_until
from transfer.importing import import_file
from transfer.mapping import Mapping

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
T0 = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
DAY = date(2026, 3, 2)
READINGS = {
    "utilisation_pct": [41.5, 42.0, 43.0, 4000.0],
    "slew_deg": [1.0, -721.0, 65535.0, 4.0],
    "extension_m": [65535.0] * 4,
}
KEPT = {
    "utilisation_pct": [41.5, 42.0, 43.0, np.nan],
    "slew_deg": [1.0, np.nan, np.nan, 4.0],
    "extension_m": [np.nan] * 4,
}


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def body(**more: object) -> bytes:
    return orjson.dumps({"boot": 7, "seq": 1, "t0": T0, "dt_ms": 1000, "channels": READINGS, **more})


def by_messages(database: str, *messages: tuple[str, bytes]) -> list[Outcome]:
    writer = Writer(database, Limits(), alone=False)
    results = writer.store([Incoming(where, raw, NOW) for where, raw in messages])
    writer.close()
    return [result.outcome for result in results]


def quick_way(database: str, folder: Path) -> None:
    assert quick.read(body()) is not None
    assert by_messages(database, (topic("crane-a", Leaf.SAMPLES), body())) == [Outcome.STORED]


def way_of_the_model(database: str, folder: Path) -> None:
    raw = body(crane="crane-a")
    assert quick.read(raw) is None
    assert by_messages(database, (topic("crane-a", Leaf.SAMPLES), raw)) == [Outcome.STORED]


def sparkplug(database: str, folder: Path) -> None:
    coded = pytest.importorskip("ingest.sparkplug.payload", reason="deleted")
    nodes, at_ms = pytest.importorskip("ingest.sparkplug.nodes").Nodes(), segments.to_ms(T0)
    DataType, Payload = coded.DataType, coded.Payload  # noqa: N806
    n_birth, d_birth, data = Payload(timestamp=at_ms, seq=0), Payload(timestamp=at_ms, seq=1), Payload(seq=2)
    d_birth.metrics.add(name="dt_ms", datatype=DataType.INT32, int_value=1000)
    for name, readings in READINGS.items():
        d_birth.metrics.add(name=name, datatype=DataType.DOUBLE_ARRAY, bytes_value=b"")
        raw = np.array(readings, dtype="<f8").tobytes()
        data.metrics.add(name=name, timestamp=at_ms, datatype=DataType.DOUBLE_ARRAY, bytes_value=raw)
    messages = []
    for kind, payload in (
        ("NBIRTH/box", n_birth),
        ("DBIRTH/box/crane-a", d_birth),
        ("DDATA/box/crane-a", data),
    ):
        messages += nodes.take(f"spBv1.0/yard/{kind}", payload.SerializeToString(), NOW, 0.0).messages
    assert set(by_messages(database, *messages)) == {Outcome.STORED}


def file(database: str, folder: Path) -> None:
    table = folder / "table.csv"
    with table.open("w", newline="") as opened:
        write = csv.writer(opened)
        write.writerow(["at", *READINGS])
        for second, row in enumerate(zip(*READINGS.values(), strict=True)):
            write.writerow([T0.replace(second=second).isoformat(), *row])
    mapping = Mapping.model_validate(
        {
            "kind": "samples",
            "crane": {"name": "crane-a"},
            "time": {"column": "at"},
            "step": {"ms": 1000},
            "channels": {name: name for name in READINGS},
        }
    )
    with psycopg.connect(database, autocommit=True) as conn:
        done = import_file(conn, table, mapping, Limits(), now=NOW)
    assert (done.stored, done.problems, len(done.refused)) == (True, (), 4)


@pytest.mark.parametrize("way", [quick_way, way_of_the_model, sparkplug, file])
def test_every_way_in_stores_the_message_without_the_reading(
    database: str, connection: psycopg.Connection, tmp_path: Path, way: object
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    way(database, tmp_path)  # type: ignore[operator]
    read = segments.read(connection, crane_id, T0, NOW, READINGS)
    for name, readings in KEPT.items():
        np.testing.assert_array_equal(read.channels[name], np.array(readings, dtype=np.float32))
    assert quarantine.page(connection) == []
    found = {one.channel: one for one in refused.by_day(connection, crane_id, DAY, DAY)}
    assert {name: (one.readings, one.least, one.most) for name, one in found.items()} == {
        "utilisation_pct": (1, 4000.0, 4000.0),
        "slew_deg": (2, -721.0, 65535.0),
        "extension_m": (4, 65535.0, 65535.0),
    }
    assert (found["slew_deg"].first_at, found["slew_deg"].last_at) == (
        T0.replace(second=1),
        T0.replace(second=2),
    )


@pytest.mark.mosquitto
def test_the_receipt_says_stored_the_bytes_are_kept_and_again_counts_once(
    database: str, connection: psycopg.Connection, mosquitto: tuple[str, int]
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    where = topic("crane-a", Leaf.SAMPLES)
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        receipts = Receipts(client)
        for _ in range(2):
            receipts.stored.clear()
            publish_all(client, [(where, body())])
            wait_until(lambda: receipts.stored == {("crane-a", 7, 1)}, "the receipt")
        # Of a later message of the same day, with other readings wrong.
        later = body(seq=2, t0=T0.replace(hour=7), channels={"slew_deg": [-9999.0]})
        publish_all(client, [(where, later)])
        wait_until(lambda: ("crane-a", 7, 2) in receipts.stored, "the receipt of the other")
    assert receipts.quarantined == set()
    assert [one.raw for one in refused.messages(connection, crane_id)] == [later, body()]
    (slew,) = [one for one in refused.by_day(connection, crane_id, DAY, DAY) if one.channel == "slew_deg"]
    assert (slew.messages, slew.readings, slew.least, slew.most) == (2, 3, -9999.0, 65535.0)
    assert (slew.first_at, slew.last_at) == (T0.replace(second=1), T0.replace(hour=7))


def test_what_an_earlier_release_set_aside_for_it_is_stored_by_a_replay(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    rejected = quarantine.Rejected(
        received_at=NOW,
        topic=topic("crane-a", Leaf.SAMPLES),
        crane_name="crane-a",
        reason=QuarantineReason.OUT_OF_RANGE,
        detail="slew_deg from -721 to 65535; accepted are -720 to 720",
        raw=body(),
    )
    arrived = NOW.replace(day=9)
    quarantine.keep(connection, [replace(rejected, received_at=arrived)])
    (aside,) = quarantine.BY_DAY.all(
        connection, crane="crane-a", zone="Europe/Vienna", first_day=DAY, last_day=arrived.date()
    )
    assert (aside.day, aside.messages) == (arrived.date(), 1)
    assert replay(database, Limits(), reason=QuarantineReason.OUT_OF_RANGE).stored == 1
    assert quarantine.page(connection) == []
    touched = {day for (day,) in connection.execute("select day from touched_day")}
    assert touched == {
        DAY,
        arrived.date(),
    }  # the day it came on is judged again: nothing is set aside of it now
    assert {one.channel: one.readings for one in refused.by_day(connection, crane_id, DAY, DAY)} == {
        "utilisation_pct": 1,
        "slew_deg": 2,
        "extension_m": 4,
    }
    assert [one.raw for one in refused.messages(connection, crane_id)] == [body()]


def test_readings_under_a_name_that_is_no_channel_are_counted_by_day_for_some_names(
    database: str, connection: psycopg.Connection
) -> None:
    crane_id = register(database, "crane-a")["crane-a"]
    names = ["no\u0000thing" + "x" * 100, *(f"made-up-{number}" for number in range(40))]
    sent = []
    for seq, name in enumerate([*names, names[1]]):
        channels = {name: [1, 2, 3, 4], "slew_deg": [1, 2, 3, 65535]}
        t0 = T0.replace(minute=seq)
        sent.append((topic("crane-a", Leaf.SAMPLES), body(seq=seq, t0=t0, channels=channels)))
    for message in sent:
        assert by_messages(database, message) == [Outcome.STORED]
    found = {one.channel: one.readings for one in refused.by_day(connection, crane_id, DAY, DAY)}
    assert len(found) == refused.MOST_NAMES + 1
    assert found["made-up-0"] == 8
    assert found["slew_deg"] == len(sent)
    assert max(len(name) for name in found) == 64
    assert by_messages(database, sent[1]) == [Outcome.DUPLICATE]
    assert found == {one.channel: one.readings for one in refused.by_day(connection, crane_id, DAY, DAY)}


def test_a_reading_counts_on_the_local_day_and_the_edges_of_the_range_are_readings(
    database: str, connection: psycopg.Connection
) -> None:
    ids = register(database, "crane-a")
    channel = CHANNEL_BY_NAME["extension_m"]
    edges = [channel.low, channel.high, None]
    # 22:59:59 UTC is a second before midnight in Vienna in winter.
    start = datetime(2026, 3, 2, 22, 59, 59, tzinfo=UTC)
    messages = [
        (topic("crane-a", Leaf.SAMPLES), body(channels={"extension_m": edges})),
        (
            topic("crane-a", Leaf.SAMPLES),
            body(seq=2, t0=start, channels={"extension_m": [1.0, 61.0], "jib_extension_m": [41.0, 1.0]}),
        ),
    ]
    writer = Writer(database, Limits(), alone=False)
    writer.store([Incoming(where, raw, start.replace(hour=23)) for where, raw in messages])
    writer.close()
    found = refused.by_day(connection, ids["crane-a"], DAY, date(2026, 3, 3))
    assert [(one.day, one.channel) for one in found] == [
        (DAY, "jib_extension_m"),
        (date(2026, 3, 3), "extension_m"),
    ]


@pytest.mark.mosquitto
@pytest.mark.anyio
async def test_from_the_broker_to_a_finding_of_the_api(database: str, mosquitto: tuple[str, int]) -> None:
    register(database, "crane-a", "crane-b")
    for name, extension in (("crane-a", 65535.0), ("crane-b", 2.0)):
        channels = {"utilisation_pct": [20.0] * 60, "extension_m": [extension] * 60}
        with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
            receipts = Receipts(client)
            publish_all(client, [(topic(name, Leaf.SAMPLES), body(channels=channels))])
            wait_until(lambda receipts=receipts: receipts.stored, "the receipt")
    worker.run(database, threading.Event(), once=True)
    app = create_api(database, ApiSettings(open_access=True, secure_cookie=False))
    async with app.router.lifespan_context(app), Client(app=app) as api:
        told = (await api.findings("crane-a", day_from=DAY, day_to=DAY)).items
        others = (await api.findings("crane-b", day_from=DAY, day_to=DAY)).items
    (found,) = [row for row in told if row.code is FindingCode.READINGS_REFUSED]
    assert (found.channel, found.size, found.unit) == ("extension_m", 60, "readings")
    assert (found.least, found.most) == (65535, 65535)
    assert found.consequence.startswith("extension_m from 65535 to 65535 m; -0.5 to 60 are accepted")
    assert (found.from_at, found.to_at) == (T0, T0.replace(minute=1))
    assert FindingCode.READINGS_REFUSED not in {row.code for row in others}
