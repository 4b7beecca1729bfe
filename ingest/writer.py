"""Stores a batch of messages in one transaction: what is understood, and what is not."""

import time
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from math import nan
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import psycopg
import structlog
from psycopg import Connection
from psycopg.errors import CheckViolation

from domain.errors import Conflict, QuarantineReason
from ingest import metrics
from ingest.decode import key_in
from ingest.directory import Directory
from ingest.limits import Limits
from ingest.plan import Incoming, Plan, crane_of, plan, rejected
from ingest.server_clock import ServerClock
from store import clock_corrections, events, quarantine, refused, segments, touched
from store.connection import connect
from store.events import Event
from store.lease import Lease
from store.segments import Key, Segment, from_ms

__all__ = ["Incoming", "Outcome", "Result", "Writer"]

RANGES_AHEAD: Final = timedelta(days=40)  # partitions are made this long before their month begins
DAY_MS: Final = 86_400_000
SEQUENCES_REMEMBERED: Final = 100_000
NAME_CHARACTERS: Final = 64  # of a name that is no channel
BOUND_EVERY_S: Final = 60.0  # how often quarantine is bounded
BATCHES_WITH_CARE: Final = 10  # so many batches after one with a message that was stored already

log = structlog.get_logger(__name__)
Row = TypeVar("Row", Segment, Event)
Keep = Callable[[Connection[Any], Sequence[Row]], tuple[set[Key], set[Key]]]


UNFORESEEN: Final = (AttributeError, TypeError, ValueError, LookupError, ArithmeticError)
"""What a fault of ours raises on a message that nobody has thought of."""


class Outcome(StrEnum):
    """What became of a message. Each is safe: nothing else is ever acknowledged."""

    STORED = "stored"
    DUPLICATE = "duplicate"
    QUARANTINED = "quarantined"


@dataclass(frozen=True, slots=True)
class Result:
    """What became of a message, and what its sender's receipt has to name (None where that cannot be made out)."""

    outcome: Outcome
    crane: str | None
    key: tuple[int, int] | None  # boot, seq


class _OtherTimes(Exception):
    """Other corrections of clocks hold than those by which a batch was judged."""


