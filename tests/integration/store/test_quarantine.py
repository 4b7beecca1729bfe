"""Quarantine: listing, counting, and a size bound that leaves a record."""

from datetime import UTC, datetime, timedelta

import psycopg

from domain.errors import QuarantineReason
from store import quarantine
from store.quarantine import Rejected

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
    (count,) = quarantine.counts(connection)
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
    by_size, by_number = quarantine.removals(connection)
    assert (by_number.messages, by_number.bytes, by_number.reasons) == (3, 30, {"not_json": 3})
    assert (by_number.oldest_received_at, by_number.newest_received_at) == (NOW, NOW + timedelta(seconds=2))
    assert by_size.messages == 3
