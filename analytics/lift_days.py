"""Lifts of recounted days and of the neighbours that share a lift with them over midnight.

A lift counts for the local day in which it began. Rule: from a run of recounted days go back and forward to the
nearest recorded days, and on from these as long as the days are not independent; the lifts of all of them are those
of their merged parts. Days further away cannot change.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import psycopg

from domain.messages import EventKind
from duty import lifts, under_load
from duty.levels import NEAR_LIMIT_PCT
from duty.lifts import FoundLift, LiftPart
from duty.midnight import independent
from store.segments import from_ms, to_ms
from store.sql import query
from store.statement import run, run_many


def recount_lifts(
    conn: psycopg.Connection[Any], keys: dict[str, int], days: Sequence[date], zone: ZoneInfo
) -> None:
    """Finds the lifts around recounted days again. `keys`: crane_id and counting_id."""
    for first, last in runs_of_days(days):
        parts = _parts_around(conn, keys, first, last)
        # A recounted day of which nothing is left has no part, but may have lifts from before.
        found_on = sorted({*(day for day, _ in parts), *(day for day in days if first <= day <= last)})
        _write(conn, keys, found_on, lifts.merge_all([part for _, part in parts]), zone)


def runs_of_days(days: Iterable[date]) -> Iterator[tuple[date, date]]:
    """Days in time order as (first, last) of runs without a day between."""
    ordered = sorted(set(days))
    first = 0
    for i, day in enumerate(ordered):
        if i + 1 == len(ordered) or ordered[i + 1] - day > timedelta(days=1):
            yield ordered[first], day
            first = i + 1


def _parts_around(
    conn: psycopg.Connection[Any], keys: dict[str, int], first: date, last: date
) -> list[tuple[date, LiftPart]]:
    """Lift parts of the recorded days from first to last and of the neighbours they may share lifts with, in order.

    The nearest recorded neighbour is always among them: what it shared before the recount is not known any more.
    """
    before = _reach(_parts(conn, "lift_parts_before", **keys, day=first), forward=False)
    after = _reach(_parts(conn, "lift_parts_after", **keys, day=last), forward=True)
    between = _parts(conn, "lift_parts_between", **keys, day_from=first, day_to=last)
    return [*reversed(before), *between, *after]


def _reach(parts: Iterator[tuple[date, LiftPart]], *, forward: bool) -> list[tuple[date, LiftPart]]:
    """Parts from the nearest on, up to where the next one is independent of them."""
    taken: list[tuple[date, LiftPart]] = []
    nearest: LiftPart | None = None
    for day, part in parts:
        if nearest is not None and (independent(nearest, part) if forward else independent(part, nearest)):
            break
        taken.append((day, part))
        if part.first_ms is not None:
            nearest = part
    return taken


def _parts(conn: psycopg.Connection[Any], name: str, **params: object) -> Iterator[tuple[date, LiftPart]]:
    # A server-side cursor, because the walk mostly ends after one or two days of many years.
    with conn.cursor(name=name) as cursor:
        cursor.itersize = 4
        for day, part in cursor.execute(query(name), params):
            yield day, lifts.from_bytes(part)


def _write(
    conn: psycopg.Connection[Any], keys: dict[str, int], days: list[date], part: LiftPart, zone: ZoneInfo
) -> None:
    reached = [_lifts_end(conn, keys, days)]
    run(conn, "lifts_forgotten", **keys, days=days)
    found = lifts.lifts(part)
    stops, overrides = _limiter_counts(conn, keys["crane_id"], found)
    run_many(
        conn,
        "lift_written",
        (
            {
                **keys,
                "started_at": from_ms(lift.start_ms),
                "ended_at": from_ms(lift.end_ms),
                "day": from_ms(lift.start_ms).astimezone(zone).date(),
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
            for i, lift in enumerate(found)
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
