"""The quick ways of reading against the library and the model that they stand in for."""

import random
import ssl
import struct

import numpy as np
import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import _packet
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from domain.channels import CHANNEL_NAMES
from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import SamplesMessage
from ingest import quick
from ingest.buffered import BufferedSocket
from ingest.content import Content
from ingest.decode import parse
from ingest.limits import Limits
from ingest.packets import Published, acknowledgement, split
from store.segments import to_ms
from tests.faults.test_fuzz import mutated
from tests.support.telemetry import is_event, message

PLAIN = {"boot": 7, "seq": 1, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100}


def agrees_with_the_model(raw: bytes) -> bool:
    """Whether it was read; then the model reads the same."""
    found = quick.read(raw)
    if found is None:
        return False
    model = SamplesMessage.model_validate_json(raw, strict=True)
    assert (found.boot, found.seq, found.dt_ms) == (model.boot, model.seq, model.dt_ms)
    assert found.t0_ms == to_ms(model.t0)
    assert {*found.channels, *found.unknown} == set(model.channels)
    assert set(found.channels) <= set(CHANNEL_NAMES)
    expected = [
        np.array(model.channels[name], dtype=np.float32) for name in (*found.channels, *found.unknown)
    ]
    np.testing.assert_array_equal(found.values, np.array(expected))
    return True


def test_what_is_read_quickly_is_what_the_model_says() -> None:
    rng = random.Random(5)
    originals = [message("crane-a", number, n=6)[1] for number in range(40) if not is_event(number)]
    read = sum(agrees_with_the_model(mutated(rng, rng.choice(originals))) for _ in range(4000))
    assert 50 < read < 4000


@pytest.mark.parametrize(
    "change",
    [
        {"channels": {"utilisation_pct": [True]}},
        {"channels": {"utilisation_pct": [2.5, False]}},
        {"channels": {"oil_temperature_degc": [2.5], "stabiliser_left_pct": [True]}},
        {"channels": {"utilisation_pct": ["1"]}},
        {"channels": {"utilisation_pct": [[1]]}},
        {"channels": {"utilisation_pct": [1], "limit_pct": [1, 2]}},
        {"channels": {"utilisation_pct": []}},
        {"channels": {"no_such_channel": [1]}},
        {"channels": {}},
        {"channels": [1]},
        {"boot": True},
        {"boot": 1.0},
        {"seq": -1},
        {"seq": 2**63},
        {"dt_ms": 0},
        {"dt_ms": 600_000, "channels": {"utilisation_pct": [1] * 200}},
        {"t0": "2026-03-02"},
        {"t0": "20260302T060000Z"},
        {"t0": "2026-02-30T06:00:00Z"},
        {"t0": 1_772_000_000},
        {"colour": "red"},
    ],
)
def test_what_the_model_refuses_or_judges_by_itself_is_left_to_it(change: dict[str, object]) -> None:
    good = {**PLAIN, "channels": {"utilisation_pct": [1, 2.5]}}
    assert agrees_with_the_model(orjson.dumps(good))
    assert quick.read(orjson.dumps({**good, **change})) is None


@pytest.mark.parametrize(
    ("field", "twice"),
    [
        ("utilisation_pct", b'"utilisation_pct":[0,0],"utilisation_pct"'),
        ("t0", b'"t0":"2026-03-01T06:00:00Z","t0"'),
        ("seq", b'"s\\u0065q":9,"seq"'),
        ("t0", b'"t0":"2026-03-01T06\\u003a00\\u003a00Z","t0"'),
    ],
)
def test_a_name_that_stands_twice_is_refused_and_named(field: str, twice: bytes) -> None:
    """Readers of JSON keep one of the two, and which is the right one nobody can tell."""
    raw = orjson.dumps({**PLAIN, "channels": {"utilisation_pct": [1, 2.5]}})
    assert parse("boomledger/v1/crane-a/samples", raw, Limits()).crane == "crane-a"
    with pytest.raises(UnreadableMessage, match="stands twice") as refused:
        parse("boomledger/v1/crane-a/samples", raw.replace(b'"%s"' % field.encode(), twice, 1), Limits())
    assert (refused.value.reason, refused.value.field) == (QuarantineReason.BAD_SHAPE, field)


def publish_packet(found: Published, *, first: int, properties: bytes) -> bytes:
    body = struct.pack(">H", len(found.topic)) + found.topic + struct.pack(">H", found.packet_id)
    body += variable(len(properties)) + properties + found.payload
    return bytes([first]) + variable(len(body)) + body


def variable(value: int) -> bytes:
    encoded = b""
    while True:
        value, low = divmod(value, 128)
        encoded += bytes([low | (0x80 if value else 0)])
        if not value:
            return encoded


