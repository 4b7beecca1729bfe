"""Reservations of cranes: the calendar, one of them, and planned against measured."""

import statistics
from datetime import timedelta
from typing import Any

from psycopg import AsyncConnection

from domain.answers import of_row
from domain.errors import NotFound
from domain.job_answers import CraneBias, MeasuredAnswer, MeasuredRow, ReservationRow
from domain.moments import now_utc
from store import reservations
from store.reservations import Measured
from store.statement import Sites


async def reservation_in_scope(
    conn: AsyncConnection[Any], reservation_id: int, sites: Sites
) -> ReservationRow:
    """A reservation of a crane at some sites (None: at any). Raises NotFound, as of one that does not exist, for any other."""
    found = await reservations.ONE.first_async(conn, reservation_id=reservation_id, sites=sites)
    if found is None:
        raise NotFound(f"there is no reservation {reservation_id} that you may see: look at the calendar")
    return found


async def planned_and_measured(
    conn: AsyncConnection[Any], sites: Sites, days: int, crane: str | None = None
) -> MeasuredAnswer:
    """Reservations of the last days that are over, of one crane or of all at some sites (None: at any)."""
    now = now_utc()
    found = await reservations.MEASURED.all_async(
        conn, sites=sites, since=now - timedelta(days=days), until=now, crane=crane
    )
    rows = [_measured(row) for row in found]
    return MeasuredAnswer(rows=tuple(rows), bias=biases(rows))


def biases(rows: list[MeasuredRow]) -> tuple[CraneBias, ...]:
    """Mean and spread of measured less planned by crane, over the reservations where both are known."""
    by_crane: dict[str, list[float]] = {}
    for row in rows:
        if row.difference_pct is not None:
            by_crane.setdefault(row.crane, []).append(row.difference_pct)
    return tuple(
        CraneBias(
            crane=crane,
            reservations=len(values),
            mean_difference_pct=statistics.fmean(values),
            spread_pct=statistics.stdev(values) if len(values) > 1 else None,
        )
        for crane, values in sorted(by_crane.items())
    )


def _measured(row: Measured) -> MeasuredRow:
    planned, measured = row.planned_utilisation_pct, row.measured_utilisation_pct
    return of_row(
        MeasuredRow,
        row,
        difference_pct=None if planned is None or measured is None else measured - planned,
    )
