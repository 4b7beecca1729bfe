"""What the arrival of messages says of the clocks of their senders: offsets to correct them by, where it says any."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from psycopg import AsyncConnection

from domain.clock_correction import ClockSuggestion
from domain.moments import now_utc
from duty.clock_offset import arrival_offset
from store import clock_corrections
from store.clock_corrections import ARRIVALS, CLOCK_FINDINGS, CORRECTIONS, Arrival
from store.columns import to_ms
from store.reading import CraneInScope

RECENT: Final = timedelta(days=7)
RECENT_MESSAGES: Final = 5000
FINDINGS: Final = 8  # newest days with a finding about the clock
MESSAGES_OF_A_FINDING: Final = 2000
CORRECTIONS_READ: Final = 1000


async def clock_suggestions(
    conn: AsyncConnection[Any], crane: CraneInScope, now: datetime | None = None
) -> tuple[ClockSuggestion, ...]:
    """Offsets that the arrival of a crane's messages suggests, by boot, the newest first.

    Looked at are the newest messages of the last week, those of the newest days with a finding about the clock, and those that were
    refused for their time. A boot with a correction that waits or is in force has none.
    """
    now = now or now_utc()
    stretches = [(now - RECENT, now + timedelta(days=1), RECENT_MESSAGES)]
    found = await CLOCK_FINDINGS.all_async(conn, crane_id=crane.crane_id, rows=FINDINGS)
    stretches += [(one.from_at, one.to_at, MESSAGES_OF_A_FINDING) for one in found]
    stored: list[Arrival] = []
    for time_from, time_to, rows in stretches:
        params = {"crane_id": crane.crane_id, "time_from": time_from, "time_to": time_to, "rows": rows}
        stored += await ARRIVALS.all_async(conn, **params)
    refused = await clock_corrections.refused_arrivals(conn, crane.name)
    corrected = {
        row.boot
        for row in await CORRECTIONS.all_async(
            conn,
            crane_id=crane.crane_id,
            correction_id=None,
            sites=None,
            before=None,
            rows=CORRECTIONS_READ,
        )
        if row.reverted_at is None and not row.problem
    }
    return suggested(stored, refused, corrected)


def suggested(
    stored: Iterable[Arrival], refused: Sequence[Arrival], corrected: set[int]
) -> tuple[ClockSuggestion, ...]:
    """Suggestions from messages that are stored and that were refused, but those of some boots; the newest first."""
    by_boot: defaultdict[int, dict[tuple[int, datetime], Arrival]] = defaultdict(dict)
    for one in (*refused, *stored):
        if one.boot not in corrected:
            by_boot[one.boot][one.seq, one.end_at] = one
    aside = {(one.boot, one.seq, one.end_at) for one in refused}
    found = [_of_boot(boot, list(arrivals.values()), aside) for boot, arrivals in by_boot.items()]
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.came_to, reverse=True))


def _of_boot(
    boot: int, arrivals: list[Arrival], aside: set[tuple[int, int, datetime]]
) -> ClockSuggestion | None:
    arrivals.sort(key=lambda one: (one.seq, one.received_at))
    said = arrival_offset(
        np.array([to_ms(one.end_at) for one in arrivals]),
        np.array([to_ms(one.received_at) for one in arrivals]),
    )
    if said is None:
        return None
    agreeing = [arrivals[place] for place in said.places]
    return ClockSuggestion(
        boot=boot,
        seq_from=agreeing[0].seq,
        seq_to=agreeing[-1].seq if said.places[-1] + 1 < len(arrivals) else None,
        messages=len(agreeing),
        refused=sum((one.boot, one.seq, one.end_at) in aside for one in agreeing),
        others=len(arrivals) - len(agreeing),
        came_from=min(one.received_at for one in agreeing),
        came_to=max(one.received_at for one in agreeing),
        offset_ms=said.offset_ms,
        spread_ms=said.spread_ms,
    )
