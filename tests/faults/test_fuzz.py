"""Mutated messages: every one is stored or set aside, nothing else happens, and memory stays flat."""

import random
from datetime import UTC, datetime

import psutil  # type: ignore[import-untyped]
import psycopg
import pytest

from domain.errors import UnreadableMessage
from domain.messages import Leaf, topic
from ingest.decode import Presence, judge, key_in, parse
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from store import cranes
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


def messages(seed: int, count: int) -> list[tuple[str, bytes]]:
    rng = random.Random(seed)
    originals = [message("crane-a", number, n=6) for number in range(20)]
    originals.append(
        (topic("crane-a", Leaf.STATUS), b'{"state":"online","boot":5,"at":"2026-03-02T06:00:00Z"}')
    )
    return [(where, mutated(rng, raw)) for where, raw in (rng.choice(originals) for _ in range(count))]


def judged(batch: list[tuple[str, bytes]], known: dict[str, cranes.CraneEntry]) -> int:
    """How many of the messages could be understood; whatever is not raises UnreadableMessage and nothing else."""
    understood = 0
    for where, raw in batch:
        key_in(raw)
        try:
            found = judge(parse(where, raw, Limits()), NOW, known, Limits())
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


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_no_mutation_breaks_the_judge_and_memory_stays_flat(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    known = cranes.directory(connection)
    judged(messages(seed=2, count=20_000), known)
    before = psutil.Process().memory_info().rss
    understood = sum(judged(messages(seed=3 + part, count=20_000), known) for part in range(FULL // 20_000))
    growth_mb = (psutil.Process().memory_info().rss - before) / 1e6
    print(f"{FULL} mutated messages: {understood} understood, memory grew by {growth_mb:.1f} MB")
    assert growth_mb < GROWTH_MB
