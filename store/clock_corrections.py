"""Corrections of senders' clocks: entered, listed, applied to what is stored, and read by whoever stores what comes.

Whoever stores messages holds the version of the corrections meanwhile (`hold`), so none can begin to hold between judging a
message and storing it: a message that comes again meets its corrected key, and counts once.
"""

import contextlib
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import psycopg
from psycopg import AsyncConnection, Connection
from psycopg.rows import dict_row

from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow
from domain.errors import Conflict, NotFound, Unavailable
from domain.messages import Leaf, topic
from store import quarantine, segments
from store.cold import bring_back
from store.columns import from_ms
from store.cranes import ClockOffset
from store.locks import Lock, give_back, take
from store.sql import query
from store.statement import Statement, run, run_async, scalar, scalar_async
from store.touched import touch

REFUSED_READ: Final = 300  # messages, of at most so many bytes each
REFUSED_BYTES: Final = 50_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Claimed:
    """A correction that waits to be applied, or to be reverted."""

    correction_id: int
    crane_id: int
    crane: str
    registered_at: datetime
    time_zone: str
    boot: int
    seq_from: int
    seq_to: int
    offset_ms: int
    entered_by: str
    reverting: bool

    @property
    def span(self) -> dict[str, int]:
        """What names its messages in a query."""
        return {
            "crane_id": self.crane_id,
            "boot": self.boot,
            "seq_from": self.seq_from,
            "seq_to": self.seq_to,
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrival:
    """When a samples message came, and the time of its last sample as its sender states it."""

    boot: int
    seq: int
    end_at: datetime
    received_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A time that a finding is about."""

    from_at: datetime
    to_at: datetime


ARRIVALS: Final = Statement("arrivals", Arrival)
CLOCK_FINDINGS: Final = Statement("clock_finding_days", Stretch)
CORRECTIONS: Final = Statement("clock_corrections_listed", ClockCorrectionRow)
CLAIMED: Final = Statement("clock_correction_claimed", Claimed)


async def enter(
    conn: AsyncConnection[Any], crane_id: int, asked: ClockCorrectionAsked, account: str
) -> ClockCorrectionRow:
    """Enter a correction, or find the same one; ingest applies it."""
    params = {"crane_id": crane_id, **asked.model_dump(), "entered_by": account}
    return await show(conn, crane_id, int(await scalar_async(conn, "clock_correction_added", **params)))


async def withdraw(
    conn: AsyncConnection[Any], crane_id: int, correction_id: int, account: str
) -> ClockCorrectionRow:
    """Take a correction back; ingest reverts it. Harmless when it was taken back before. Raises NotFound."""
    await run_async(
        conn, "clock_correction_withdrawn", crane_id=crane_id, correction_id=correction_id, account=account
    )
    return await show(conn, crane_id, correction_id)


async def show(conn: AsyncConnection[Any], crane_id: int, correction_id: int) -> ClockCorrectionRow:
    """One correction. Raises NotFound."""
    found = await CORRECTIONS.first_async(
        conn, crane_id=crane_id, correction_id=correction_id, sites=None, before=None, rows=1
    )
    if found is None:
        raise NotFound(f"this crane has no correction {correction_id}: see its list of corrections")
    return found


async def refused_arrivals(conn: AsyncConnection[Any], crane: str) -> list[Arrival]:
    """The same of the newest messages that were refused for their time, as far as what is kept of them says it."""
    params = {"crane": crane, "rows": REFUSED_READ, "bytes": REFUSED_BYTES}
    rows = await (await conn.execute(query("arrivals_refused"), params)).fetchall()
    return [
        Arrival(boot=key[0], seq=key[1], end_at=from_ms(end_ms), received_at=received_at)
        for received_at, raw in rows
        if (said := quarantine.told_of(raw)) is not None
        for *key, end_ms in [said]
    ]


def hold(conn: Connection[Any]) -> int:
    """The version of the corrections that hold; none is applied or reverted until the transaction ends."""
    return int(scalar(conn, "correction_version_held"))


def in_force(conn: Connection[Any]) -> tuple[int, dict[int, tuple[ClockOffset, ...]]]:
    """The version of the corrections that hold, and these by crane_id."""
    rows = conn.execute(query("clock_corrections_in_force")).fetchall()
    found: defaultdict[int, list[ClockOffset]] = defaultdict(list)
    for _, crane_id, boot, seq_from, seq_to, offset_ms in rows:
        if crane_id is not None:
            found[crane_id].append(ClockOffset(boot, seq_from, seq_to, offset_ms))
    return int(rows[0][0]), {crane_id: tuple(offsets) for crane_id, offsets in found.items()}


def apply_next(
    conn: Connection[Any],
    clock_skew: timedelta,
    done: Callable[[Connection[Any], Claimed], None] = lambda *_: None,
) -> bool:
    """Apply or revert the oldest correction that waits, whole or not at all; False where none does, or days move to the cold tier.

    What could not be done is written beside it. The connection is in autocommit mode. `done` belongs to the same transaction.
    """
    if not take(conn, Lock.COOL):  # days come back from the cold tier, and none goes there meanwhile
        return False
    try:
        return _apply_next(conn, clock_skew, done)
    finally:
        with contextlib.suppress(psycopg.Error):  # the lock ends with its session
            give_back(conn, Lock.COOL)


def _apply_next(
    conn: Connection[Any], clock_skew: timedelta, done: Callable[[Connection[Any], Claimed], None]
) -> bool:
    with conn.transaction():
        claimed = CLAIMED.first(conn)
        if claimed is None:
            return False
        segments.prepare(conn)
        number = claimed.correction_id
        try:
            with conn.transaction():
                run(conn, "correction_version_raised")
                bring_back(conn, **claimed.span)
                messages = _move(conn, claimed, clock_skew)
                if claimed.reverting:
                    run(conn, "clock_correction_reverted", correction_id=number)
                else:
                    run(conn, "clock_correction_applied", correction_id=number, messages=messages)
                done(conn, claimed)
        except psycopg.errors.UniqueViolation:
            text = "a message of the same boot and number is stored at the corrected time already"
            run(conn, "clock_correction_failed", correction_id=number, problem=text)
        except (Conflict, Unavailable) as problem:
            run(conn, "clock_correction_failed", correction_id=number, problem=str(problem))
    return True


def _move(conn: Connection[Any], claimed: Claimed, clock_skew: timedelta) -> int:
    """Give stored messages and events other times and queue the days that this changes; how many they were."""
    if not claimed.reverting:
        row = conn.execute(
            query("clock_correction_overlaps"), {"correction_id": claimed.correction_id}
        ).fetchone()
        if row is not None:
            raise Conflict(f"correction {row[0]} holds for some of these messages: withdraw it first")
    offset_ms = -claimed.offset_ms if claimed.reverting else claimed.offset_ms
    staged = run(conn, "corrected_segments_staged", **claimed.span)
    before, bounds = _days(conn, claimed)
    ends = {name: bounds[name] for name in ("first_at", "past_at")}
    if run(conn, "corrected_segments_removed", **claimed.span, **ends) != staged:
        raise Conflict("messages of the span are being moved by another process: enter it again")
    run(conn, "corrected_segments_shifted", offset_ms=offset_ms)
    events = run(conn, "corrected_events_shifted", offset_ms=offset_ms, **claimed.span)
    if claimed.reverting:
        run(
            conn,
            "corrected_ahead_set_aside",
            skew=clock_skew,
            registered_at=claimed.registered_at,
            topic=topic(claimed.crane, Leaf.SAMPLES),
            crane=claimed.crane,
            detail=f"was stored by correction {claimed.correction_id} of the clock, which was withdrawn",
        )
    after, facts = _days(conn, claimed)
    if not claimed.reverting:
        _check(facts, claimed, clock_skew)
    if facts["first_at"] is not None:
        segments.make_ranges(conn, facts["first_at"], facts["past_at"])
    run(conn, "corrected_segments_kept")
    run(conn, "corrected_live_shifted", offset_ms=offset_ms, crane_id=claimed.crane_id, boot=claimed.boot)
    touch(conn, {(claimed.crane_id, day) for day in before | after})
    return staged + events


def _check(facts: dict[str, Any], claimed: Claimed, clock_skew: timedelta) -> None:
    """A sign that was mixed up must not put duty into the future, or before the crane was there."""
    if facts["first_at"] is None:
        return
    if facts["ahead"] > clock_skew:
        raise Conflict("messages would lie ahead of the time they came: is the sign of the offset right?")
    if facts["first_at"] < claimed.registered_at:
        raise Conflict("messages would lie before the crane was registered: is the sign of the offset right?")


def _days(conn: Connection[Any], claimed: Claimed) -> tuple[set[date], dict[str, Any]]:
    with conn.cursor(row_factory=dict_row) as cursor:
        params = {"zone": ZoneInfo(claimed.time_zone).key, **claimed.span}
        row = cursor.execute(query("corrected_days"), params).fetchone()
    assert row is not None
    return set(row["days"] or ()), row
