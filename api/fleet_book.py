"""The fleet laid out for matching, kept between requests and rebuilt when a crane, type, site or chart changes.

What changes by the hour (open faults, life used, service) is read again when it is older than FACTS_MAX_AGE_S;
reservations are read for every question.
"""

import asyncio
import math
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from typing import Annotated, Any, Final

import anyio
import numpy as np
import orjson
import structlog
from fastapi import Depends, Request
from numpy.typing import NDArray
from psycopg import AsyncConnection

from domain.charts import charts_in_force
from domain.crane import CraneType, DesignClass
from domain.detail import DetailSpec
from domain.errors import InvalidInput
from duty import fleet, service
from duty.capacity import Flags, Floats, Ints
from duty.chart_pack import NO_CHARTS, Packed, PlainCharts, pack, pack_stored
from duty.damage import Detail, detail_of
from duty.fleet import Fleet
from duty.spectrum import design_limits
from store import charts, reservations
from store.charts import FleetCrane, TypeRow, VersionCharts
from store.reservations import CraneFacts
from store.service import ServiceState, service_states

FACTS_MAX_AGE_S: Final = 10.0
_DAYS_KEPT: Final = 4
_VERSIONS_AT_ONCE: Final = 500
_LOG: Final = structlog.get_logger("api.dispatch")
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
    types: dict[int, CraneType]  # by number of the type
    fleet: Fleet
    design_lifts: Floats  # NaN where the design class is not entered or has no limit
    design_kq: Floats
    prior_duty: Flags  # whether duty before the first record is entered
    latitude_deg: Floats  # of the crane's site, NaN where not entered
    longitude_deg: Floats

    index: dict[str, int]  # by name of the crane
    sites: NDArray[np.str_]  # name of each crane's site

    def type_of(self, index: int) -> CraneType:
        """The type of a crane."""
        return self.types[self.rows[index].type_id]


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
        self._packed: dict[int, Packed] = {}  # by version of the charts, which never changes
        self._types: dict[int, tuple[dict[str, Any], CraneType]] = {}
        self._standing: tuple[float, Listed, Standing] | None = None
        self._lock = asyncio.Lock()

    async def listed(self, conn: AsyncConnection[Any], day: date) -> Listed:
        """The fleet with the charts in force on a day. After a change only what is new is read and packed."""
        stamp = await charts.fleet_stamp(conn)
        async with self._lock:
            known = self._listed.get(day)
            if known is None or known.stamp != stamp:
                rows = await charts.fleet_cranes(conn, day)
                types = await charts.fleet_types(conn)
                used = {row.version_id for row in rows if row.version_id is not None}
                await self._pack(conn, sorted(used - self._packed.keys()))
                known = await anyio.to_thread.run_sync(self._lay_out, stamp, rows, types, day)
                self._listed = dict(list({**self._listed, day: known}.items())[-_DAYS_KEPT:])
                used |= {row.version_id for one in self._listed.values() for row in one.rows}
                self._packed = {key: one for key, one in self._packed.items() if key in used}
            return known

    async def _pack(self, conn: AsyncConnection[Any], version_ids: list[int]) -> None:
        """Packs versions, one batch in a thread while the database makes the next."""
        packing: asyncio.Task[dict[int, Packed]] | None = None
        for start in range(0, len(version_ids), _VERSIONS_AT_ONCE):
            rows = await charts.version_charts(conn, version_ids[start : start + _VERSIONS_AT_ONCE])
            if packing is not None:
                self._packed |= await packing
            packing = asyncio.create_task(anyio.to_thread.run_sync(_packed, rows))
        if packing is not None:
            self._packed |= await packing

    def _lay_out(self, stamp: str, rows: list[FleetCrane], types: list[TypeRow], day: date) -> Listed:
        """Takes CPU time, some tenths of a second for 10 000 cranes: run it in a thread."""
        self._types = {row.type_id: (row.spec, self._type(row)) for row in types}
        known = {type_id: one for type_id, (_, one) in self._types.items()}
        entered = {type_id: pack(charts_in_force(one.charts, day)) for type_id, one in known.items()}
        limits = np.array([_limits(row.design) for row in rows], float).reshape(-1, 2)
        return Listed(
            stamp=stamp,
            rows=tuple(rows),
            types=known,
            fleet=fleet.lay_out(
                [known[row.type_id] for row in rows],
                [
                    entered[row.type_id]
                    if row.version_id is None
                    else self._packed.get(row.version_id, NO_CHARTS)
                    for row in rows
                ],
            ),
            design_lifts=limits[:, 0],
            design_kq=limits[:, 1],
            prior_duty=np.array([row.prior_duty for row in rows], np.bool_),
            latitude_deg=_numbers([row.latitude_deg for row in rows]),
            longitude_deg=_numbers([row.longitude_deg for row in rows]),
            index={row.name: index for index, row in enumerate(rows)},
            sites=np.array([row.site for row in rows], np.str_),
        )

    def _type(self, row: TypeRow) -> CraneType:
        """The type of a row; the same object as long as the row is the same."""
        spec, known = self._types.get(row.type_id, (None, None))
        return known if known is not None and spec == row.spec else CraneType.model_validate(row.spec)

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


def _packed(rows: list[VersionCharts]) -> dict[int, Packed]:
    """Versions by number. One that breaks the rules of a load chart is told in the log and has no charts."""
    plain = [PlainCharts(*(orjson.loads(getattr(row, name)) for name in PlainCharts._fields)) for row in rows]
    found: dict[int, Packed] = {}
    for row, one in zip(rows, pack_stored(plain), strict=True):
        if one is None:
            _LOG.error("chart version is unsound and taken as empty", version_id=row.version_id)
        found[row.version_id] = NO_CHARTS if one is None else one
    return found


@cache
def _limits(design: str | None) -> tuple[float, float]:
    if design is None:
        return math.nan, math.nan
    try:
        return design_limits(DesignClass.model_validate_json(design))
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
