"""CBOR says what JSON says: the same arrays, keys and refusals; and what is compressed is bounded before it is unpacked."""

import gc
import struct
import subprocess
import sys
import textwrap
import tracemalloc
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cbor2
import numpy as np
import orjson
import pytest
import zstandard
from cbor2 import CBORTag
from hypothesis import given
from hypothesis import strategies as st

from domain.channels import CHANNEL_NAMES
from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import Leaf, parse_topic, topic
from ingest import cbor
from ingest.content import PLAIN, Content
from ingest.decode import Parsed, key_in, parse
from ingest.limits import Limits
from ingest.quick import Samples
from simulator.messages import samples_cbor, samples_payload

WHERE = topic("crane-a", Leaf.SAMPLES)
CBOR = Content("application/cbor")
BODY: dict[str, Any] = {"boot": 7, "seq": 1, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100}
T0_MS = 1_772_431_200_000
DOCS = Path(__file__).parents[3] / "docs"
WIRE = (DOCS / "wire.md").read_text()


def result(payload: bytes, content: Content = PLAIN, where: str = WHERE) -> Any:
    """What comes of a message: a comparable form of what it says, or the reason why it is refused."""
    try:
        _, message = parse(where, payload, Limits(), content)
    except UnreadableMessage as problem:
        return problem.reason
    if isinstance(message, Samples):
        return (*message[:5], message.values.tobytes(), message.values.shape, message.unknown)
    return message


def reason(body: Any, content: Content = CBOR) -> QuarantineReason:
    raw = body if isinstance(body, bytes) else cbor2.dumps(body)
    found = result(raw, content)
    assert isinstance(found, QuarantineReason), found
    return found


def as_numbers(readings: list[float | None]) -> np.ndarray[Any, Any]:
    return np.array([np.nan if one is None else one for one in readings], dtype=np.float64)


def written(readings: list[float | None], how: str) -> Any:
    """One channel's readings as plain CBOR or as a typed array of floats that holds them."""
    if how == "list":
        return readings
    return CBORTag({"<f8": 86, ">f8": 82}[how], as_numbers(readings).astype(how).tobytes())


NUMBERS = st.one_of(
    st.none(),
    st.integers(-1000, 1000),
    st.floats(allow_nan=False, allow_infinity=False, width=64),
    st.decimals(-400, 400, places=2).map(float),
)
NAMES = st.one_of(st.sampled_from(CHANNEL_NAMES), st.text(max_size=5))
FIELDS = {
    "boot": st.one_of(st.integers(0, 2**63), st.just(True), st.just("7"), st.just(1.0)),
    "seq": st.one_of(st.integers(-1, 2**63), st.none()),
    "t0": st.one_of(
        st.integers(0, 4 * 10**12).map(lambda ms: datetime.fromtimestamp(ms / 1000, UTC).isoformat()),
        st.sampled_from(["2026-03-02T06:00:00.123Z", "2026-03-02T06:00:00", "2026-02-30T00:00:00Z", 5]),
    ),
    "dt_ms": st.one_of(st.integers(0, 600_001), st.just(100), st.just(100.0)),
    "crane": st.sampled_from(["crane-a", "crane-b", None, 7]),
}
BODIES = st.fixed_dictionaries(
    {
        **{name: FIELDS[name] for name in ("boot", "seq", "t0", "dt_ms")},
        "channels": st.integers(0, 5).flatmap(
            lambda n: st.dictionaries(
                NAMES, st.lists(NUMBERS, min_size=n, max_size=n) | st.lists(NUMBERS, max_size=3), max_size=4
            )
        ),
    },
    optional={"crane": FIELDS["crane"], "colour": st.just("red")},
)


