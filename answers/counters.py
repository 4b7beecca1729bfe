"""What the counters that a crane keeps by itself say about its record."""

from typing import Any

from psycopg import AsyncConnection

from answers.life import counter_spans
from domain.answers import of_rows
from domain.counter import CounterReadingRow, CountersAnswer, CounterSpanRow
from store import summary
from store.counters import READINGS
from store.reading import CraneInScope


async def counters_of(conn: AsyncConnection[Any], crane: CraneInScope) -> CountersAnswer:
    """Readings of the crane's own counters in force, and what they gained beside what was recorded."""
    found = await summary.crane_summary(conn, crane.name)
    rows = await READINGS.all_async(conn, crane_id=crane.crane_id, zone=crane.time_zone)
    spans, problems = await counter_spans(conn, crane, None if found is None else found.counting_id)
    return CountersAnswer(
        crane=crane.name,
        readings=of_rows(CounterReadingRow, rows),
        spans=tuple(
            CounterSpanRow(
                kind=one.kind,
                after=one.after,
                upto=one.upto,
                gained=one.gained,
                recorded=one.recorded,
                agrees=one.gained <= one.recorded,
            )
            for one in spans
        ),
        problems=problems,
    )
