"""What a new integrator gets wrong is told on the crane's own topic, once and not for ever: through a real broker."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import orjson
import paho.mqtt.client as mqtt
import psycopg
import pytest

from domain.messages import Leaf, NoticeCode, NoticeMessage, topic
from ingest import doubts, notices
from store import quarantine, refused
from tests.support.ingesting import (
    LIMIT_S,
    Receipts,
    ingesting,
    mqtt_client,
    publish_all,
    register,
    wait_until,
)

pytestmark = pytest.mark.mosquitto
Address = tuple[str, int]
Channels = dict[str, np.ndarray]
MESSAGES, N, STEP_MS = 24, 50, 200  # four minutes of work, in messages of ten seconds


class Heard:
    """Notices by the crane of their topic, as they come."""

    def __init__(self, client: mqtt.Client) -> None:
        self.all: list[tuple[str, NoticeMessage]] = []
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.message_callback_add("boomledger/v1/+/notices", self._take)
        client.subscribe("boomledger/v1/+/notices", qos=1)
        assert subscribed.wait(LIMIT_S)

    def _take(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        name = message.topic.split("/")[2]
        self.all.append((name, NoticeMessage.model_validate_json(message.payload)))

    def codes(self, name: str = "crane-a") -> list[str]:
        return [notice.code for crane, notice in self.all if crane == name]


def work() -> Channels:
    """Four minutes of a crane at work: it slews to and fro and sets a load down three times. Invented."""
    t = np.arange(MESSAGES * N) * STEP_MS / 1000
    swing = np.sin(2 * np.pi * t / 80)
    return {
        "utilisation_pct": 35 + 25 * swing,
        "limit_pct": np.full(len(t), 100.0),
        "slew_deg": 90 * np.sin(2 * np.pi * t / 60),
        "main_boom_deg": 45 + 20 * swing,
        "knuckle_boom_deg": -30 - 25 * swing,
        "extension_m": 2.5 + 2.0 * swing,
    }


def sent(channels: Channels, start: datetime, *, boot: int = 7, first_seq: int = 0) -> list[bytes]:
    return [
        orjson.dumps(
            {
                "boot": boot,
                "seq": first_seq + k,
                "t0": start + timedelta(milliseconds=k * N * STEP_MS),
                "dt_ms": STEP_MS,
                "channels": {
                    name: [round(float(value), 5) for value in values[k * N : (k + 1) * N]]
                    for name, values in channels.items()
                },
            }
        )
        for k in range(len(next(iter(channels.values()))) // N)
    ]


def with_(**changed: Callable[[np.ndarray], np.ndarray]) -> Channels:
    return {name: changed.get(name, lambda as_it_is: as_it_is)(values) for name, values in work().items()}


def lately() -> datetime:
    return datetime.now(UTC) - timedelta(hours=1)


FRACTION = with_(utilisation_pct=lambda percent: percent / 100)
RADIANS = with_(**dict.fromkeys(("slew_deg", "main_boom_deg", "knuckle_boom_deg"), np.radians))
MILLIMETRES = with_(extension_m=lambda metres: metres * 1000)
UNCONNECTED = with_(extension_m=lambda metres: np.full_like(metres, 65535))
NO_LIMIT = with_(limit_pct=np.zeros_like)
LIMIT_FRACTION = with_(limit_pct=lambda percent: percent / 100)
MISSPELT = {**work(), "utilization_pct": work()["utilisation_pct"]}


@pytest.mark.parametrize(
    ("channels", "code", "channel", "word"),
    [
        (FRACTION, NoticeCode.FRACTION_FOR_PERCENT, "utilisation_pct", "Send percent"),
        (LIMIT_FRACTION, NoticeCode.FRACTION_FOR_PERCENT, "limit_pct", "Send percent"),
        (RADIANS, NoticeCode.RADIANS_FOR_DEGREES, "slew_deg", "Send degrees"),
        (MILLIMETRES, NoticeCode.READING_REFUSED, "extension_m", "millimetres"),
        (UNCONNECTED, NoticeCode.READING_REFUSED, "extension_m", "not connected"),
        (NO_LIMIT, NoticeCode.LIMIT_ZERO, "limit_pct", "leave the channel out"),
        (MISSPELT, NoticeCode.UNKNOWN_CHANNEL, "utilization_pct", "left out"),
    ],
    ids=["fraction", "limit fraction", "radians", "millimetres", "unconnected", "no limit", "misspelt"],
)
def test_a_wrong_unit_is_told_and_the_messages_are_stored(
    database: str,
    connection: psycopg.Connection,
    mosquitto: Address,
    channels: Channels,
    code: str,
    channel: str,
    word: str,
) -> None:
    ids = register(database, "crane-a", "crane-b")
    start = lately()
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard, receipts = Heard(client), Receipts(client)
        publish_all(client, [(topic("crane-b", Leaf.SAMPLES), raw) for raw in sent(work(), start)])
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), raw) for raw in sent(channels, start)])
        wait_until(lambda: len(receipts.stored) == 2 * MESSAGES, "every receipt")
        wait_until(lambda: heard.all, "a notice")
    ((crane, notice),) = heard.all
    assert (crane, notice.code, notice.channel, notice.outcome, notice.boot) == (
        "crane-a",
        code,
        channel,
        "stored",
        7,
    )
    assert word in notice.text
    assert quarantine.page(connection) == []
    if channels is MISSPELT:
        kept = refused.messages(connection, ids["crane-a"])
        assert b"utilization_pct" in kept[0].raw


PLAIN = {"boot": 7, "seq": 1, "dt_ms": 1000, "channels": {"utilisation_pct": [1, 2]}}


def bad(**changes: object) -> bytes:
    return orjson.dumps({**PLAIN, "t0": lately(), **changes})


@pytest.mark.parametrize(
    ("raw", "code", "word"),
    [
        (lambda: b"{", "not_json", "send JSON in UTF-8"),
        (lambda: bad(dt_ms="1000"), "bad_shape", "dt_ms"),
        (lambda: bad(channels={"load": [1, 2]}), "bad_shape", "no known channel"),
        (
            lambda: bad(channels={"utilisation_pct": [1, 2], "slew_deg": [1]}),
            "bad_lengths",
            "share one length",
        ),
        (lambda: bad().replace(b"[1,2]", b"[NaN,2]"), "out_of_range", "send null"),
        (lambda: bad(t0=lately() + timedelta(days=365)), "in_future", "set the clock"),
        (lambda: bad(t0="2001-01-01T00:00:00Z"), "before_registration", "set the clock"),
        (lambda: bad(crane="crane-b"), "crane_mismatch", "name of the topic"),
        (lambda: b" " * 1_000_001, "too_large", "fewer samples"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_rejected_message_is_answered_with_its_reason_on_the_topic_it_came_on(
    database: str, mosquitto: Address, raw: Callable[[], bytes], code: str, word: str
) -> None:
    register(database, "crane-a", "crane-b")
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard, payload = Heard(client), raw()
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), payload)])
        wait_until(lambda: heard.all, "a notice")
    ((crane, notice),) = heard.all
    assert (crane, notice.code, notice.outcome, notice.messages) == ("crane-a", code, "quarantined", 1)
    assert word in notice.text
    assert (notice.boot, notice.seq) == ((7, 1) if b'"seq"' in payload else (None, None))


def test_clocks_and_boots_that_cannot_be_are_told(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    register(database, "back", "twice", "again", "restart")
    start, first = lately(), {name: values[: 3 * N] for name, values in work().items()}
    messages = [
        *[("back", raw) for raw in sent(first, start)],
        *[("back", raw) for raw in sent(first, start - timedelta(minutes=5), first_seq=3)],
        *[("twice", raw) for raw in sent(first, start, boot=1)],
        *[("twice", raw) for raw in sent(first, start + timedelta(seconds=2), boot=2)],
        *[("again", raw) for raw in sent(first, start)],
        ("again", sent(with_(slew_deg=lambda deg: deg + 1), start)[0]),
        *[("restart", raw) for raw in sent(first, start)],
        *[("restart", raw) for raw in sent(first, start)[:2]],  # sent again: nothing to tell
        *[("restart", raw) for raw in sent(first, start + timedelta(minutes=5))],
    ]
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard = Heard(client)
        publish_all(client, [(topic(name, Leaf.SAMPLES), raw) for name, raw in messages])
        wait_until(lambda: len(heard.all) == 4, "four notices")
    assert sorted((name, notice.code) for name, notice in heard.all) == [
        ("again", "key_reused"),
        ("back", "clock_set_back"),
        ("restart", "seq_repeated"),
        ("twice", "boots_overlap"),
    ]


def test_a_clock_that_stays_days_behind_is_told_and_a_backlog_is_not(
    database: str, mosquitto: Address, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doubts, "STEADY_MS", 300)
    register(database, "late", "backlog")
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard, receipts = Heard(client), Receipts(client)
        begin = datetime.now(UTC) - timedelta(days=4)
        backlog = sent({name: np.tile(values, 10) for name, values in work().items()}, begin)
        seq = 0

        def told() -> list[str]:
            nonlocal seq
            late = datetime.now(UTC) - timedelta(days=3, seconds=20)
            one = {name: values[:N] for name, values in work().items()}
            # A single sample each: messages that come so fast must not cover the same time.
            live = orjson.loads(sent(one, late, first_seq=seq)[0])
            live["channels"] = {name: values[:1] for name, values in live["channels"].items()}
            publish_all(client, [(topic("late", Leaf.SAMPLES), orjson.dumps(live))])
            publish_all(client, [(topic("backlog", Leaf.SAMPLES), backlog[seq])])
            seq += 1
            return heard.codes("late")

        assert wait_until(told, "a notice") == ["clock_behind"]
        wait_until(lambda: len(receipts.stored) == 2 * seq, "every receipt")
    assert heard.codes("backlog") == []


def test_a_flood_of_bad_messages_is_one_notice_and_a_later_one_tells_how_many(
    database: str, mosquitto: Address, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(notices, "EVERY_S", (3.0, 3600.0))
    register(database, "crane-a")
    where = topic("crane-a", Leaf.SAMPLES)
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard, receipts = Heard(client), Receipts(client)
        publish_all(client, [(where, bad(seq=seq, dt_ms=0)) for seq in range(400)])
        wait_until(lambda: len(receipts.quarantined) == 400, "every receipt")
        wait_until(lambda: heard.all, "a notice")
        flood, count = len(heard.all), 400

        def once_more() -> bool:
            nonlocal count
            publish_all(client, [(where, bad(seq=count, dt_ms=0))])
            count += 1
            return len(heard.all) > flood

        wait_until(once_more, "another notice")
        # What is sent on the topic of notices is nobody's message: no notice answers a notice.
        echo = heard.all[-1][1].model_copy(update={"code": NoticeCode.TOO_LARGE})
        publish_all(client, [(topic("crane-a", Leaf.NOTICES), echo.model_dump_json().encode())])
        publish_all(client, [(topic("crane-a", Leaf.STATUS), b"{")])
        wait_until(lambda: heard.codes()[-1] == "not_json", "a notice of the status")
    assert flood <= 2, "four hundred messages, two notices at the most"
    assert heard.codes()[-2:] == ["too_large", "not_json"]
    again = heard.all[flood][1]
    assert 1 < again.messages <= count


def test_who_is_not_proved_by_a_topic_is_not_answered(
    database: str, connection: psycopg.Connection, mosquitto: Address
) -> None:
    """A name that is no crane's is no address; a crane that is not registered yet has a topic and is answered."""
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard = Heard(client)
        publish_all(
            client,
            [
                ("boomledger/v1/Not A Crane/samples", bad()),
                (topic("newcomer", Leaf.SAMPLES), bad()),
                (topic("newcomer", Leaf.EVENTS), bad()),
            ],
        )
        wait_until(lambda: len(heard.all) == 2, "two notices")
        wait_until(lambda: len(quarantine.page(connection)) == 3, "all set aside")
    assert [(name, notice.code) for name, notice in heard.all] == [
        ("newcomer", "unknown_crane"),
        ("newcomer", "bad_shape"),
    ]