@given(BODIES, st.lists(st.sampled_from(["list", "<f8", ">f8"]), min_size=4, max_size=4))
def test_cbor_and_json_of_a_message_give_the_same(body: dict[str, Any], hows: list[str]) -> None:
    channels = body["channels"].items()
    twin = {name: written(readings, how) for (name, readings), how in zip(channels, hows, strict=False)}
    as_cbor = cbor2.dumps({**body, "channels": twin})
    as_json = orjson.dumps(body)
    assert result(as_cbor, CBOR) == result(as_json)
    if "boot" in body and type(body["boot"]) is int and type(body["seq"]) is int and body["seq"] >= 0:
        assert key_in(as_cbor, CBOR) == key_in(as_json)


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(-(2**31), 2**31), st.sampled_from((200, 60_000, 2**20))),
        min_size=1,
        max_size=6,
    ),
    st.integers(1, 20),
    st.integers(0, 10**12),
    st.randoms(use_true_random=False),
)
def test_scaled_integers_are_bit_for_bit_the_decimal_numbers(
    channels: list[tuple[int, int, int]], n: int, t0_ms: int, random: Any
) -> None:
    readings = {}
    for name, (decimals, lowest, span) in zip(
        random.sample(CHANNEL_NAMES, len(channels)), channels, strict=True
    ):
        digits = [random.choice([None, lowest + random.randrange(span)]) for _ in range(n)]
        readings[name] = np.array(
            [np.nan if digit is None else digit / 10**decimals for digit in digits], np.float32
        )
    arguments = 7, 1, t0_ms, 100, readings
    found = result(samples_cbor(*arguments), CBOR)
    assert not isinstance(found, QuarantineReason)
    assert found == result(samples_payload(*arguments))


@pytest.mark.parametrize(
    ("tag", "kind"),
    [(tag, kind) for tag, kind in cbor.TYPED_ARRAYS.items() if kind.kind in "iu" and kind.itemsize <= 4],
)
def test_blocks_of_every_integer_type(tag: int, kind: np.dtype[Any]) -> None:
    least, most = np.iinfo(kind).min, np.iinfo(kind).max
    missing = most if kind.kind == "u" else least
    numbers = np.array([[least, 0, most, 100], [missing, 1, 2, 3]], kind)
    block = [["slew_deg", "limit_pct"], b"\x01\x00", [5, -1], CBORTag(tag, numbers.tobytes())]
    _, message = parse(WHERE, cbor2.dumps({**BODY, "blocks": [block]}), Limits(), CBOR)
    assert isinstance(message, Samples)
    assert message.channels == ("limit_pct", "slew_deg")
    whole = [int(number) for number in numbers[0]]
    slew = [np.nan if one == missing else (one + 5) / 10 for one in whole]
    np.testing.assert_array_equal(message.values, np.array([[np.nan, 0, 1, 2], slew], np.float32))


def test_blocks_channels_and_lists_may_be_mixed_and_unknown_channels_are_kept_apart() -> None:
    body = {
        **BODY,
        "t0": CBORTag(1, 1_772_431_200.25),
        "channels": {"slew_deg": [1, None], "colour": CBORTag(85, np.array([1, 2], "<f4").tobytes())},
        "blocks": [
            [["limit_pct"], b"\x00", [0], CBORTag(64, b"\x64\xff")],
            [
                ["taste", "utilisation_pct"],
                b"\x00\x01",
                [0, 0],
                CBORTag(77, np.array([1, 2, 412, -3], "<i2")),
            ],
        ],
    }
    body["blocks"][1][3] = CBORTag(77, np.array([1, 2, 412, -3], "<i2").tobytes())
    _, message = parse(WHERE, cbor2.dumps(body), Limits(), CBOR)
    assert isinstance(message, Samples)
    assert message.t0_ms == T0_MS + 250
    assert message.channels == ("utilisation_pct", "limit_pct", "slew_deg")
    assert message.unknown == ("taste", "colour")
    expected = np.array([[41.2, -0.3], [100, np.nan], [1, np.nan], [1, 2], [1, 2]], np.float32)
    np.testing.assert_array_equal(message.values, expected)


