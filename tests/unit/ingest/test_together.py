"""Messages that are read together say what each says alone, and one that meets a fault of ours takes no other with it."""

import random
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import cbor2
import numpy as np
import pytest
from cbor2 import CBORTag

from domain.channels import CHANNEL_NAMES
from domain.errors import QuarantineReason, UnreadableMessage
from domain.messages import Leaf, topic
from ingest import cbor
from ingest.content import PLAIN, Content
from ingest.decode import judge, parse
from ingest.limits import Limits
from ingest.plan import Incoming, Plan, plan
from simulator.messages import samples_cbor, samples_payload
from store.cranes import CraneEntry
from store.segments import Segment

CBOR = Content("application/cbor")
WHERE = topic("crane-a", Leaf.SAMPLES)
NOW = datetime(2026, 3, 3, tzinfo=UTC)
T0_MS = 1_772_431_200_000
CRANES = {
    "crane-a": CraneEntry(
        crane_id=1, registered_at=datetime(2026, 1, 1, tzinfo=UTC), zone=ZoneInfo("Europe/Vienna")
    )
}
MARKED = b"\x01\x02\x03\x04\x05\x06"


def readings(rng: random.Random, names: list[str], n: int) -> dict[str, Any]:
    """Readings of blocks of 8, 16 and 32 bits, and now and then of floats, each missing now and then."""
    found = {}
    for name in names:
        decimals = rng.choice([0, 1, 2, 4, 7])
        span = rng.choice([1, 200, 254, 255, 60_000, 2**20])
        low = rng.choice([0, -300, 2**24])
        digits = [None if rng.random() < 0.1 else low + rng.randrange(span) for _ in range(n)]
        found[name] = np.array(
            [np.nan if digit is None else digit / 10**decimals for digit in digits], np.float32
        )
    return found


def incoming(rng: random.Random, seq: int) -> Incoming:
    """A message of any shape; of some nothing can be made."""
    names = rng.sample([*CHANNEL_NAMES, "mast_deg", "hook_height_m"], rng.choice([1, 3, 8]))
    arguments = 7, seq, T0_MS + seq * 10_000, 100, readings(rng, names, rng.choice([1, 3, 100]))
    if rng.random() < 0.3:
        return Incoming(WHERE, samples_payload(*arguments), NOW)
    raw = samples_cbor(*arguments)
    if rng.random() < 0.2:
        body = cbor2.loads(raw)
        wrong = rng.choice(["cut off", "no step", "offset", "bytes"])
        if wrong == "no step":
            body["dt_ms"] = 0
        elif "blocks" in body and wrong == "offset":
            body["blocks"][0][2][0] = 2**40
        elif "blocks" in body and wrong == "bytes":
            body["blocks"][0][3] = CBORTag(69, body["blocks"][0][3].value + b"\0")
        raw = raw[:-1] if wrong == "cut off" else cbor2.dumps(body)
    return Incoming(WHERE, raw, NOW, content=CBOR)


def alone(one: Incoming) -> Any:
    try:
        found = judge(parse(one.topic, one.payload, Limits(), one.content), NOW, CRANES, Limits())
    except UnreadableMessage as problem:
        return problem.reason, str(problem)
    return said(found)


def said(found: Any) -> Any:
    assert isinstance(found, Segment)
    return *found.key, found.dt_ms, found.channels, found.values.tobytes(), found.values.shape


def together(made: Plan, place: int) -> Any:
    if place in made.rejected:
        return made.rejected[place].reason, made.rejected[place].detail
    return said(made.segments[place])


@pytest.mark.parametrize("seed", range(3))
def test_messages_read_together_say_what_each_says_alone(seed: int) -> None:
    rng = random.Random(seed)
    batch = [incoming(rng, seq) for seq in range(400)]
    made = plan(batch, CRANES, Limits())
    assert {one.reason for one in made.rejected.values()} >= {
        QuarantineReason.NOT_CBOR,
        QuarantineReason.BAD_SHAPE,
    }
    assert len(made.segments) > 300
    for place, one in enumerate(batch):
        assert together(made, place) == alone(one), place


def test_a_message_that_meets_a_fault_while_readings_are_made_takes_no_other_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = random.Random(5)
    batch = [incoming(rng, seq) for seq in range(60)]
    marked = [["slew_deg"], b"\1", [0], CBORTag(64, MARKED)]
    body = {"boot": 7, "seq": 60, "t0": "2026-03-02T09:00:00Z", "dt_ms": 100, "blocks": [marked]}
    batch.insert(30, Incoming(WHERE, cbor2.dumps(body), NOW, content=CBOR))
    expected = [alone(one) for one in batch]
    sound = cbor._scaled

    def faulty(raw: bytes, *more: Any) -> Any:
        if MARKED in raw:
            raise RuntimeError("a fault of ours")
        return sound(raw, *more)

    monkeypatch.setattr(cbor, "_scaled", faulty)
    made = plan(batch, CRANES, Limits())
    assert made.rejected[30].reason is QuarantineReason.BAD_SHAPE
    for place in range(len(batch)):
        assert place == 30 or together(made, place) == expected[place]


def test_room_for_readings_is_not_much_larger_than_they_are() -> None:
    unfilled = cbor.Unfilled()
    read = []
    for n in range(1, 400):
        values = {"slew_deg": np.arange(n, dtype=np.float32), "limit_pct": np.zeros(n, np.float32)}
        read.append(parse_into(unfilled, samples_cbor(7, n, T0_MS, 100, values)))
    unfilled.fill()
    kept = {id(values.base): values.base.nbytes for values in read}
    assert sum(kept.values()) == sum(values.nbytes for values in read)


def parse_into(unfilled: cbor.Unfilled, raw: bytes) -> Any:
    found: Any = cbor.read(raw, unfilled, samples=True)
    return found.values


def test_many_messages_of_one_length_share_pages_that_stay_small() -> None:
    unfilled = cbor.Unfilled()
    values = {
        name: np.arange(number, number + 100, dtype=np.float32)
        for number, name in enumerate(CHANNEL_NAMES[:8])
    }
    read = [parse_into(unfilled, samples_cbor(7, seq, T0_MS, 100, values)) for seq in range(500)]
    pages = {id(one.base): one.base.nbytes for one in read}
    assert all(np.isnan(one).all() for one in read)  # missing until they are filled
    unfilled.fill()
    assert all(np.array_equal(one, [*values.values()]) for one in read)
    assert max(pages.values()) <= cbor.PAGE_BYTES
    assert len(pages) < 20
    assert sum(pages.values()) < 1.2 * sum(one.nbytes for one in read)


@pytest.mark.parametrize("content", [PLAIN, CBOR])
def test_an_empty_batch_has_no_messages(content: Content) -> None:
    assert plan([], CRANES, Limits()).segments == {}
    assert plan([Incoming(WHERE, b"", NOW, content=content)], CRANES, Limits()).rejected.keys() == {0}
