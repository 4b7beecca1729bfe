"""Quarantine: listing, counting, and a size bound that leaves a record."""

from collections import Counter
from datetime import UTC, datetime, timedelta

import psycopg

from domain.errors import QuarantineReason
from store import quarantine
from store.quarantine import Rejected
from tests.support import rows
from tests.support.ingesting import register

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def rejected(number: int, **changes: object) -> Rejected:
    fields: dict[str, object] = {
        "received_at": NOW + timedelta(seconds=number),
        "topic": "boomledger/v1/crane-a/samples",
        "crane_name": "crane-a",
        "reason": QuarantineReason.NOT_JSON,
        "detail": "broken\0text",
        "raw": b"x" * 9 + bytes([number]),
    }
    return Rejected(**(fields | changes))  # type: ignore[arg-type]


def test_the_same_bytes_again_are_counted_not_kept_twice(connection: psycopg.Connection) -> None:
    quarantine.keep(connection, [rejected(1)])
    quarantine.keep(connection, [rejected(1, received_at=NOW + timedelta(hours=1)), rejected(2)])
    newest, oldest = quarantine.page(connection)
    assert (oldest.times, newest.times) == (2, 1)
    assert oldest.last_received_at == NOW + timedelta(hours=1)
    (count,) = quarantine.COUNTED.all(connection)
    assert (count.reason, count.messages, count.times, count.bytes) == ("not_json", 2, 3, 20)


def test_pages_and_filters(connection: psycopg.Connection) -> None:
    quarantine.keep(connection, [rejected(number) for number in range(5)])
    quarantine.keep(
        connection, [rejected(9, crane_name=None, topic="x", reason=QuarantineReason.UNKNOWN_TOPIC)]
    )
    first = quarantine.page(connection, most=4)
    rest = quarantine.page(connection, most=4, before_id=first[-1].quarantine_id)
    assert len(first) + len(rest) == 6
    assert [row.topic for row in quarantine.page(connection, reason=QuarantineReason.UNKNOWN_TOPIC)] == ["x"]
    assert len(quarantine.page(connection, crane_name="crane-a")) == 5


def test_the_oldest_go_first_and_leave_a_record(connection: psycopg.Connection) -> None:
    for number in range(10):
        quarantine.keep(connection, [rejected(number)])
    assert quarantine.bound(connection, most_rows=10, most_bytes=1000) == 0
    assert quarantine.bound(connection, most_rows=7, most_bytes=1000) == 3
    assert quarantine.bound(connection, most_rows=7, most_bytes=45) == 3
    assert [row.raw[-1] for row in quarantine.page(connection)] == [9, 8, 7, 6]
    told = ("messages", "bytes", "reasons", "oldest_received_at", "newest_received_at")
    by_number, by_size = rows.rows(connection, "quarantine_removal", *told)
    assert by_number == (3, 30, {"not_json": 3}, NOW, NOW + timedelta(seconds=2))
    assert by_size[0] == 3


def of_crane(crane: str, number: int, reason: QuarantineReason, size: int = 10) -> Rejected:
    raw = f"{crane} {reason} {number} ".encode().ljust(size, b"x")
    return rejected(number, crane_name=crane, topic=f"boomledger/v1/{crane}/samples", reason=reason, raw=raw)


def kept(connection: psycopg.Connection) -> Counter[tuple[str | None, str]]:
    return Counter((row.crane_name, row.reason) for row in quarantine.page(connection, most=1000))


def test_a_crane_with_a_wrong_clock_evicts_nobody_elses_messages(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "calm", "wild")
    early, shape = QuarantineReason.IN_FUTURE, QuarantineReason.BAD_SHAPE
    quarantine.keep(connection, [of_crane("calm", number, shape) for number in range(5)])
    quarantine.keep(connection, [of_crane("wild", number, shape) for number in range(3)])
    for number in range(60):
        quarantine.keep(connection, [of_crane("wild", 100 + number, early)])
    assert quarantine.bound(connection, most_rows=20, most_bytes=10_000) == 48
    assert kept(connection) == {("calm", shape): 5, ("wild", shape): 3, ("wild", early): 12}
    newest = [row.received_at for row in quarantine.page(connection, reason=early)]
    assert min(newest) == NOW + timedelta(seconds=148), "the oldest of the largest pile went"
    (removal,) = rows.rows(connection, "quarantine_removal", "cranes", "reasons", "aged")
    assert removal == ({"wild": 48}, {"in_future": 48}, 0)


def test_large_messages_of_one_crane_evict_nobody_elses(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "calm", "wild")
    shape = QuarantineReason.BAD_SHAPE
    quarantine.keep(connection, [of_crane("calm", number, shape, 100) for number in range(10)])
    quarantine.keep(connection, [of_crane("wild", number, shape, 1000) for number in range(10)])
    quarantine.bound(connection, most_rows=1000, most_bytes=5000)
    assert kept(connection) == {("calm", shape): 10, ("wild", shape): 4}


def test_names_that_are_made_up_share_the_room_of_one_crane(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "calm")
    unknown = QuarantineReason.UNKNOWN_CRANE
    quarantine.keep(connection, [of_crane("calm", number, unknown) for number in range(5)])
    quarantine.keep(connection, [of_crane("new", number, unknown) for number in range(4)])
    quarantine.keep(connection, [of_crane(f"made-up-{number}", number, unknown) for number in range(50)])
    quarantine.bound(connection, most_rows=10, most_bytes=10_000)
    found = kept(connection)
    assert found["calm", unknown] == 5
    assert sum(count for (crane, _), count in found.items() if crane != "calm") == 5
    assert rows.one(connection, "quarantine_removal", "cranes") == {}
