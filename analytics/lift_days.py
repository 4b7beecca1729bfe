"""Lifts of recounted days and of the days that share a lift with them over midnight.

A lift counts for the local day in which it began. A day is settled when the level is known to lie in a valley between two
of its own lifts: what comes before that valley and what comes after it do not depend on each other. So a recounted day can
change the lifts of the days from the nearest settled one before it to the nearest settled one after it, and of nobody else.
Those are written anew; to know them, one more settled day is read on either side.

Days whose loads are in kg and days whose loads are in percent do not continue each other: a change between them cuts the
record.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import psycopg

from domain.messages import EventKind
from duty import lifts, under_load
from duty.levels import NEAR_LIMIT_PCT
from duty.lifts import FoundLift, LiftPart
from store.segments import from_ms, to_ms
from store.sql import query
from store.statement import run, run_many


def recount_lifts(
    conn: psycopg.Connection[Any], keys: dict[str, int], days: Sequence[date], zone: ZoneInfo
) -> None:
    """Finds the lifts around recounted days again. `keys`: crane_id and counting_id."""
    for first, last in runs_of_days(days):
        before, from_day = _reach(_parts(conn, "lift_parts_before", **keys, day=first), first)
        after, to_day = _reach(_parts(conn, "lift_parts_after", **keys, day=last), last)
        between = list(_parts(conn, "lift_parts_between", **keys, day_from=first, day_to=last))
        parts = [*reversed(before), *between, *after]
        # A recounted day of which nothing is left has no part, but may have lifts from before.
        changed = {*(day for day, _ in parts), *(day for day in days if first <= day <= last)}
        _write(
            conn,
            keys,
            sorted(day for day in changed if from_day <= day <= to_day),
            [(day, lift) for lift in _lifts(parts) if from_day <= (day := local_day(lift, zone)) <= to_day],
        )


def local_day(lift: FoundLift, zone: ZoneInfo) -> date:
    """The day that a lift counts for."""
    return from_ms(lift.start_ms).astimezone(zone).date()


def runs_of_days(days: Iterable[date]) -> Iterator[tuple[date, date]]:
    """Days in time order as (first, last) of runs without a day between."""
    ordered = sorted(set(days))
    first = 0
    for i, day in enumerate(ordered):
        if i + 1 == len(ordered) or ordered[i + 1] - day > timedelta(days=1):
            yield ordered[first], day
            first = i + 1


def _reach(parts: Iterator[tuple[date, LiftPart]], nearest: date) -> tuple[list[tuple[date, LiftPart]], date]:
    """Parts from the nearest on up to the second settled one, and the day of the first settled one, or the farthest."""
    taken: list[tuple[date, LiftPart]] = []
    settled: list[date] = []
    for day, part in parts:
        taken.append((day, part))
        if part.settled:
            settled.append(day)
        if len(settled) == 2:
            break
    return taken, settled[0] if settled else taken[-1][0] if taken else nearest


def _lifts(parts: Sequence[tuple[date, LiftPart]]) -> Iterator[FoundLift]:
    """Lifts of parts in time order, each run of one kind as a record of its own."""
    judged = (part for _, part in parts if not part.empty)
    for _, run_of_one_kind in groupby(judged, key=lambda part: part.posed):
        yield from lifts.lifts(lifts.merge_all(list(run_of_one_kind)))


def _parts(conn: psycopg.Connection[Any], name: str, **params: object) -> Iterator[tuple[date, LiftPart]]:
    # A server-side cursor, because the walk mostly ends after one or two days of many years.
    with conn.cursor(name=name) as cursor:
        cursor.itersize = 4
        for day, part in cursor.execute(query(name), params):
            yield day, lifts.from_bytes(part)


def _write(
    conn: psycopg.Connection[Any],
    keys: dict[str, int],
    days: list[date],
    dated: Sequence[tuple[date, FoundLift]],
) -> None:
    reached = [_lifts_end(conn, keys, days)]
    run(conn, "lifts_forgotten", **keys, days=days)
    stops, overrides = _limiter_counts(conn, keys["crane_id"], [lift for _, lift in dated])
    run_many(
        conn,
        "lift_written",
        (
            {
                **keys,
                "started_at": from_ms(lift.start_ms),
                "ended_at": from_ms(lift.end_ms),
                "loaded_ms": lift.loaded_ms,
                "day": day,
                "peak_utilisation_pct": lift.peak_utilisation_pct,
                "peak_structural_pct": lift.peak_structural_pct,
                "peak_outreach_m": lift.peak_outreach_m,
                "mass_kg": lift.mass_kg,
                "slew_travel_deg": lift.slew_travel_deg,
                "stabiliser_left_pct": lift.least_left_pct,
                "stabiliser_right_pct": lift.least_right_pct,
                "limiter_stops": stops[i],
                "limiter_overrides": overrides[i],
            }
            for i, (day, lift) in enumerate(dated)
        ),
    )
    run(conn, "day_lifts_counted", **keys, days=days, near_limit_pct=NEAR_LIMIT_PCT)
    reached.append(_lifts_end(conn, keys, days))
    _write_loaded(conn, keys, days, max((end for end in reached if end is not None), default=None))


def _lifts_end(conn: psycopg.Connection[Any], keys: dict[str, int], days: Sequence[date]) -> datetime | None:
    row = conn.execute(query("lifts_end"), {**keys, "days": days}).fetchone()
    return None if row is None else row[0]


def _write_loaded(
    conn: psycopg.Connection[Any], keys: dict[str, int], days: Sequence[date], until: datetime | None
) -> None:
    """Time under load of the days whose lifts were written, and of those that such a lift reaches, or reached before."""
    if not days:
        return
    span = {"first": days[0], "last": days[-1], "until": until}
    rows = conn.execute(query("days_under_load"), {**keys, **span}).fetchall()
    if not rows:
        return
    ends = {"time_from": rows[0][1], "time_to": rows[-1][2]}
    over = conn.execute(query("lifts_over"), {**keys, **ends}).fetchall()
    spans = np.array([[to_ms(start), to_ms(end)] for start, end in over], np.int64).reshape(-1, 2)
    run_many(
        conn,
        "day_loaded",
        (
            {
                **keys,
                "day": day,
                "loaded_ms": under_load.loaded_ms(near_ms, under_load.from_bytes(part), spans),
            }
            for day, _, _, near_ms, part in rows
            if part is not None
        ),
    )


def _limiter_counts(
    conn: psycopg.Connection[Any], crane_id: int, found: Sequence[FoundLift]
) -> tuple[list[int], list[int]]:
    """Limiter stops and overrides inside each lift."""
    if not found:
        return [], []
    ends = {"time_from": from_ms(found[0].start_ms), "time_to": from_ms(found[-1].end_ms)}
    moments = conn.execute(query("limiter_moments"), {"crane_id": crane_id, **ends}).fetchall()
    stops, overrides = (
        lifts.inside(found, [to_ms(at) for each, at in moments if each == kind]).tolist()
        for kind in (EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE)
    )
    return stops, overrides
