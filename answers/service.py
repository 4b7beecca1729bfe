"""What is to be done at cranes: services with the day on which each falls due, and open faults."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from psycopg import AsyncConnection

from domain.answers import of_row
from domain.maintenance import OpenFaultRow, ServiceRow
from domain.moments import today_in
from duty.service import interval_due
from store import faults, reading, service
from store.reading import CraneInScope
from store.service import ServiceState
from store.statement import Sites


async def service_of(conn: AsyncConnection[Any], crane: CraneInScope) -> tuple[ServiceRow, ...]:
    """Intervals of service that apply to a crane, with the day on which each falls due."""
    today = crane.today()
    states = await service.service_states(conn, today=today, crane=crane.name)
    return tuple(service_row(state, today) for state in states)


async def service_of_fleet(conn: AsyncConnection[Any], sites: Sites) -> tuple[ServiceRow, ...]:
    """The same of every crane of some sites."""
    today, seen = today_in(), await _seen(conn, sites)
    states = await service.service_states(conn, today=today)
    return tuple(service_row(state, today) for state in states if state.crane in seen)


async def open_faults(conn: AsyncConnection[Any], sites: Sites) -> tuple[OpenFaultRow, ...]:
    """Every open fault of the cranes of some sites, oldest first."""
    seen = await _seen(conn, sites)
    return tuple(row for row in await faults.OPEN_FAULTS.all_async(conn) if row.crane in seen)


async def _seen(conn: AsyncConnection[Any], sites: Sites) -> set[str]:
    return {row.name for row in await reading.crane_rows(conn, sites, rows=10_000)}


def service_row(state: ServiceState, today: date) -> ServiceRow:
    """One interval of one crane with its due day."""
    falls = interval_due(state, today)
    return of_row(ServiceRow, state, due_on=falls.on, due_by=falls.by, overdue=falls.overdue)


def earliest_due(states: Iterable[ServiceState], today: date) -> dict[str, date]:
    """By crane, the first day on which any of its services falls due."""
    found: dict[str, date] = {}
    for state in states:
        on = interval_due(state, today).on
        if on is not None and on < found.get(state.crane, date.max):
            found[state.crane] = on
    return found