def with_properties(content: Content, **others: object) -> tuple[bytes, Content]:
    """The properties of a PUBLISH as the library writes them, without their length."""
    properties = Properties(PacketTypes.PUBLISH)
    for name, value in others.items():
        setattr(properties, name, value)
    if content.type:
        properties.ContentType = content.type
    if content.encoding:
        properties.UserProperty = [("a", "b"), ("Content-Encoding", content.encoding)]
    packed = bytes(properties.pack())
    return packed[2 if packed[0] > 127 else 1 :], content


PROPERTIES = (
    (b"", Content()),
    with_properties(Content(), MessageExpiryInterval=60, TopicAlias=2, PayloadFormatIndicator=1),
    with_properties(Content("application/json" * 10), ResponseTopic="a/b", CorrelationData=b"123"),
    with_properties(Content("application/cbor", "zstd"), SubscriptionIdentifier=[300]),
    with_properties(Content("application/cbor", "zstd" * 100)),
)
PUBLISHED = st.builds(
    Published,
    topic=st.text(max_size=20).map(str.encode),
    packet_id=st.integers(1, 65_535),
    payload=st.binary(max_size=400),
)


@given(
    st.lists(st.tuples(PUBLISHED, st.sampled_from((0x32, 0x33, 0x3A, 0x3B)), st.sampled_from(PROPERTIES))),
    st.integers(1, 500),
)
def test_messages_are_taken_out_of_a_stream_as_the_library_reads_them(
    sent: list[tuple[Published, int, tuple[bytes, Content]]], piece: int
) -> None:
    ping = b"\xd0\x00"
    packets = [
        publish_packet(one, first=first, properties=properties) for one, first, (properties, _) in sent
    ]
    stream = ping.join(packets) + ping
    taken: list[Published] = []
    others = 0
    waiting = b""
    for place in range(0, len(stream), piece):
        waiting += stream[place : place + piece]
        found = split(waiting)
        taken += found.published
        others += len(found.others)
        assert all(other == ping for other in found.others)
        waiting = waiting[found.used :]
        assert found.needed > len(waiting)
    assert waiting == b""
    assert taken == [one._replace(content=content) for one, _, (_, content) in sent]
    assert others == max(1, len(packets))
    for packet, (one, first, _) in zip(packets, sent, strict=True):
        body = packet[packet.index(struct.pack(">H", len(one.topic)) + one.topic, 2) :]
        library = _packet.decode_publish(first, body, MQTTProtocolVersion.MQTTv5)
        assert (library.topic, library.mid, library.payload) == one[:3]


@given(st.binary(max_size=300))
def test_nothing_is_lost_of_a_stream_that_makes_no_sense(stream: bytes) -> None:
    found = split(stream)
    assert found.used <= len(stream)
    assert found.needed >= 1
    assert sum(map(len, found.others)) <= found.used


def test_an_acknowledgement_is_a_packet_that_says_success() -> None:
    assert acknowledgement([1, 0x1234]) == b"\x40\x02\x00\x01\x40\x02\x12\x34"


class Pipe:
    """A socket that gives and takes what a test says."""

    def __init__(self) -> None:
        self.arriving: list[bytes | Exception] = []
        self.sent = b""
        self.accepts = 0

    def recv(self, size: int, /) -> bytes:
        if not self.arriving:
            raise BlockingIOError
        piece = self.arriving.pop(0)
        if isinstance(piece, Exception):
            raise piece
        return piece

    def send(self, data: bytes | bytearray, /) -> int:
        if self.accepts == 0:
            raise ssl.SSLWantWriteError
        taken = min(self.accepts, len(data))
        self.accepts -= taken
        self.sent += bytes(data[:taken])
        return taken

    def close(self) -> None: ...
    def fileno(self) -> int:
        return -1

    def setblocking(self, flag: bool, /) -> None: ...


def test_a_slow_socket_gets_everything_in_the_end_and_a_broken_one_tells_the_library() -> None:
    pipe = Pipe()
    wire = BufferedSocket(pipe)
    wire.send(b"abcdef")
    for accepts, sent in ((0, b""), (2, b"ab"), (0, b"ab"), (9, b"abcdef")):
        pipe.accepts = accepts
        wire.flush()
        assert pipe.sent == sent
    assert not wire.unsent
    one = Published(b"a", 5, b"x" * 1000)
    packet = publish_packet(one, first=0x32, properties=b"")
    pipe.arriving = [b"\xd0", b"\x00" + packet[:7], packet[7:], ConnectionResetError()]
    assert [wire.read() for _ in range(3)] == [[], [], [one]]
    assert (wire.recv(1), wire.recv(1)) == (b"\xd0", b"\x00")
    assert not wire.for_library
    with pytest.raises(BlockingIOError):
        wire.recv(1)
    assert wire.read() == []
    assert wire.for_library
    with pytest.raises(ConnectionResetError):
        wire.recv(1)