def test_events_and_status_come_as_cbor_too() -> None:
    event = {"boot": 7, "seq": 2, "at": "2026-03-02T06:00:10+00:00", "kind": "fault", "code": "E1"}
    where = topic("crane-a", Leaf.EVENTS)
    for at in (event["at"], CBORTag(0, "2026-03-02T06:00:10Z"), CBORTag(1, 1_772_431_210)):
        assert result(cbor2.dumps({**event, "at": at}), CBOR, where) == result(
            orjson.dumps(event), where=where
        )
    status = {"boot": 7, "state": "online"}
    where = topic("crane-a", Leaf.STATUS)
    assert result(cbor2.dumps(status), CBOR, where) == result(orjson.dumps(status), where=where)


GOOD = ["utilisation_pct", "limit_pct"], b"\x01\x00", [0, 0], CBORTag(64, b"\x01\x02\x03\x04")


def block(place: int, other: Any) -> bytes:
    """A message whose block has something else at a place."""
    return cbor2.dumps({**BODY, "blocks": [[*GOOD[:place], other, *GOOD[place + 1 :]]]})


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"", "not_cbor"),
        (b"\xa1\x61", "not_cbor"),
        (b"\x1c", "not_cbor"),
        (b"\xff", "not_cbor"),
        (b"\xa0\xff\x00", "not_cbor"),
        (orjson.dumps({**BODY, "channels": {"slew_deg": [1]}}), "not_cbor"),
        (cbor2.dumps({**BODY, "channels": {"slew_deg": [1]}}) + b"\x00", "not_cbor"),
        (cbor2.dumps({**BODY, "channels": {"slew_deg": [1]}}) + b"\xf6\xff", "not_cbor"),
        (b"\x81" * 100_000 + b"\x00", "not_cbor"),
        (b"\x9b" + b"\x7f" * 8, "not_cbor"),
        (b"\xbb" + b"\x7f" * 8 + b"\x61a", "not_cbor"),
        (b"\x5b" + b"\x7f" * 8 + b"a", "not_cbor"),
        (b"\xd8\x1c\x81\xd8\x1d\x00", "not_cbor"),  # a list that holds itself
        (b"\xa1\x64boot\xc2\x50" + b"\xff" * 16, "not_cbor"),  # a number of 128 bits
        (b"\xa1\x64boot\xd8\x23\x64(a+)", "not_cbor"),  # a regular expression
        (b"\xa1\x01\x02", "not_cbor"),
        (b"\xa6" + cbor2.dumps({**BODY, "channels": {"slew_deg": [1]}})[1:] + b"\x64boot\x01", "bad_shape"),
        (b"\x07", "bad_shape"),
        (b"\xa1\x44boot\x01", "bad_shape"),
        ({**BODY, "channels": {}}, "bad_shape"),
        (BODY, "bad_shape"),
        ({**BODY, "channels": {"colour": CBORTag(64, b"\x01")}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": [True]}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": [cbor2.undefined]}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": b"\x01"}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": CBORTag(76, b"\x01")}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": CBORTag(83, b"\x01" * 16)}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": CBORTag(77, b"\x01")}}, "bad_shape"),
        ({**BODY, "channels": {"slew_deg": CBORTag(77, [1])}}, "bad_shape"),
        ({**BODY, "channels": [1], "blocks": {}}, "bad_shape"),
        ({**BODY, "boot": True, "channels": {"slew_deg": CBORTag(64, b"\x01")}}, "bad_shape"),
        ({**BODY, "t0": 5, "channels": {"slew_deg": CBORTag(64, b"\x01")}}, "bad_shape"),
        ({**BODY, "t0": CBORTag(1, "now"), "channels": {"slew_deg": CBORTag(64, b"\x01")}}, "not_cbor"),
        ({**BODY, "channels": {"slew_deg": CBORTag(64, b"")}}, "bad_lengths"),
        ({**BODY, "channels": {"slew_deg": CBORTag(64, b"\x01" * 10_001)}}, "bad_lengths"),
        ({**BODY, "channels": {"slew_deg": CBORTag(64, b"\x01"), "limit_pct": [1, 2]}}, "bad_lengths"),
        ({**BODY, "channels": {"slew_deg": CBORTag(82, b"\x7f\xf0" + bytes(6))}}, "out_of_range"),
        ({**BODY, "channels": {"slew_deg": [float("inf")]}}, "out_of_range"),
        ({**BODY, "channels": {"slew_deg": [float("nan")]}}, "out_of_range"),
        ({**BODY, "crane": "crane-b", "channels": {"slew_deg": CBORTag(64, b"\x01")}}, "crane_mismatch"),
        (block(0, []), "bad_shape"),
        (block(0, ["utilisation_pct"]), "bad_shape"),
        (block(0, ["utilisation_pct", "utilisation_pct"]), "bad_shape"),
        (block(0, ["utilisation_pct", 1]), "bad_shape"),
        (block(0, ["utilisation_pct", ["limit_pct"]]), "bad_shape"),
        (block(1, [1, 0]), "bad_shape"),
        (block(1, b"\x01\x0a"), "bad_shape"),
        (block(2, [0, 0.0]), "bad_shape"),
        (block(2, [0, True]), "bad_shape"),
        (block(2, [0, 2**31 + 1]), "bad_shape"),
        (block(2, [-(2**31) - 1, 0]), "bad_shape"),
        (block(3, CBORTag(85, bytes(16))), "bad_shape"),
        (block(3, CBORTag(75, bytes(16))), "bad_shape"),
        (block(3, b"\x01\x02"), "bad_shape"),
        (block(3, CBORTag(64, b"")), "bad_lengths"),
        (block(3, CBORTag(64, b"\x01\x02\x03")), "bad_lengths"),
        (
            {**BODY, "channels": {"limit_pct": CBORTag(64, b"\x01\x02")}, "blocks": [list(GOOD)]},
            "bad_shape",
        ),
        ({**BODY, "blocks": [list(GOOD)[:3]]}, "bad_shape"),
        ({**BODY, "blocks": [7]}, "bad_shape"),
    ],
)
def test_what_is_no_message_is_refused_with_the_reason_that_json_would_get(
    payload: Any, expected: str
) -> None:
    assert reason(payload) == expected


