"""Counts days of one crane from the store and writes what they came to, all within the caller's transaction.

A day row rests on the samples and events of that day alone, so the order in which data came makes no difference.
What reaches over midnight is put together from day rows each time one of them changes: lifts from the parts of
neighbouring days, cycles from ledgers merged in time order, gaps from the ends of the days.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from functools import cache
from typing import Any

import psycopg

from analytics import day, exclusions, findings, samples, summary
from analytics.counting import CountingSettings, CraneEntry, Method
from analytics.day import DayCount
from analytics.lift_days import recount_lifts
from analytics.samples import LocalDay
from domain.findings import DEFAULT_THRESHOLDS, Thresholds
from domain.messages import EventState
from duty import circumstances, directions, faults, ledger, levels
from store import events, segments
from store.duty import FIRST_DAY, LAST_DAY, SPANS_OF, Span
from store.exclusions import EXCLUSIONS_IN_FORCE
from store.quarantine import refused_ahead
from store.sql import query
from store.statement import run, run_many


def count_days(
    conn: psycopg.Connection[Any], entry: CraneEntry, days: Iterable[date], method: Method
) -> list[DayCount]:
    """Reads and counts days of one crane, in time order."""

    @cache
    def quarantined() -> frozenset[tuple[int, int]]:
        return frozenset(conn.execute(query("quarantined_numbers"), {"crane": entry.crane.name}).fetchall())

    return [_count_day(conn, entry, LocalDay(each, entry.zone), quarantined, method) for each in sorted(days)]


def _count_day(
    conn: psycopg.Connection[Any],
    entry: CraneEntry,
    local_day: LocalDay,
    quarantined: Callable[[], frozenset[tuple[int, int]]],
    method: Method,
) -> DayCount:
    start_at, end_at = local_day.start_at, local_day.end_at
    stored = segments.read(conn, entry.crane_id, start_at, end_at, samples.CHANNELS)
    found = samples.of_day(stored, local_day)
    happened = events.read(conn, entry.crane_id, start_at, end_at)
    refused = refused_ahead(conn, entry.crane.name, start_at, end_at)

    def count(these: samples.DaySamples) -> DayCount:
        return day.count(
            local_day,
            entry.type_on(local_day.day),
            these,
            happened,
            quarantined,
            method.settings,
            refused=refused,
        )

    excluded = EXCLUSIONS_IN_FORCE.all(conn, crane_id=entry.crane_id, time_from=start_at, time_to=end_at)
    return exclusions.count_without(found, excluded, count) if excluded else count(found)


def write_days(
    conn: psycopg.Connection[Any],
    entry: CraneEntry,
    counts: Sequence[DayCount],
    method: Method,
    thresholds: Thresholds = DEFAULT_THRESHOLDS,
) -> None:
    """Writes counted days and everything that follows from them. The caller holds the crane's claim."""
    if not counts:
        return
    keys = {"crane_id": entry.crane_id, "counting_id": method.counting_id}
    _forget_other_zone(conn, keys, entry.zone.key)
    for counted in counts:
        _write_day(conn, keys, counted)
    days = [counted.day for counted in counts]
    recount_lifts(conn, keys, days, entry.zone)
    merge_spans(conn, keys, days, method.settings)
    if any(counted.fault_events for counted in counts):
        _pair_faults(conn, entry.crane_id)
    if method.in_use:
        findings.refresh(conn, entry, method, thresholds, days)
        summary.write_register(conn, entry.crane_id, method, entry.zone)
        summary.refresh(conn, entry, method)


def _forget_other_zone(conn: psycopg.Connection[Any], keys: dict[str, int], time_zone: str) -> None:
    """After a change of the site's zone nothing that was counted holds: days of two zones overlap."""
    if run(conn, "days_of_other_zone_touched", **keys, time_zone=time_zone):
        for name in ("days_of_crane_forgotten", "spans_of_crane_forgotten", "lifts_of_crane_forgotten"):
            run(conn, name, **keys)
        run(conn, "findings_forgotten", crane_id=keys["crane_id"], day_from=FIRST_DAY, day_to=LAST_DAY)


