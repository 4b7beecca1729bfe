"""Reservations of cranes. The table itself refuses double booking."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import psycopg
from psycopg import AsyncConnection
from psycopg.types.json import Jsonb

from domain.errors import Conflict, NotFound
from domain.job_answers import ReservationRow
from store.locks import wait_for_holds
from store.statement import Sites, Statement


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """A crane that is held in a range of time."""

    crane: str
    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class ReservationId:
    """Number of a reservation."""

    reservation_id: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """A reservation that is over: planned against the largest values of the lifts in it."""

    reservation_id: int
    crane: str
    starts_at: datetime
    ends_at: datetime
    title: str
    planned_utilisation_pct: float | None
    planned_mass_kg: float | None
    lifts: int
    measured_utilisation_pct: float | None  # None where no lift was counted
    measured_mass_kg: float | None


HELD: Final = Statement("reservation_held", ReservationId)
RELEASED: Final = Statement("reservation_released", ReservationId)
ROWS: Final = Statement("reservation_rows", ReservationRow)
ONE: Final = Statement("reservation_of", ReservationRow)
CRANES_HELD: Final = Statement("cranes_held", Held)
MEASURED: Final = Statement("measured_for_reservations", Measured)


async def hold(
    conn: AsyncConnection[Any],
    *,
    crane: str,
    starts_at: datetime,
    ends_at: datetime,
    title: str,
    held_by: str,
    job: dict[str, Any] | None = None,
    planned: dict[str, Any] | None = None,
    override_reason: str | None = None,
    override_states: Sequence[str] = (),
) -> int:
    """Hold a crane from starts_at up to and without ends_at; the number of the reservation.

    Raises Conflict where it is held in that time already, however many ask at once, and NotFound for an unknown crane.
    """
    try:
        async with conn.transaction():
            await wait_for_holds(conn, crane)
            row = await HELD.first_async(
                conn,
                crane=crane,
                starts_at=starts_at,
                ends_at=ends_at,
                title=title,
                held_by=held_by,
                job=None if job is None else Jsonb(job),
                planned=None if planned is None else Jsonb(planned),
                override_reason=override_reason,
                override_states=list(override_states),
            )
    except psycopg.errors.ExclusionViolation as problem:
        raise Conflict(
            f"{crane} is already held in that time: look at its calendar, cancel the other reservation or choose another crane"
        ) from problem
    if row is None:
        raise NotFound(f"no crane is named {crane!r}")
    return row.reservation_id


async def release(conn: AsyncConnection[Any], reservation_id: int, released_by: str) -> bool:
    """Give a crane back; False where the reservation does not exist or is released already."""
    row = await RELEASED.first_async(conn, reservation_id=reservation_id, released_by=released_by)
    return row is not None


async def reservations(
    conn: AsyncConnection[Any],
    sites: Sites,
    time_from: datetime,
    time_to: datetime,
    *,
    crane: str | None = None,
    with_released: bool = False,
    rows: int = 1000,
) -> list[ReservationRow]:
    """Reservations that touch [time_from, time_to), in time order."""
    return await ROWS.all_async(
        conn,
        sites=sites,
        time_from=time_from,
        time_to=time_to,
        crane=crane,
        with_released=with_released,
        rows=rows,
    )


async def cranes_held(conn: AsyncConnection[Any], time_from: datetime, time_to: datetime) -> dict[str, Held]:
    """Cranes that are held at some time of [time_from, time_to)."""
    found = await CRANES_HELD.all_async(conn, time_from=time_from, time_to=time_to)
    return {row.crane: row for row in found}