def test_nothing_that_the_library_makes_of_a_tag_by_itself_gets_through() -> None:
    """Whatever a later release of the library reads by itself shows here."""
    through = set()
    for tag in (*range(1300), 43_000, 55_799):
        for content in (b"\x40", b"\x60", b"\x00", b"\x80", b"\xa0", b"\x82\x00\x00"):
            try:
                item = cbor.loads(cbor2.dumps(CBORTag(tag, 0))[:-1] + content)
            except UnreadableMessage:
                continue
            if not isinstance(item, CBORTag):
                through.add(tag)
    assert through == {1}  # a number of seconds


def test_the_example_of_the_document_is_that_of_its_json() -> None:
    text = WIRE.split("```cbor-hex\n")[1].split("```")[0]
    example = bytes.fromhex("".join(line.partition("#")[0] for line in text.splitlines()))
    in_json = WIRE.split("```json\n")[1].split("```")[0].encode()
    assert result(example, CBOR) == result(in_json)
    assert f"as CBOR, {len(example)} bytes in place of {len(orjson.dumps(orjson.loads(in_json)))}" in WIRE


@pytest.mark.timeout(60)
def test_ever_so_many_names_do_not_hold_up_the_others() -> None:
    """In seconds; looking through all names for each of them takes minutes."""
    names = [f"{number:x}" for number in range(70_000)]
    assert (
        reason({**BODY, "blocks": [[[name], b"\x00", [0], CBORTag(64, b"")] for name in names]})
        == "bad_shape"
    )
    many = orjson.dumps({**BODY, "channels": {name: [] for name in names}})
    assert reason(many, Content("application/json")) == "bad_shape"


EXAMPLES = orjson.loads((DOCS / "wire" / "cbor_examples.json").read_bytes())


@pytest.mark.parametrize("example", EXAMPLES, ids=[example["name"] for example in EXAMPLES])
def test_the_bytes_that_the_document_lists(example: dict[str, Any]) -> None:
    where = topic("crane-a", Leaf(example["leaf"]))
    found = result(bytes.fromhex(example["hex"]), Content(CBOR.type, example["content_encoding"]), where)
    assert found == (
        example["reason"] if "reason" in example else result(orjson.dumps(example["json"]), where=where)
    )
    assert ("reason" in example) == isinstance(found, QuarantineReason)


