"""Mutated messages: every one is stored or set aside, nothing else happens, and memory stays flat."""

import random
import zlib
from datetime import UTC, datetime

import psutil  # type: ignore[import-untyped]
import psycopg
import pytest
import zstandard

from domain.errors import UnreadableMessage
from domain.messages import Leaf, topic
from ingest.content import PLAIN, Content
from ingest.decode import Presence, judge, key_in, parse
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from simulator.messages import thinned
from store import cranes, quarantine
from store.events import Event
from store.segments import Segment
from tests.support.ingesting import register
from tests.support.telemetry import message

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
SHORT, FULL = 6_000, 200_000
GROWTH_MB = 30
TOKENS = [
    *(
        b"null",
        b"true",
        b"-1",
        b"0",
        b"1e999",
        b"-0.0",
        b"9223372036854775808",
        b"NaN",
        b'"',
        b"\\u0000",
        b"\\ud800",
    ),
    *(
        b"{",
        b"}",
        b"[",
        b"]",
        b",",
        b":",
        b"[[[[[[[[",
        b'{"a":' * 300,
        b"\xff",
        b"\x00",
        b" ",
        b'"crane":"crane-b",',
    ),
    *(
        b'"2026-03-02T06:00:00"',
        b'"9999-12-31T23:59:59Z"',
        b'"0001-01-01T00:00:00Z"',
        b'"mode"',
        b'"dt_ms":600000',
    ),
]


def mutated(rng: random.Random, raw: bytes) -> bytes:
    """A message with one to four changes: bytes, tokens, cuts, doublings."""
    for _ in range(rng.randint(1, 4)):
        place, length = rng.randrange(len(raw) + 1), rng.choice((1, 1, 2, 8, 64))
        change = rng.randrange(5)
        if change == 0:
            raw = raw[:place] + bytes([rng.randrange(256)]) + raw[place + 1 :]
        elif change == 1:
            raw = raw[:place] + rng.choice(TOKENS) + raw[place + (length if rng.random() < 0.5 else 0) :]
        elif change == 2:
            raw = raw[:place] + raw[place + length :]
        elif change == 3:
            raw = raw[:place] + raw[place : place + length] * 2 + raw[place + length :]
        else:
            raw = raw[:place] if rng.random() < 0.3 else raw
    return raw


def thin_messages(seed: int, count: int) -> list[tuple[str, bytes, Content]]:
    """Mutated CBOR, as it is and compressed before or after the mutation."""
    rng = random.Random(seed)
    samples, event = message("crane-a", 1, n=6), message("crane-a", 9, n=6)
    originals = [(samples[0], thinned(samples[1])), (event[0], thinned(event[1]))]
    found = []
    for _ in range(count):
        where, packed = rng.choice(originals)
        plain = zstandard.decompress(packed)
        found.append(
            rng.choice(
                [
                    (where, mutated(rng, plain), Content("application/cbor")),
                    (where, zstandard.compress(mutated(rng, plain)), Content("application/cbor", "zstd")),
                    (where, mutated(rng, packed), Content("application/cbor", "zstd")),
                    (where, mutated(rng, zlib.compress(plain)), Content("application/cbor", "deflate")),
                ]
            )
        )
    return found


def messages(seed: int, count: int) -> list[tuple[str, bytes]]:
    rng = random.Random(seed)
    originals = [message("crane-a", number, n=6) for number in range(20)]
    originals.append(
        (topic("crane-a", Leaf.STATUS), b'{"state":"online","boot":5,"at":"2026-03-02T06:00:00Z"}')
    )
    return [(where, mutated(rng, raw)) for where, raw in (rng.choice(originals) for _ in range(count))]


def judged(
    batch: list[tuple[str, bytes]] | list[tuple[str, bytes, Content]], known: dict[str, cranes.CraneEntry]
) -> int:
    """How many of the messages could be understood; whatever is not raises UnreadableMessage and nothing else."""
    understood = 0
    for where, raw, *stated in batch:
        content = stated[0] if stated else PLAIN
        key_in(raw, content)
        try:
            found = judge(parse(where, raw, Limits(), content), NOW, known, Limits())
        except UnreadableMessage:
            continue
        assert isinstance(found, Segment | Event | Presence)
        understood += 1
    return understood


def test_every_mutated_message_is_stored_or_set_aside(database: str, connection: psycopg.Connection) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)
    batch = messages(seed=1, count=SHORT)
    results = []
    for first in range(0, SHORT, 500):
        results += writer.store([Incoming(where, raw, NOW) for where, raw in batch[first : first + 500]])
    writer.close()
    assert len(results) == SHORT
    kept = {
        (where, bytes(raw))
        for where, raw in connection.execute("select topic, raw from quarantine").fetchall()
    }
    assert kept == {
        one for one, result in zip(batch, results, strict=True) if result.outcome is Outcome.QUARANTINED
    }
    stored = sum(result.outcome is not Outcome.QUARANTINED for result in results)
    print(f"{SHORT} mutated messages: {stored} understood, {SHORT - stored} set aside")
    assert 0 < stored < SHORT


def test_every_mutated_thin_message_is_stored_or_set_aside(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=False)
    batch = thin_messages(seed=4, count=SHORT)
    results = []
    for first in range(0, SHORT, 500):
        part = batch[first : first + 500]
        results += writer.store([Incoming(where, raw, NOW, content=content) for where, raw, content in part])
    writer.close()
    kept = {
        (where, *quarantine.opened(bytes(raw)))
        for where, raw in connection.execute("select topic, raw from quarantine").fetchall()
    }
    assert kept == {
        (where, raw, tuple(content))
        for (where, raw, content), result in zip(batch, results, strict=True)
        if result.outcome is Outcome.QUARANTINED
    }
    details = connection.execute(
        "select detail from quarantine where detail like '%while reading it'"
    ).fetchall()
    assert details == []
    stored = sum(result.outcome is not Outcome.QUARANTINED for result in results)
    print(f"{SHORT} mutated thin messages: {stored} understood, {SHORT - stored} set aside")
    assert 0 < stored < SHORT


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_no_mutation_breaks_the_judge_and_memory_stays_flat(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    known = cranes.directory(connection)
    judged(messages(seed=2, count=20_000), known)
    judged(thin_messages(seed=2, count=20_000), known)
    before = psutil.Process().memory_info().rss
    parts = range(3, 3 + FULL // 20_000)
    understood = sum(judged(messages(seed, count=20_000), known) for seed in parts)
    understood += sum(judged(thin_messages(seed, count=20_000), known) for seed in parts)
    growth_mb = (psutil.Process().memory_info().rss - before) / 1e6
    print(f"{2 * FULL} mutated messages: {understood} understood, memory grew by {growth_mb:.1f} MB")
    assert growth_mb < GROWTH_MB
