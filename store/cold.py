"""The cold tier: days past the hot period move to Parquet files, are checked there, and only then leave the database."""

import contextlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import structlog
from psycopg import Connection, errors

from domain.errors import Conflict, InvalidInput
from store import cranes, parquet, segments
from store.columns import Key, Segment, from_ms
from store.locks import Lock, give_back, take
from store.sql import query
from store.statement import run, scalar
from store.touched import touch

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
    files_removed: int  # that a run before had not finished, or no longer needed


def move(conn: Connection[Any], folder: str | None, *, before: date) -> Moved:
    """Move every crane-day before a UTC day to `folder` (a folder or s3:// URL); the connection is in autocommit mode.

    folder: None for the one that days were moved to before; another one must hold the files of those days already. What an
    interrupted run has left there is removed first. A day that waits to be counted stays. Raises Conflict while another
    session moves days, FilesUnavailable when the folder is not there, CopyDiffers when a copy is not exact: nothing leaves the
    database before its copy was read back and compared.
    """
    if not take(conn, Lock.COOL):
        raise Conflict("another session moves days to the cold tier: wait until it has ended")
    try:
        return _move(conn, _settled(conn, folder), before)
    finally:
        with contextlib.suppress(psycopg.Error):  # the lock ends with its session
            give_back(conn, Lock.COOL)


def _settled(conn: Connection[Any], folder: str | None) -> str:
    """The folder of the cold tier, which is entered or changed where every file is there."""
    row = conn.execute(query("cold_folder_now")).fetchone()
    if folder is None:
        if row is None:
            raise InvalidInput("no day has moved to a cold tier yet: name its folder", field="folder")
        return str(row[0])
    if "://" not in folder:
        folder = str(Path(folder).absolute())
    if row is None or row[0] != folder:
        there = parquet.listed(folder)
        files = [
            (name, size) for name, size in conn.execute(query("cold_files_all")).fetchall() if _moves(name)
        ]
        missing = [name for name, size in files if there.get(name) != size]
        if missing:
            raise Conflict(
                f"{len(missing)} of {len(files)} files of the cold tier are not whole below {folder}, {missing[0]} among them: "
                f"move everything there first, or name {row[0] if row else 'the folder they are in'}"
            )
        run(conn, "cold_folder_set", folder=folder)
    return folder


def _moves(location: str) -> bool:
    """Whether a file moves with the folder: those of before that lie elsewhere have their whole path."""
    return parquet.below("folder", location) != location


def _tidy(conn: Connection[Any], folder: str) -> int:
    """Remove files that no day lives in: how many there were."""
    removed = 0
    for (location,) in conn.execute(query("cold_files_unfinished")).fetchall():
        removed += parquet.remove(parquet.below(folder, location))
        run(conn, "cold_file_finished", location=location)
    return removed


def _move(conn: Connection[Any], folder: str, before: date) -> Moved:
    if removed := _tidy(conn, folder):
        log.warning("files that no day lives in were removed from the cold tier", files=removed)
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
    # A standby that takes over without the last commits still says that days live in the files of before: theirs is the next run.
    if conn.execute(query("standby_follows")).fetchone() == (False,):
        _tidy(conn, folder)
    return Moved(
        days=days,
        samples=samples,
        bytes=size,
        waiting=waiting,
        ranges_dropped=_drop_ranges(conn, before),
        files_removed=removed,
    )


def bring_back(conn: Connection[Any], crane_id: int, boot: int, seq_from: int, seq_to: int) -> None:
    """Store the days that hold messages of a boot and its numbers in the database again, and queue them to be counted.

    In a transaction, under Lock.COOL, with a session that is prepared for segments. Their files are removed by the next
    `move`, which also moves the days again. Reads the key of every moved message of the crane. Raises FilesUnavailable.
    """
    for day, folder, location in conn.execute(
        query("cold_files_of_crane"), {"crane_id": crane_id}
    ).fetchall():
        file = parquet.below(folder, location)
        if not any(
            row.boot == boot and seq_from <= row.seq <= seq_to for row in parquet.load(file, (), crane_id)
        ):
            continue
        run(conn, "cold_day_forgotten", crane_id=crane_id, day=day)
        run(conn, "cold_file_begun", location=location)
        segments.make_ranges(conn, midnight(day), midnight(day))
        segments.keep(conn, parquet.load(file, crane_id=crane_id))
        run(conn, "segment_staging_emptied")
        # Also what is not corrected: a count that read the database before and the files after has seen nothing of it.
        touch(conn, {(crane_id, day + timedelta(days=away)) for away in (-1, 0, 1)})


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
    earlier = [] if row is None else parquet.load(parquet.below(folder, row[0]), crane_id=crane_id)
    # Late data joins the file of its day; a message that came again after its day had moved is there once.
    everything = {segment.key: segment for segment in [*hot, *earlier]}
    rows = sorted(everything.values(), key=lambda segment: segment.key)
    location, data = parquet.coded(stem, rows)
    run(conn, "cold_file_begun", location=location)
    file = parquet.below(folder, location)
    parquet.write(file, data)
    if not _same(rows, parquet.load(file, crane_id=crane_id)):
        raise CopyDiffers(f"{file} does not say what the database says of crane {crane_id} on {day}")
    samples = sum(segment.values.shape[1] for segment in rows)
    with conn.transaction():
        if _uncounted(conn, crane_id, day):
            return None
        facts = {"location": location, "segments": len(rows), "samples": samples, "bytes": data.size}
        run(conn, "cold_day_stored", crane_id=crane_id, day=day, **facts)
        run(conn, "cold_file_finished", location=location)
        if row is not None:
            run(conn, "cold_file_begun", location=row[0])  # no longer needed, where it is another
        _remove(conn, crane_id, begin, end, [segment.key for segment in hot])
    return samples, data.size


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
    return bool(scalar(conn, "days_uncounted", crane_id=crane_id, day=day))


def _drop_ranges(conn: Connection[Any], before: date) -> int:
    try:
        with conn.transaction():
            return int(scalar(conn, "empty_ranges_dropped", before=midnight(before)) or 0)
    except errors.LockNotAvailable:
        log.info("a range in use stays until the next run")
        return 0