def item(kind: int, number: int) -> bytes:
    """The head of a data item by RFC 8949, section 3."""
    for more, size in ((24, 1), (25, 2), (26, 4), (27, 8)):
        if number < 24:
            return bytes([kind << 5 | number])
        if number < 256**size:
            return bytes([kind << 5 | more]) + number.to_bytes(size)
    raise ValueError(number)


def test_a_sender_needs_no_library() -> None:
    """Written from the document and the RFC, as firmware would."""

    def text(value: str) -> bytes:
        return item(3, len(value)) + value.encode()

    slew = [0, 1, -1, 1800, -1800]
    payload = (
        item(5, 5) + text("boot") + item(0, 2**40) + text("seq") + item(0, 300) + text("dt_ms") + item(0, 100)
    )
    payload += text("t0") + item(6, 1) + item(0, 1_772_431_200) + text("blocks") + item(4, 1) + item(4, 4)
    payload += item(4, 1) + text("slew_deg") + item(2, 1) + b"\x01" + item(4, 1) + item(1, 24)
    payload += item(6, 77) + item(2, 10) + struct.pack("<5h", *slew)
    body = {"boot": 2**40, "seq": 300, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100}
    body["channels"] = {"slew_deg": [(one - 25) / 10 for one in slew]}
    assert result(payload, CBOR) == result(orjson.dumps(body))


PLAIN_MESSAGE = cbor2.dumps({**BODY, "blocks": [list(GOOD)]})


def packed(message: bytes, encoding: str) -> bytes:
    return zstandard.compress(message) if encoding == "zstd" else zlib.compress(message)


@pytest.mark.parametrize("encoding", ["zstd", "deflate"])
def test_a_compressed_message_is_the_message(encoding: str) -> None:
    as_json = orjson.dumps({**BODY, "channels": {"slew_deg": [1, 2]}})
    for content, message in (
        (CBOR, PLAIN_MESSAGE),
        (Content("application/json"), as_json),
        (Content(), as_json),
    ):
        stated = Content(content.type, encoding.upper())
        assert result(packed(message, encoding), stated) == result(message, content)
        assert key_in(packed(message, encoding), stated) == (7, 1)


# 6 bytes in a raw block, by the layout of RFC 8878, section 3.1.1, that asks for a window of 16 MiB.
WIDE_FRAME = bytes.fromhex("28b52ffd 80 70 06000000 310000") + b"\xa1\x64boot"


def frame_without_size(message: bytes) -> bytes:
    return zstandard.ZstdCompressor(write_content_size=False).compress(message)


@pytest.mark.parametrize(
    ("payload", "content", "expected"),
    [
        (packed(PLAIN_MESSAGE, "zstd")[:-3], Content("application/cbor", "zstd"), "bad_encoding"),
        (packed(PLAIN_MESSAGE, "zstd") + b"x", Content("application/cbor", "zstd"), "bad_encoding"),
        (packed(PLAIN_MESSAGE, "zstd") * 2, Content("application/cbor", "zstd"), "bad_encoding"),
        (frame_without_size(PLAIN_MESSAGE), Content("application/cbor", "zstd"), "bad_encoding"),
        (b"\x50\x2a\x4d\x18\x01\x00\x00\x00x", Content("application/cbor", "zstd"), "bad_encoding"),
        (b"", Content("application/cbor", "zstd"), "bad_encoding"),
        (WIDE_FRAME, Content("application/cbor", "zstd"), "bad_encoding"),
        (packed(bytes(1_000_001), "zstd"), Content("application/cbor", "zstd"), "too_large"),
        (packed(bytes(1_000_001), "deflate"), Content("application/cbor", "deflate"), "too_large"),
        (packed(PLAIN_MESSAGE, "deflate")[:-3], Content("application/cbor", "deflate"), "bad_encoding"),
        (packed(PLAIN_MESSAGE, "deflate") + b"x", Content("application/cbor", "deflate"), "bad_encoding"),
        (zlib.compress(PLAIN_MESSAGE, wbits=-15), Content("application/cbor", "deflate"), "bad_encoding"),
        (PLAIN_MESSAGE, Content("application/cbor", "br"), "bad_encoding"),
        (packed(PLAIN_MESSAGE, "zstd"), Content("application/cbor", "zstd, zstd"), "bad_encoding"),
        (PLAIN_MESSAGE, Content("text/plain"), "bad_encoding"),
        (PLAIN_MESSAGE, Content("application/json"), "not_json"),
    ],
)
def test_what_cannot_be_unpacked_is_refused(payload: bytes, content: Content, expected: str) -> None:
    assert reason(payload, content) == expected