def test_nothing_is_told_where_that_is_switched_off(database: str, mosquitto: Address) -> None:
    register(database, "crane-a")
    with ingesting(database, mosquitto, notices=False), mqtt_client(mosquitto) as client:
        heard, receipts = Heard(client), Receipts(client)
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), bad(dt_ms=0))])
        wait_until(lambda: receipts.quarantined, "a receipt")
        publish_all(client, [(topic("crane-a", Leaf.SAMPLES), bad(seq=2))])
        wait_until(lambda: receipts.stored, "another receipt")
    assert heard.all == []


def test_a_counter_that_cannot_be_read_is_told_and_one_that_can_is_not(
    database: str, mosquitto: Address
) -> None:
    """Comma, unit, sign or another code: such a reading is kept and tells nothing of the days without data."""
    register(database, "right", "comma", "unit", "minus", "code")
    now = datetime.now(UTC).isoformat()

    def counter(code: str, text: str) -> bytes:
        return orjson.dumps({"boot": 1, "seq": 1, "at": now, "kind": "counter", "code": code, "text": text})

    sent_by = {
        "right": counter("operating_hours", "3120.5"),
        "comma": counter("operating_hours", "3120,5"),
        "unit": counter("operating_hours", "3120.5 h\n"),
        "minus": counter("lifts", "-5"),
        "code": counter("hours", "3120.5"),
    }
    with ingesting(database, mosquitto), mqtt_client(mosquitto) as client:
        heard, receipts = Heard(client), Receipts(client)
        publish_all(client, [(topic(name, Leaf.EVENTS), raw) for name, raw in sent_by.items()])
        wait_until(lambda: len(receipts.stored) == 5 and len(heard.all) == 4, "receipts and notices")
    assert {name: (notice.code, notice.outcome) for name, notice in heard.all} == dict.fromkeys(
        ("comma", "unit", "minus", "code"), ("counter_unreadable", "stored")
    )
    assert all("such as 3120.5" in notice.text for _, notice in heard.all)
