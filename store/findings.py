"""Findings about readings: what they are judged from, and what was found."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection, Connection

from store.statement import Statement, run, run_many


@dataclass(frozen=True, kw_only=True, slots=True)
class FactsRow:
    """One recorded day; `plausibility` is read by duty.plausibility."""

    day: date
    first_at: datetime
    past_at: datetime
    plausibility: bytes
    lifts: int
    spikes: int
    largest_spike_pct: float
    sensor_gap_ms: int
    hole_ms: int
    uncounted_ms: int
    came_at: datetime | None
    first_boot: int | None
    first_seq: int | None
    last_boot: int | None
    last_seq: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingSpan:
    """One code and channel of one crane over a period. Times are of its worst stretch."""

    crane: str
    site: str
    code: str
    channel: str
    day_from: date
    day_to: date
    days: int
    from_at: datetime
    to_at: datetime
    size: float
    least: float | None  # of readings out of range
    most: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class FindingCount:
    """How many findings there are of one crane."""

    crane: str
    findings: int


FINDING_FACTS: Final = Statement("finding_facts", FactsRow)
FINDINGS_READ: Final = Statement("findings_read", FindingSpan)
FINDINGS_COUNTED: Final = Statement("findings_counted", FindingCount)


def write(
    conn: Connection[Any],
    crane_id: int,
    day_from: date,
    day_to: date,
    rows: Iterable[Mapping[str, object]],
    judged_by: str,
) -> None:
    """Replaces the findings of some days of one crane. The caller holds the crane's claim."""
    run(conn, "findings_forgotten", crane_id=crane_id, day_from=day_from, day_to=day_to)
    run_many(conn, "finding_written", ({"crane_id": crane_id, **row} for row in rows))
    run(conn, "findings_judged_by", crane_id=crane_id, judged_by=judged_by)


async def findings(
    conn: AsyncConnection[Any],
    sites: list[str] | None,
    day_from: date,
    day_to: date,
    *,
    crane: str | None = None,
    code: str | None = None,
    after: tuple[str, str, str] | None = None,
    rows: int = 1000,
) -> list[FindingSpan]:
    """Findings over local days, both ends included, by crane, code and channel, after the key of an earlier page."""
    crane_after, code_after, channel_after = after or (None, None, None)
    return await FINDINGS_READ.all_async(
        conn,
        sites=sites,
        day_from=day_from,
        day_to=day_to,
        crane=crane,
        code=code,
        after_crane=crane_after,
        after_code=code_after,
        after_channel=channel_after,
        rows=rows,
    )


async def counts(
    conn: AsyncConnection[Any], sites: list[str] | None, day_from: date, day_to: date
) -> dict[str, int]:
    """How many findings, by code and channel, each crane has over local days; cranes without any are absent."""
    rows = await FINDINGS_COUNTED.all_async(conn, sites=sites, day_from=day_from, day_to=day_to)
    return {row.crane: row.findings for row in rows}