def test_a_content_type_may_have_parameters_and_capitals() -> None:
    assert isinstance(parse(WHERE, PLAIN_MESSAGE, Limits(), Content("Application/CBOR; a=b")), Parsed)


def test_a_bomb_takes_no_memory() -> None:
    """300 MB in a frame, stated and not, a window of 128 MB, zeros under zlib, and frames that state too little."""
    script = """
        import resource, sys, zlib
        import zstandard
        from domain.errors import UnreadableMessage
        from ingest.content import Content
        from ingest.decode import key_in, parse
        from ingest.limits import Limits

        piece, bombs = bytes(10_000_000), {}
        for name, size in (("stated", 300_000_000), ("unstated", -1)):
            pack = zstandard.ZstdCompressor(level=1).compressobj(size=size)
            bombs[name] = b"".join(pack.compress(piece) for _ in range(30)) + pack.flush(), "zstd"
        wide = zstandard.ZstdCompressionParameters(window_log=27, enable_ldm=True)
        bombs["window"] = zstandard.ZstdCompressor(compression_params=wide).compressobj().compress(piece), "zstd"
        lying = bytearray(zstandard.compress(bytes(900_000_000 // 100)))
        lying[6:10] = (1000).to_bytes(4, "little")
        bombs["lying"] = bytes(lying), "zstd"
        pack = zlib.compressobj(9)
        bombs["zlib"] = b"".join(pack.compress(piece) for _ in range(20)) + pack.flush(), "deflate"
        parse("boomledger/v1/a/status", b'{"boot":1,"state":"online"}', Limits())
        del pack, piece
        with open("/proc/self/clear_refs", "w") as peak:
            peak.write("5")
        def peak_mb():
            return next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM")) / 1024
        before = peak_mb()
        for name, (bomb, encoding) in bombs.items():
            content = Content("application/cbor", encoding)
            assert key_in(bomb, content) is None
            try:
                parse("boomledger/v1/a/samples", bomb, Limits(), content)
            except UnreadableMessage as problem:
                print(name, len(bomb), problem.reason, problem)
            else:
                raise SystemExit(name)
        print(peak_mb() - before)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    print(done.stdout)
    assert float(done.stdout.splitlines()[-1]) < 5, done.stdout


@pytest.mark.parametrize("content", [PLAIN, CBOR])
def test_messages_of_very_many_or_long_names_are_not_remembered(content: Content) -> None:
    """They would stay in the memory, seven megabytes a message."""
    many = {f"{k:05d}": [1.0] for k in range(20_000)}
    for strange in (many, {"x" * 500_000: [1.0]}):
        said = BODY | {"channels": {"slew_deg": [1.0], **strange}}
        if content is CBOR:
            row = CBORTag(85, np.array([1], "<f4").tobytes())
            payload = cbor2.dumps(said | {"channels": dict.fromkeys(said["channels"], row)})
        else:
            payload = orjson.dumps(said)
        tracemalloc.start()
        found: Any = parse(WHERE, payload, Limits(), content)
        assert found.message.channels == ("slew_deg",)
        del found
        gc.collect()
        left_bytes, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert left_bytes < 300_000, left_bytes


@pytest.mark.parametrize("where", ["boomledger/v1/a\n/samples", "boomledger/v1/a/samples\n"])
def test_a_topic_with_a_line_end_is_none(where: str) -> None:
    assert parse_topic(where) is None
