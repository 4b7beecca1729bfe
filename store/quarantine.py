"""Messages that could not be understood, kept with their raw bytes and a reason until they are replayed."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import orjson
from psycopg import AsyncConnection, Connection

from domain.errors import QuarantineReason
from domain.quarantine import ReplayRow
from store.columns import to_ms
from store.sql import query
from store.statement import Statement, run, scalar, scalar_async
from store.touched import touch

DETAIL_CHARACTERS: Final = 500
_HEAD: Final = b'{"content_type":'  # begins the line before a message that has a content type


@dataclass(frozen=True, kw_only=True, slots=True)
class Rejected:
    """A message to set aside."""

    received_at: datetime
    topic: str
    crane_name: str | None
    reason: QuarantineReason
    detail: str
    raw: bytes

    @property
    def digest(self) -> bytes:
        """SHA-256 of topic and contents: the same bytes on the same topic are one message."""
        return hashlib.sha256(self.topic.encode() + b"\0" + self.raw).digest()


@dataclass(frozen=True, kw_only=True, slots=True)
class Quarantined:
    """A message that was set aside."""

    quarantine_id: int
    received_at: datetime
    last_received_at: datetime
    times: int
    topic: str
    crane_name: str | None
    reason: str
    detail: str
    raw: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class ReasonCount:
    """How much is set aside for one reason."""

    reason: str
    messages: int
    times: int  # deliveries, repeats included
    bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class AsideDay:
    """Messages of one crane that were set aside on one local day."""

    day: date
    messages: int
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockAhead:
    """A time in which another clock was ahead of that of ingest."""

    from_at: datetime
    to_at: datetime
    ahead_ms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ReplayAsked:
    """Messages that somebody wants judged again."""

    replay_id: int
    crane_name: str | None
    reason: str | None


LISTED: Final = Statement("quarantine_listed", Quarantined)
OLDEST: Final = Statement("quarantine_oldest", Quarantined)
COUNTED: Final = Statement("quarantine_counted", ReasonCount)
BY_DAY: Final = Statement("quarantine_days", AsideDay)
CLOCKS_AHEAD: Final = Statement("clock_doubts_between", ClockAhead)
REPLAY_CLAIMED: Final = Statement("replay_claimed", ReplayAsked)
REPLAYS: Final = Statement("replays_listed", ReplayRow)


def keep(conn: Connection[Any], rejected: Sequence[Rejected]) -> None:
    """Set messages aside; the same bytes on the same topic again only raise its count."""
    once = {message.digest: message for message in rejected}
    params = {
        "received_at": [message.received_at for message in once.values()],
        "topics": [_text(message.topic) for message in once.values()],
        "crane_names": [message.crane_name for message in once.values()],
        "reasons": [message.reason.value for message in once.values()],
        "details": [_text(message.detail)[:DETAIL_CHARACTERS] for message in once.values()],
        "raws": [message.raw for message in once.values()],
        "digests": list(once),
    }
    conn.execute(query("quarantine_stored"), params)


def page(
    conn: Connection[Any],
    *,
    crane_name: str | None = None,
    reason: QuarantineReason | None = None,
    before_id: int | None = None,
    most: int = 100,
) -> list[Quarantined]:
    """One page of messages set aside, newest first."""
    return LISTED.all(conn, crane_name=crane_name, reason=reason, before_id=before_id, most=most)


def oldest(
    conn: Connection[Any],
    *,
    crane_name: str | None = None,
    reason: QuarantineReason | None = None,
    after_id: int = 0,
    most: int = 100,
) -> list[Quarantined]:
    """One page of messages set aside, oldest first."""
    return OLDEST.all(conn, crane_name=crane_name, reason=reason, after_id=after_id, most=most)


def release(conn: Connection[Any], ids: Sequence[int]) -> None:
    """Forget messages that were replayed, and have the days on which they came judged again."""
    with conn.transaction():
        days = conn.execute(query("quarantine_days_of"), {"ids": list(ids)}).fetchall()
        conn.execute(query("quarantine_released"), {"ids": list(ids)})
        touch(conn, days)


def bound(conn: Connection[Any], *, most_rows: int, most_bytes: int, before: datetime | None = None) -> int:
    """Remove messages beyond a number and a size of raw bytes, and those that came last before a time.

    Each crane and reason has the same room: the largest pile gives first, its oldest first. How many went is recorded and
    returned.
    """
    gone = scalar(conn, "quarantine_bounded", most_rows=most_rows, most_bytes=most_bytes, before=before)
    return int(gone or 0)


def refused_ahead(
    conn: Connection[Any], crane: str, time_from: datetime, time_to: datetime
) -> list[tuple[int, int]]:
    """(received, time covered) [ms] of messages that came in a range and were refused as ahead of our clock."""
    params = {"crane": crane, "time_from": time_from, "time_to": time_to}
    rows = conn.execute(query("quarantine_ahead"), params).fetchall()
    return [(to_ms(received_at), _span_ms(raw)) for received_at, raw in rows]


def enveloped(
    payload: bytes, content: tuple[str, str], key: tuple[int, int] | None, covers_ms: tuple[int, int] | None
) -> bytes:
    """What to keep of a message: its bytes, after a line of JSON with its content type and encoding where it has any.

    The line also says, for who reads no CBOR, boot and number of the message, how long a time it covers, and the time of its last
    sample since 1970.
    """
    if not any(content) and not payload.startswith(_HEAD):
        return payload
    head: dict[str, object] = {"content_type": content[0], "content_encoding": content[1]}
    head |= {} if covers_ms is None else {"span_ms": covers_ms[0], "end_ms": covers_ms[1]}
    head |= {} if key is None else {"boot": key[0], "seq": key[1]}
    return orjson.dumps(head, option=orjson.OPT_APPEND_NEWLINE) + payload


def opened(raw: bytes) -> tuple[bytes, tuple[str, str]]:
    """Bytes of a message and its content type and encoding, of what `enveloped` made."""
    if not raw.startswith(_HEAD):
        return raw, ("", "")
    line, _, payload = raw.partition(b"\n")
    head = orjson.loads(line)
    return payload, (head["content_type"], head["content_encoding"])


def _span_ms(raw: bytes) -> int:
    """The time that a samples message covers; 0 for anything else."""
    try:
        if raw.startswith(_HEAD):
            return int(orjson.loads(raw.partition(b"\n")[0]).get("span_ms", 0))
        body = orjson.loads(raw)
        return int(body["dt_ms"]) * max(len(values) for values in body["channels"].values())
    except (ValueError, TypeError, KeyError, AttributeError):
        return 0


def told_of(raw: bytes) -> tuple[int, int, int] | None:
    """Boot, number and time of the last sample [ms since 1970] of a samples message as it is kept; None where it does not say."""
    try:
        if raw.startswith(_HEAD):
            head = orjson.loads(raw.partition(b"\n")[0])
            return int(head["boot"]), int(head["seq"]), int(head["end_ms"])
        body = orjson.loads(raw)
        last = max(len(values) for values in body["channels"].values()) - 1
        end_ms = to_ms(datetime.fromisoformat(body["t0"])) + last * int(body["dt_ms"])
        return int(body["boot"]), int(body["seq"]), end_ms
    except (ValueError, TypeError, KeyError, AttributeError):
        return None


def database_time(conn: Connection[Any]) -> datetime:
    """The time by the clock of the database."""
    at: datetime = scalar(conn, "database_time")
    return at


def note_doubt(
    conn: Connection[Any],
    doubt_id: int | None,
    *,
    from_at: datetime,
    to_at: datetime,
    ahead_ms: int,
    detail: str,
) -> int:
    """Write down that the clock of ingest is in doubt, or that it is so still; the number of that time."""
    params: dict[str, object] = {"to_at": to_at, "ahead_ms": ahead_ms, "detail": detail}
    if doubt_id is not None and run(conn, "clock_doubted_still", doubt_id=doubt_id, **params):
        return doubt_id
    return int(scalar(conn, "clock_doubted", from_at=from_at, **params))


def ask_replay_of(conn: Connection[Any], asked_by: str, *, crane_name: str, reason: str) -> None:
    """`ask_replay` on a blocking connection."""
    scalar(conn, "replay_asked", crane_name=crane_name, reason=reason, asked_by=asked_by)


async def ask_replay(
    conn: AsyncConnection[Any], asked_by: str, *, crane_name: str | None = None, reason: str | None = None
) -> int:
    """Ask ingest to judge messages again; the number of the request, of one that waits already where it is the same."""
    return int(
        await scalar_async(conn, "replay_asked", crane_name=crane_name, reason=reason, asked_by=asked_by)
    )


def _text(text: str) -> str:
    """Text that PostgreSQL takes: no NUL, no half of a surrogate pair."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode()
