"""Months and years put together from days, so that a page reads few rows. Exact: merging is."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

import psycopg

from analytics.counting import CountingSettings
from duty import circumstances, directions, ledger, levels
from store.duty import SPANS_OF, Span
from store.statement import run


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