class Writer:
    """One database connection that stores batches, opened again after it broke."""

    def __init__(
        self,
        database_url: str,
        limits: Limits,
        *,
        alone: bool,
        clock: ServerClock | None = None,
        lease: Lease | None = None,
    ) -> None:
        """`alone`: two such writers never work on one database at a time. `clock`: for messages that have just come.

        lease: what has to be held for anything to be stored; of its own where it works alone.
        """
        self._url = database_url
        self._lease = Lease(database_url, "ingest") if alone else lease
        self._limits = limits
        self._clock = clock
        self._doubt_id: int | None = None  # while our clock is in doubt
        self._bound_at = float("-inf")
        self._conn: Connection[Any] | None = None
        self._directory = Directory(limits)
        self._ranges: set[tuple[int, int]] = set()
        self._sequences: OrderedDict[tuple[int, int, int], int] = OrderedDict()
        self._refusing: set[int] = set()  # cranes whose kept messages have to be bounded
        self._careful = 0  # batches to come that probably hold messages that are stored already

    def close(self) -> None:
        """Close the connection; the next batch opens it again."""
        if self._conn is not None:
            self._conn.close()
            self._conn = None

    def check_lease(self) -> None:
        """Raises Conflict where another process was found to have taken over."""
        if self._lease is not None and self._lease.lost:
            raise Conflict("another process has taken over")

    def leave(self) -> None:
        """Close the connection for good, and let the next process work at once."""
        self.close()
        if self._lease is not None:
            self._lease.give_up()

    def plan(self, batch: Sequence[Incoming]) -> Plan:
        """Judge a batch as far as it can be without the database. May run while another batch is stored."""
        version = (
            self._directory.version
        )  # first: one that is older than the cranes has the batch judged again
        made = plan(batch, self._directory.cranes, self._limits, self._clock)
        made.version = version
        return made

    def store(self, batch: Sequence[Incoming], *, set_aside: bool = True) -> list[Result]:
        """`store_planned` of a batch. Without `set_aside`, nothing goes to quarantine."""
        return self.store_planned(self.plan(batch), set_aside=set_aside)

    def store_planned(self, planned: Plan, *, set_aside: bool = True) -> list[Result]:
        """Store a batch; one result a message, in order.

        Raises psycopg.Error or domain Unavailable when the database is not there: nothing of the batch counts then,
        and it is to be tried again. Raises Conflict when another process that works alone holds the database. A message
        that the database refuses, or that we cannot cope with, is set aside and does not stop the others.
        """
        batch = planned.batch
        try:
            try:
                return self._store(planned, set_aside)
            except CheckViolation as problem:
                if problem.diag.constraint_name is not None:
                    raise
                # A partition that was there has been dropped since: make it again, once. A cluster names no constraint
                # either where it is the message that is wrong.
                self._ranges.clear()
                return self._store(self.plan(batch), set_aside)
        except (psycopg.DataError, psycopg.IntegrityError, *UNFORESEEN) as problem:
            if len(batch) == 1:
                if isinstance(problem, psycopg.Error):
                    detail = f"the database refused it: {problem.diag.message_primary}"
                else:  # no input may stop ingest, whatever we have not thought of
                    log.exception("a message could not be stored", topic=batch[0].topic)
                    detail = f"{type(problem).__name__} while storing it"
                return [self._refused(batch[0], detail, set_aside)]
            middle = len(batch) // 2
            halves = batch[:middle], batch[middle:]
            return [result for half in halves for result in self.store(half, set_aside=set_aside)]

    def prepare(self) -> None:
        """Connect, look up what the next batch will need, and compare our clock."""
        conn = self._connection()
        self._directory.prepare(conn, ())
        self._make_ranges(conn, ())

    def tidy(self) -> None:
        """Compare our clock, and apply the bounds of quarantine and of what is kept of messages with refused readings."""
        conn = self._connection()
        self._compare_clock(conn)
        if time.monotonic() - self._bound_at >= BOUND_EVERY_S:
            self._bound_at = time.monotonic()
            self.bound_quarantine()

    def _compare_clock(self, conn: Connection[Any]) -> None:
        """Ask the database what time it is, and write down when our clock is in doubt."""
        if self._clock is None:
            return
        before = datetime.now(UTC)
        theirs = quarantine.database_time(conn)
        now = datetime.now(UTC)
        self._clock.compare(before, theirs, now)
        doubt = self._clock.doubt(now)
        if doubt is None:
            self._doubt_id = None
            return
        if self._doubt_id is None:
            log.error("our clock is in doubt", problem=doubt.text)
        self._doubt_id = quarantine.note_doubt(
            conn, self._doubt_id, from_at=doubt.from_at, to_at=now, ahead_ms=doubt.ahead_ms, detail=doubt.text
        )

    def bound_quarantine(self) -> None:
        """Apply the bounds of quarantine, and of what is kept of messages with refused readings."""
        conn = self._connection()
        limits = self._limits
        removed = quarantine.bound(
            conn,
            most_rows=limits.quarantine_rows,
            most_bytes=limits.quarantine_bytes,
            before=None if limits.quarantine_age is None else datetime.now(UTC) - limits.quarantine_age,
        )
        if removed:
            metrics.REMOVED.inc(removed)
            log.warning(
                "messages were removed from quarantine: for their age, or for lack of room", messages=removed
            )
        if self._refusing:
            refused.bound(
                conn, self._refusing, most_messages=limits.refused_messages, most_bytes=limits.refused_bytes
            )
            self._refusing.clear()

    def _connection(self) -> Connection[Any]:
        if self._conn is None or self._conn.closed:
            self._conn = connect(self._url, autocommit=True, writes=True)
            if self._lease is not None and not self._lease.take(self._conn):
                self.close()
                raise Conflict(
                    "another ingest process works on this database: give all of them a shared group"
                )
            segments.prepare(self._conn)
            events.prepare(self._conn)
            self._ranges.clear()
        return self._conn

    def _store(self, planned: Plan, set_aside: bool) -> list[Result]:
        conn = self._connection()
        self._directory.prepare(conn, {parsed.crane for parsed in planned.unknown.values()})
        planned.settle_unknown(self._directory.cranes, self._limits)
        self._make_ranges(conn, planned.segments.values())
        try:
            results = None if self._careful else self._store_as_new(conn, planned, set_aside)
            if results is None:
                with conn.transaction():
                    results = self._write(conn, planned, set_aside, segments.keep)
                known = any(result.outcome is Outcome.DUPLICATE for result in results)
                self._careful = BATCHES_WITH_CARE if known else self._careful - 1
        except _OtherTimes:
            self._directory.forget()
            self._directory.prepare(conn, ())
            return self._store(self.plan(planned.batch), set_aside)
        self._count(results, planned)
        return results

    def _store_as_new(self, conn: Connection[Any], planned: Plan, set_aside: bool) -> list[Result] | None:
        """Store a batch as if no message of it were stored already. None when that is not so: nothing is stored then."""
        try:
            with conn.transaction():
                return self._write(conn, planned, set_aside, segments.keep_as_new)
        except (psycopg.DataError, psycopg.IntegrityError, psycopg.InternalError):
            # A cluster tells of a key that is taken, and of a missing month, as an internal error. What else is wrong will
            # be told again when the batch is stored with care.
            self._careful = BATCHES_WITH_CARE
            return None

    def _write(
        self, conn: Connection[Any], planned: Plan, set_aside: bool, keep_segments: Keep[Segment]
    ) -> list[Result]:
        if self._lease is not None:
            self._lease.prove(conn)
        if clock_corrections.hold(conn) != planned.version:
            raise _OtherTimes
        new: set[int] = set()
        for rows, keep in ((planned.segments, keep_segments), (planned.events, events.keep)):
            kept, differing = _keep(conn, rows, keep)  # type: ignore[arg-type, type-var]
            new |= kept
            for place in differing:
                planned.reject(
                    place,
                    QuarantineReason.KEY_REUSED,
                    "its time, boot and sequence number are stored with other contents: draw a new boot at each start",
                )
        for presence in planned.presences.values():
            events.keep_presence(conn, presence.crane_id, boot=presence.boot, online=presence.online)
        if planned.rejected and set_aside:
            quarantine.keep(conn, list(planned.rejected.values()))
        self._keep_refused(conn, planned, new)
        self._tell(conn, planned, new)
        return [_result(message, place, planned, new) for place, message in enumerate(planned.batch)]

    def _keep_refused(self, conn: Connection[Any], planned: Plan, new: set[int]) -> None:
        """What was taken out of new messages; a message that comes again is not counted again."""
        places = (planned.refused.keys() | planned.strange.keys()) & new
        if places:
            found = [
                (
                    planned.segments[place],
                    (
                        *planned.refused.get(place, ()),
                        *_strange(planned.segments[place], planned.strange.get(place, ())),
                    ),
                )
                for place in sorted(places)
            ]
            refused.keep(conn, found, self._directory.zones)
            refused.keep_raw(
                conn, [(planned.segments[place], planned.batch[place].kept()) for place in sorted(places)]
            )
            self._refusing.update(segment.crane_id for segment, _ in found)

    def _tell(self, conn: Connection[Any], planned: Plan, new: set[int]) -> None:
        """Live values, notifications, and last of all the queue of days, whose rows other workers want too."""
        newest: dict[int, Segment] = {}
        for place, segment in planned.segments.items():
            if place in new and segment.t0_ms >= newest.get(segment.crane_id, segment).t0_ms:
                newest[segment.crane_id] = segment
        if newest:
            values = {
                crane_id: (_end(segment), _last_values(segment)) for crane_id, segment in newest.items()
            }
            events.keep_values(conn, values, datetime.now(UTC))
        news = {crane_of(planned.batch[place]) for place in (new | planned.presences.keys())}
        events.tell(conn, (crane for crane in news if crane is not None))
        zones = self._directory.zones
        rows: list[tuple[int, Segment | Event]] = [*planned.segments.items(), *planned.events.items()]
        stored = [row for place, row in rows if place in new and row.crane_id in zones]
        touched.touch(
            conn,
            {
                *(day for row in stored for day in _days(row, zones[row.crane_id])),
                *self._days_set_aside(planned),
            },
        )

    def _days_set_aside(self, planned: Plan) -> Iterator[tuple[int, date]]:
        """Local days on which messages came that were set aside: they are told of these days, and what lies ahead of our
        clock is missing from them.
        """
        for message in planned.rejected.values():
            entry = self._directory.cranes.get(message.crane_name or "")
            if entry is not None:
                yield entry.crane_id, message.received_at.astimezone(entry.zone).date()

    def _make_ranges(self, conn: Connection[Any], rows: Iterable[Segment]) -> None:
        starts = [from_ms(day * DAY_MS) for day in {row.t0_ms // DAY_MS for row in rows}]
        months = {(at.year, at.month): at for at in (*starts, datetime.now(UTC) + RANGES_AHEAD)}
        for month, at in months.items():
            if month not in self._ranges:
                segments.make_ranges(conn, at, at)
                self._ranges.add(month)

    def _refused(self, message: Incoming, detail: str, set_aside: bool) -> Result:
        log.error("a message was set aside", topic=message.topic, detail=detail)
        if set_aside:
            conn = self._connection()
            with conn.transaction():
                quarantine.keep(conn, [rejected(message, QuarantineReason.BAD_SHAPE, detail)])
        metrics.MESSAGES.labels(Outcome.QUARANTINED).inc()
        metrics.QUARANTINED.labels(QuarantineReason.BAD_SHAPE).inc()
        return Result(Outcome.QUARANTINED, crane_of(message), key_in(message.payload, message.content))

    def _count(self, results: Sequence[Result], planned: Plan) -> None:
        for outcome, messages in Counter(result.outcome for result in results).items():
            metrics.MESSAGES.labels(outcome).inc(messages)
        for reason, messages in Counter(one.reason for one in planned.rejected.values()).items():
            metrics.QUARANTINED.labels(reason).inc(messages)
        metrics.SAMPLES.inc(
            sum(
                row.values.shape[1]
                for place, row in planned.segments.items()
                if results[place].outcome is Outcome.STORED
            )
        )
        for place, found in planned.refused.items():
            if results[place].outcome is Outcome.STORED:
                for one in found:
                    metrics.REFUSED.labels(one.channel).inc(one.readings)
        for rows in (planned.segments, planned.events):
            for row in rows.values():
                self._watch_sequence(row.key)

    def _watch_sequence(self, key: Key) -> None:
        """Report a boot and sequence number that come with another time: nothing is lost, but receipts are ambiguous."""
        crane_id, at_ms, boot, seq = key
        if self._sequences.setdefault((crane_id, boot, seq), at_ms) != at_ms:
            metrics.SEQUENCE_REPEATED.inc()
            log.warning(
                "a sender uses a sequence number twice in a boot", crane_id=crane_id, boot=boot, seq=seq
            )
        if len(self._sequences) > SEQUENCES_REMEMBERED:
            self._sequences.popitem(last=False)


def _result(message: Incoming, place: int, planned: Plan, new: set[int]) -> Result:
    if place in planned.rejected:
        return Result(Outcome.QUARANTINED, crane_of(message), key_in(message.payload, message.content))
    row = planned.segments.get(place) or planned.events.get(place)
    if row is None:
        return Result(Outcome.STORED, crane_of(message), None)
    outcome = Outcome.STORED if place in new else Outcome.DUPLICATE
    return Result(outcome, crane_of(message), (row.boot, row.seq))


def _keep(
    conn: Connection[Any],
    rows: Mapping[int, Row],
    keep: Keep[Row],
) -> tuple[set[int], set[int]]:
    """Places of the rows that are new, and of those whose key is taken by other contents."""
    if not rows:
        return set(), set()
    first: dict[Key, int] = {}
    again: dict[int, int] = {}
    for place, row in rows.items():
        if (earlier := first.setdefault(row.key, place)) != place:
            again[place] = earlier
    new, differing = keep(conn, [rows[place] for place in first.values()])
    clashing = {first[key] for key in differing}
    clashing.update(place for place, earlier in again.items() if not rows[place].same_as(rows[earlier]))
    return {first[key] for key in new}, clashing


def _strange(segment: Segment, names: Sequence[str]) -> Iterator[refused.Refused]:
    """The readings under names that are no channel, as the day keeps them: it has room for so many, whatever comes."""
    for name in names[: refused.MOST_NAMES]:
        printable = "".join(letter if letter.isprintable() else "?" for letter in name[:NAME_CHARACTERS])
        n = segment.values.shape[1]
        yield refused.Refused(printable, n, segment.t0_ms, segment.t0_ms + (n - 1) * segment.dt_ms, nan, nan)


def _end(segment: Segment) -> datetime:
    """Time of the last sample."""
    return from_ms(segment.t0_ms + (segment.values.shape[1] - 1) * segment.dt_ms)


def _last_values(segment: Segment) -> dict[str, float | None]:
    last = segment.values[:, -1]
    # A float32 written as a double shows digits that were never measured.
    return {
        name: None if np.isnan(value) else float(str(value))
        for name, value in zip(segment.channels, last, strict=True)
    }


def _days(row: Segment | Event, zone: ZoneInfo) -> Iterator[tuple[int, date]]:
    """The local days that a segment or event lies on."""
    first_ms = last_ms = row.key[1]
    if isinstance(row, Segment):
        last_ms += (row.values.shape[1] - 1) * row.dt_ms
    return ((row.crane_id, day) for day in touched.local_days(zone, first_ms, last_ms))