def _write_day(conn: psycopg.Connection[Any], keys: dict[str, int], counted: DayCount) -> None:
    here = {**keys, "day": counted.day}
    run(conn, "gaps_forgotten", **here)
    run(conn, "event_contexts_forgotten", **here)
    if counted.empty:
        run(conn, "day_figure_forgotten", **here)
        run(conn, "span_forgotten", **keys, span="day", first_day=counted.day)
        return
    parts = {"lift_part": counted.lift_part, "plausibility": counted.plausibility}
    run(conn, "day_figure_written", **here, **counted.figures, **parts)
    run(
        conn,
        "span_written",
        **keys,
        span="day",
        first_day=counted.day,
        last_day=counted.day,
        samples=counted.samples,
        ledger=counted.ledger,
        directions=counted.directions,
        tallies=counted.tallies,
        circumstances=counted.circumstances,
    )
    run_many(conn, "gap_written", ({**here, **row} for row in counted.gaps))
    run_many(conn, "event_context_written", ({**here, **row} for row in counted.contexts))


def _pair_faults(conn: psycopg.Connection[Any], crane_id: int) -> None:
    rows: list[tuple[datetime, str, str, str]] = conn.execute(
        query("fault_events_of"), {"crane_id": crane_id}
    ).fetchall()
    found = faults.pair((at, code, state == EventState.RAISED, text) for at, code, state, text in rows)
    run(conn, "fault_episodes_forgotten", crane_id=crane_id)
    run_many(
        conn,
        "fault_episode_written",
        (
            {
                "crane_id": crane_id,
                "code": each.code,
                "raised_at": each.raised_at,
                "cleared_at": each.cleared_at,
                "raised_times": each.raised_times,
                "text": each.text,
            }
            for each in found
        ),
    )


def merge_spans(
    conn: psycopg.Connection[Any], keys: dict[str, int], days: Iterable[date], settings: CountingSettings
) -> None:
    """Merges the months and then the years of recounted days again. `keys`: crane_id and counting_id."""
    months = sorted({day.replace(day=1) for day in days})
    for month in months:
        past = date(month.year + month.month // 12, month.month % 12 + 1, 1)
        _merge(conn, keys, "day", "month", month, past, settings)
    for year in sorted({month.year for month in months}):
        _merge(conn, keys, "month", "year", date(year, 1, 1), date(year + 1, 1, 1), settings)


def merged(spans: Sequence[Span], settings: CountingSettings) -> dict[str, Any]:
    """Counts of spans in time order put together, as columns of span_ledger. At least one span."""
    turned = [directions.from_bytes(span.directions) for span in spans if span.directions is not None]
    tallied = levels.empty()
    for span in spans:
        tallied = levels.merge(tallied, levels.from_bytes(span.tallies))
    return {
        "last_day": spans[-1].last_day,
        "samples": sum(span.samples for span in spans),
        "ledger": ledger.to_bytes(
            ledger.merge_all(
                [ledger.empty(settings.edges), *(ledger.from_bytes(span.ledger) for span in spans)]
            )
        ),
        "directions": directions.to_bytes(directions.merge_all(turned)) if turned else None,
        "tallies": levels.to_bytes(tallied),
        "circumstances": circumstances.to_bytes(
            circumstances.merge_all(circumstances.from_bytes(span.circumstances) for span in spans)
        ),
    }


def _merge(
    conn: psycopg.Connection[Any],
    keys: dict[str, int],
    of: str,
    into: str,
    first_day: date,
    past: date,
    settings: CountingSettings,
) -> None:
    spans = SPANS_OF.all(conn, **keys, span=of, first_day=first_day, past=past)
    if not spans:
        run(conn, "span_forgotten", **keys, span=into, first_day=first_day)
        return
    run(conn, "span_written", **keys, span=into, first_day=first_day, **merged(spans, settings))
