"""The reader of CBOR against published examples.

RFC 8949, Appendix A (examples of encoded CBOR data items) and Appendix F (data items that are not well formed): from the
machine-readable forms in github.com/cbor/test-vectors, `appendix_a.json` and `fail.json`. RFC 8746: the tags by the bit
fields of section 2.1, and the typed array in Figure 1 (2 4 8 4 16 256 as big-endian uint16), compared with the text in
github.com/cbor-wg/array-tags; the RFC's other examples use tags 40, 41 and 1040, which no message has.
"""

import math
from typing import Any

import cbor2
import numpy as np
import pytest
from cbor2 import CBORTag

from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import Leaf, topic
from ingest import cbor
from ingest.content import Content
from ingest.decode import parse
from ingest.limits import Limits
from ingest.quick import Samples

NAN, INF = math.nan, math.inf
# Appendix A of RFC 8949: what a message may hold.
READ: list[tuple[str, Any]] = [
    *[
        ("00", 0),
        ("01", 1),
        ("0a", 10),
        ("17", 23),
        ("1818", 24),
        ("1819", 25),
        ("1864", 100),
        ("1903e8", 1000),
    ],
    *[("1a000f4240", 1_000_000), ("1b000000e8d4a51000", 10**12), ("1bffffffffffffffff", 2**64 - 1)],
    *[("3bffffffffffffffff", -(2**64)), ("20", -1), ("29", -10), ("3863", -100), ("3903e7", -1000)],
    *[("f90000", 0.0), ("f98000", -0.0), ("f93c00", 1.0), ("fb3ff199999999999a", 1.1), ("f93e00", 1.5)],
    *[("f97bff", 65504.0), ("fa47c35000", 100000.0), ("fa7f7fffff", 3.4028234663852886e38)],
    *[("fb7e37e43c8800759c", 1.0e300), ("f90001", 5.960464477539063e-08), ("f90400", 6.103515625e-05)],
    *[("f9c400", -4.0), ("fbc010666666666666", -4.1), ("f97c00", INF), ("f97e00", NAN), ("f9fc00", -INF)],
    *[("fa7f800000", INF), ("fa7fc00000", NAN), ("faff800000", -INF), ("fb7ff0000000000000", INF)],
    *[("fb7ff8000000000000", NAN), ("fbfff0000000000000", -INF), ("f4", False), ("f5", True), ("f6", None)],
    *[("40", b""), ("4401020304", b"\x01\x02\x03\x04"), ("60", ""), ("6161", "a"), ("6449455446", "IETF")],
    *[
        ("62225c", '"\\'),
        ("62c3bc", "ü"),
        ("63e6b0b4", "水"),
        ("64f0908591", "𐅑"),
        ("80", []),
        ("83010203", [1, 2, 3]),
    ],
    *[("8301820203820405", [1, [2, 3], [4, 5]]), ("a0", {}), ("a26161016162820203", {"a": 1, "b": [2, 3]})],
    ("98190102030405060708090a0b0c0d0e0f101112131415161718181819", [*range(1, 26)]),
    ("826161a161626163", ["a", {"b": "c"}]),
    ("a56161614161626142616361436164614461656145", dict(zip("abcde", "ABCDE", strict=True))),
    *[
        ("5f42010243030405ff", b"\x01\x02\x03\x04\x05"),
        ("7f657374726561646d696e67ff", "streaming"),
        ("9fff", []),
    ],
    *[
        (f"{outer}", [1, [2, 3], [4, 5]])
        for outer in (
            "9f018202039f0405ffff",
            "9f01820203820405ff",
            "83018202039f0405ff",
            "83019f0203ff820405",
        )
    ],
    ("9f0102030405060708090a0b0c0d0e0f101112131415161718181819ff", [*range(1, 26)]),
    *[("bf61610161629f0203ffff", {"a": 1, "b": [2, 3]}), ("826161bf61626163ff", ["a", {"b": "c"}])],
    ("bf6346756ef563416d7421ff", {"Fun": True, "Amt": -2}),
    *[("d74401020304", CBORTag(23, b"\x01\x02\x03\x04")), ("d818456449455446", CBORTag(24, b"\x64IETF"))],
    ("d82076687474703a2f2f7777772e6578616d706c652e636f6d", CBORTag(32, "http://www.example.com")),
]
# Appendix A: well formed, and nothing that a message has: big numbers, and a map with numbers for names.
REFUSED = ["c249010000000000000000", "c349010000000000000000", "a201020304"]
# Appendix F, as far as it is not the same for every following byte.
NOT_WELL_FORMED = [
    *(
        "1c",
        "1d",
        "1e",
        "1f",
        "3c",
        "3f",
        "5c",
        "5f00",
        "5f3f",
        "5f5c",
        "5f5f",
        "5f60",
        "5f80",
        "5fa0",
        "5fc0",
        "5ffe",
    ),
    *(
        "7c",
        "7f00",
        "7f40",
        "7f5f",
        "7f7c",
        "7f7f",
        "7f80",
        "7fe0",
        "7ffe",
        "9c",
        "9f1c",
        "9f5c",
        "9fdf",
        "9ffe",
    ),
    *("bc", "bf1c", "bf7e", "bffe", "dc", "df", "f800", "f801", "f818", "f81f", "fc", "fd", "fe", "ff"),
]


