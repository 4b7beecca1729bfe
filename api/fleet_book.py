"""The fleet laid out for matching, kept between requests and rebuilt when a crane, type, site or chart changes.

What changes by the hour (open faults, life used, service) is read again when it is older than FACTS_MAX_AGE_S;
reservations are read for every question.
"""

import asyncio
import math
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

import anyio
import numpy as np
from fastapi import Depends, Request
from numpy.typing import NDArray
from psycopg import AsyncConnection

from domain.crane import Crane, LoadChart
from domain.detail import DetailSpec
from domain.errors import InvalidInput
from duty import fleet, service
from duty.capacity import Flags, Floats, Ints
from duty.damage import Detail, detail_of
from duty.fleet import Fleet
from duty.spectrum import design_limits
from store import charts, reservations
from store.charts import FleetCrane
from store.reservations import CraneFacts
from store.service import ServiceState, service_states

FACTS_MAX_AGE_S: Final = 10.0
_DAYS_KEPT: Final = 4
_NO_FACTS: Final = CraneFacts(
    crane="",
    used_share=None,
    f1=None,
    damage=None,
    detail_spec=None,
    open_faults=[],
)


@dataclass(frozen=True, kw_only=True)
class Listed:
    """A fleet with the charts of a day, and what does not change by the hour; arrays by crane, in order of name."""

    stamp: str
    rows: tuple[FleetCrane, ...]
    fleet: Fleet
    charts: tuple[tuple[LoadChart, ...], ...]  # in force, by crane
    design_lifts: Floats  # NaN where the design class is not entered or has no limit
    design_kq: Floats
    prior_duty: Flags  # whether duty before the first record is entered
    latitude_deg: Floats  # of the crane's site, NaN where not entered
    longitude_deg: Floats

    index: dict[str, int]  # by name of the crane
    sites: NDArray[np.str_]  # name of each crane's site

    @property
    def cranes(self) -> tuple[Crane, ...]:
        """As domain values."""
        return self.fleet.cranes


@dataclass(frozen=True, kw_only=True)
class Standing:
    """How each crane of a listed fleet stands now."""

    facts: tuple[CraneFacts, ...]
    with_faults: tuple[int, ...]  # indices of cranes with open faults
    overdue: dict[int, str]  # index of a crane to the name of the service that is overdue
    used_share: Floats  # NaN where not known
    f1: Floats
    damage: Floats
    details: tuple[tuple[Detail, Ints], ...]  # weld details entered, each with the indices of its cranes


class FleetBook:
    """Keeps the listed fleet of the last few days that were asked for, and how its cranes stand."""

    def __init__(self) -> None:
        self._listed: dict[date, Listed] = {}
        self._standing: tuple[float, Listed, Standing] | None = None
        self._lock = asyncio.Lock()

    async def listed(self, conn: AsyncConnection[Any], day: date) -> Listed:
        """The fleet with the charts in force on a day."""
        stamp = await charts.fleet_stamp(conn)
        async with self._lock:
            known = self._listed.get(day)
            if known is None or known.stamp != stamp:
                rows = await charts.fleet_rows(conn, day)
                known = await anyio.to_thread.run_sync(_lay_out, stamp, rows, day)
                self._listed = dict(list({**self._listed, day: known}.items())[-_DAYS_KEPT:])
            return known

    async def standing(self, conn: AsyncConnection[Any], listed: Listed) -> Standing:
        """How the cranes of a listed fleet stand, at most FACTS_MAX_AGE_S old."""
        async with self._lock:
            now = time.monotonic()
            if self._standing is not None:
                read_at, of, standing = self._standing
                if of is listed and now - read_at < FACTS_MAX_AGE_S:
                    return standing
            today = datetime.now(UTC).date()
            facts = await reservations.crane_facts(conn)
            states = await service_states(conn, today=today)
            standing = _standing(listed, facts, _overdue(states, today))
            self._standing = (now, listed, standing)
            return standing


def get_book(request: Request) -> FleetBook:
    """The book of this api."""
    state = request.app.state
    if not hasattr(state, "fleet_book"):
        state.fleet_book = FleetBook()
    book: FleetBook = state.fleet_book
    return book


Book = Annotated[FleetBook, Depends(get_book)]


def _lay_out(stamp: str, rows: charts.FleetRows, day: date) -> Listed:
    parsed = rows.parsed(day)
    limits = np.array([_limits(crane) for crane in parsed.cranes], float).reshape(-1, 2)
    return Listed(
        stamp=stamp,
        rows=parsed.rows,
        fleet=fleet.build(parsed.cranes, parsed.charts),
        charts=parsed.charts,
        design_lifts=limits[:, 0],
        design_kq=limits[:, 1],
        prior_duty=np.array([crane.prior_duty is not None for crane in parsed.cranes], np.bool_),
        latitude_deg=_numbers([row.latitude_deg for row in parsed.rows]),
        longitude_deg=_numbers([row.longitude_deg for row in parsed.rows]),
        index={row.name: index for index, row in enumerate(parsed.rows)},
        sites=np.array([row.site for row in parsed.rows], np.str_),
    )


def _limits(crane: Crane) -> tuple[float, float]:
    if crane.design is None:
        return math.nan, math.nan
    try:
        return design_limits(crane.design)
    except InvalidInput:
        return math.nan, math.nan


def _standing(listed: Listed, facts: dict[str, CraneFacts], overdue: dict[str, str]) -> Standing:
    by_crane = tuple(facts.get(row.name, _NO_FACTS) for row in listed.rows)
    return Standing(
        facts=by_crane,
        with_faults=tuple(index for index, one in enumerate(by_crane) if one.open_faults),
        overdue={listed.index[name]: plan for name, plan in overdue.items() if name in listed.index},
        used_share=_numbers([one.used_share for one in by_crane]),
        f1=_numbers([one.f1 for one in by_crane]),
        damage=_numbers([one.damage for one in by_crane]),
        details=_details(by_crane),
    )


def _details(by_crane: tuple[CraneFacts, ...]) -> tuple[tuple[Detail, Ints], ...]:
    cranes: dict[DetailSpec, list[int]] = {}
    for index, one in enumerate(by_crane):
        if one.detail_spec is not None:
            cranes.setdefault(DetailSpec.model_validate(one.detail_spec), []).append(index)
    return tuple((detail_of("default", spec), np.array(indices, np.intp)) for spec, indices in cranes.items())


def _overdue(states: list[ServiceState], today: date) -> dict[str, str]:
    """By crane, the first interval that is used up."""
    found: dict[str, str] = {}
    for state in states:
        due = service.due(
            today=today,
            counted_from=state.counted_from.date(),
            every_hours=state.every_hours,
            hours_since=state.hours_since,
            every_lifts=state.every_lifts,
            lifts_since=state.lifts_since,
            every_days=state.every_days,
        )
        if due.overdue:
            found.setdefault(state.crane, state.plan)
    return found


def _numbers(values: list[float | None]) -> Floats:
    return np.array([math.nan if value is None else value for value in values], float)
