"""What is to be done at cranes: services with the day on which each falls due, and open faults."""

import asyncio
from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Any, Final

from psycopg import AsyncConnection

from domain.answers import of_rows
from domain.maintenance import OpenFaultRow, ServiceRow
from duty.service import interval_due
from store import faults, reading, service
from store.reading import CraneInScope, Sites
from store.service import ServiceState
from store.site_scope import whole_fleet

DUE_FOR_S: Final = 60.0


async def service_of(conn: AsyncConnection[Any], crane: CraneInScope) -> tuple[ServiceRow, ...]:
    """Intervals of service that apply to a crane, with the day on which each falls due."""
    today = crane.today()
    states = await service.service_states(conn, today=today, crane=crane.name)
    return tuple(service_row(state, today) for state in states)


async def service_of_fleet(conn: AsyncConnection[Any], sites: Sites) -> tuple[ServiceRow, ...]:
    """The same of every crane of some sites."""
    today, seen = datetime.now(UTC).date(), await _seen(conn, sites)
    states = await service.service_states(conn, today=today)
    return tuple(service_row(state, today) for state in states if state.crane in seen)


async def open_faults(conn: AsyncConnection[Any], sites: Sites) -> tuple[OpenFaultRow, ...]:
    """Every open fault of the cranes of some sites, oldest first."""
    seen = await _seen(conn, sites)
    return of_rows(OpenFaultRow, (row for row in await faults.open_faults(conn) if row.crane in seen))


async def _seen(conn: AsyncConnection[Any], sites: Sites) -> set[str]:
    return {row.name for row in await reading.crane_rows(conn, sites, rows=10_000)}


def service_row(state: ServiceState, today: date) -> ServiceRow:
    """One interval of one crane with its due day."""
    falls = interval_due(state, today)
    return ServiceRow(
        **{name: getattr(state, name) for name in ServiceRow.model_fields if hasattr(state, name)},
        due_on=falls.on,
        due_by=falls.by,
        overdue=falls.overdue,
    )


def earliest_due(states: Iterable[ServiceState], today: date) -> dict[str, date]:
    """By crane, the first day on which any of its services falls due."""
    found: dict[str, date] = {}
    for state in states:
        on = interval_due(state, today).on
        if on is not None and on < found.get(state.crane, date.max):
            found[state.crane] = on
    return found


class DueBook:
    """Due days of the whole fleet, read at most once a minute: they sum a season of use of every crane."""

    def __init__(self) -> None:
        self._found: dict[str, date] = {}
        self._good_until = -1.0
        self._lock = asyncio.Lock()

    async def read(self, conn: AsyncConnection[Any]) -> dict[str, date]:
        """By crane, the first day on which a service falls due."""
        clock = asyncio.get_running_loop().time
        async with self._lock:
            if clock() >= self._good_until:
                today = datetime.now(UTC).date()
                async with whole_fleet(
                    conn
                ):  # one book for everyone; who asks sees only their own cranes in it
                    self._found = earliest_due(await service.service_states(conn, today=today), today)
                self._good_until = clock() + DUE_FOR_S
        return self._found