@pytest.mark.parametrize(("encoded", "value"), READ)
def test_examples_of_rfc_8949(encoded: str, value: Any) -> None:
    read = cbor.loads(bytes.fromhex(encoded))
    if isinstance(value, float):
        assert np.float64(read).tobytes() == np.float64(value).tobytes()
    else:
        assert read == value
        assert type(read) is type(value)


@pytest.mark.parametrize(("encoded", "second"), [("c11a514b67b0", 0), ("c1fb41d452d9ec200000", 500_000)])
def test_times_of_rfc_8949(encoded: str, second: int) -> None:
    for text in (encoded, "c074323031332d30332d32315432303a30343a30305a" if not second else encoded):
        assert cbor.loads(bytes.fromhex(text)).isoformat().startswith("2013-03-21T20:04:00")
        assert cbor.loads(bytes.fromhex(text)).microsecond == second


@pytest.mark.parametrize("encoded", [*REFUSED, *NOT_WELL_FORMED])
def test_what_rfc_8949_says_is_not_well_formed_and_what_no_message_has(encoded: str) -> None:
    with pytest.raises(UnreadableMessage) as problem:
        cbor.loads(bytes.fromhex(encoded))
    assert problem.value.reason is QuarantineReason.NOT_CBOR


def test_every_typed_array_is_what_its_bits_say() -> None:
    """RFC 8746, section 2.1: 0b010_f_s_e_ll, an element of 2**(f + ll) bytes."""
    for tag in range(64, 88):
        is_float, signed, little, length = tag >> 4 & 1, tag >> 3 & 1, tag >> 2 & 1, tag & 3
        size = 2 ** (is_float + length)
        if tag == 76 or size == 16:
            assert tag not in cbor.TYPED_ARRAYS
            continue
        kind = "f" if is_float else "i" if signed else "u"
        assert cbor.TYPED_ARRAYS[tag] == np.dtype(f"{'<' if little else '>'}{kind}{size}")


def test_the_typed_array_of_rfc_8746() -> None:
    array = cbor.loads(bytes.fromhex("d8414c000200040008000400100100"))
    body = {"boot": 1, "seq": 1, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100, "channels": {"slew_deg": array}}
    _, message = parse(
        topic("crane-a", Leaf.SAMPLES), cbor2.dumps(body), Limits(), Content("application/cbor")
    )
    assert isinstance(message, Samples)
    assert message.values.tolist() == [[2, 4, 8, 4, 16, 256]]
