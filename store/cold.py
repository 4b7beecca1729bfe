"""The cold tier: days past the hot period move to Parquet files, are checked there, and only then leave the database."""

import contextlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import psycopg
import structlog
from psycopg import Connection, errors

from domain.errors import Conflict
from store import cranes, parquet, segments
from store.columns import Key, Segment, from_ms
from store.locks import Lock, give_back, take
from store.sql import query

log = structlog.get_logger(__name__)


class CopyDiffers(Conflict):
    """The Parquet copy of a day does not say what the database says; nothing was removed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Moved:
    """What a run moved."""

    days: int
    samples: int
    bytes: int
    waiting: int  # crane-days left alone because they are not counted yet
    ranges_dropped: int


def move(conn: Connection[Any], folder: str, *, before: date) -> Moved:
    """Move every crane-day before a UTC day to `folder` (a folder or s3:// URL); the connection is in autocommit mode.

    A day that waits to be counted stays. Raises Conflict while another session moves days, Unavailable when the folder is not
    there, CopyDiffers when a copy is not exact: nothing leaves the database before its copy was read back and compared.
    """
    if not take(conn, Lock.COOL):
        raise Conflict("another session moves days to the cold tier: wait until it has ended")
    try:
        return _move(conn, folder, before)
    finally:
        with contextlib.suppress(psycopg.Error):  # the lock ends with its session
            give_back(conn, Lock.COOL)


def _move(conn: Connection[Any], folder: str, before: date) -> Moved:
    names = {record.crane_id: record.crane.name for record in cranes.list_cranes(conn)}
    days = samples = size = waiting = 0
    for crane_id, day in conn.execute(query("days_to_move"), {"before": midnight(before)}).fetchall():
        if _uncounted(conn, crane_id, day):
            waiting += 1
            continue
        stem = f"{names.get(crane_id, crane_id)}/{day:%Y}/{day.isoformat()}"
        moved = _move_day(conn, folder, stem, crane_id, day)
        if moved is None:
            waiting += 1
            continue
        days, samples, size = days + 1, samples + moved[0], size + moved[1]
    return Moved(
        days=days, samples=samples, bytes=size, waiting=waiting, ranges_dropped=_drop_ranges(conn, before)
    )


def holds_messages(
    conn: Connection[Any], crane_id: int, boot: int, seq_from: int, seq_to: int
) -> date | None:
    """The first moved day that has messages of a boot and its numbers; reads the key of every moved message of the crane."""
    for day, location in conn.execute(query("cold_files_of_crane"), {"crane_id": crane_id}).fetchall():
        for row in parquet.load(location, (), crane_id):
            if row.boot == boot and seq_from <= row.seq <= seq_to:
                found: date = day
                return found
    return None


def midnight(day: date) -> datetime:
    """Beginning of a UTC day."""
    return datetime.combine(day, time(), UTC)


def _move_day(
    conn: Connection[Any], folder: str, stem: str, crane_id: int, day: date
) -> tuple[int, int] | None:
    """(samples, bytes) of the new file; None when the day was touched meanwhile."""
    begin, end = midnight(day), midnight(day + timedelta(days=1))
    hot = segments.read_whole(conn, crane_id, begin, end)
    row = conn.execute(query("cold_day_of_crane"), {"crane_id": crane_id, "day": day}).fetchone()
    earlier = [] if row is None else parquet.load(row[0], crane_id=crane_id)
    # Late data joins the file of its day; a message that came again after its day had moved is there once.
    everything = {segment.key: segment for segment in [*hot, *earlier]}
    rows = sorted(everything.values(), key=lambda segment: segment.key)
    location, size = parquet.save(folder, stem, rows)
    if not _same(rows, parquet.load(location, crane_id=crane_id)):
        raise CopyDiffers(f"{location} does not say what the database says of crane {crane_id} on {day}")
    samples = sum(segment.values.shape[1] for segment in rows)
    with conn.transaction():
        if _uncounted(conn, crane_id, day):
            return None
        facts = {"location": location, "segments": len(rows), "samples": samples, "bytes": size}
        conn.execute(query("cold_day_stored"), {"crane_id": crane_id, "day": day, **facts})
        _remove(conn, crane_id, begin, end, [segment.key for segment in hot])
    if row is not None and row[0] != location:
        parquet.remove(row[0])
    return samples, size


def _remove(conn: Connection[Any], crane_id: int, begin: datetime, end: datetime, keys: list[Key]) -> None:
    params = {
        "crane_id": crane_id,
        "time_from": begin,
        "time_to": end,
        "t0": [from_ms(t0_ms) for _, t0_ms, _, _ in keys],
        "boot": [boot for _, _, boot, _ in keys],
        "seq": [seq for _, _, _, seq in keys],
    }
    removed = conn.execute(query("segments_moved"), params).rowcount
    if removed != len(keys):
        raise Conflict(
            f"crane {crane_id}: {removed} instead of {len(keys)} segments were there to remove; tried twice?"
        )


def _same(first: list[Segment], second: list[Segment]) -> bool:
    return len(first) == len(second) and all(
        one.same_as(other) and one.received_ms == other.received_ms and one.values.dtype == np.float32
        for one, other in zip(first, second, strict=True)
    )


def _uncounted(conn: Connection[Any], crane_id: int, day: date) -> bool:
    row = conn.execute(query("days_uncounted"), {"crane_id": crane_id, "day": day}).fetchone()
    return row is not None and bool(row[0])


def _drop_ranges(conn: Connection[Any], before: date) -> int:
    try:
        with conn.transaction():
            row = conn.execute(query("empty_ranges_dropped"), {"before": midnight(before)}).fetchone()
    except errors.LockNotAvailable:
        log.info("a range in use stays until the next run")
        return 0
    return 0 if row is None else int(row[0])
