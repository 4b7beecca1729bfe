"""The fleet laid out for matching, kept between questions (`cache`). Open faults and reservations are read for every question."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any, Final
from zoneinfo import ZoneInfo

import anyio
import numpy as np
import orjson
import structlog
from numpy.typing import NDArray
from psycopg import AsyncConnection

from answers.cache import Cache
from answers.life_status import LifeOfFleet, design_figures, life_status_of, numbers
from domain.crane import CraneType, charts_in_force
from domain.job import Window
from domain.moments import now_utc, today_in
from duty import fleet
from duty.capacity import Flags, Floats
from duty.chart_pack import NO_CHARTS, Packed, PlainCharts, pack, pack_stored
from duty.fleet import Fleet
from store import charts, findings, reservations
from store.charts import ListedCrane, TypeRow, VersionCharts
from store.faults import CRANES_WITH_FAULTS
from store.reservations import Held
from store.service import service_states
from store.site_scope import Pool, site_scope, whole_fleet
from store.summary import DEFAULT_DETAILS, LIFE_OF_CRANES

FRESH_S: Final = 10.0
STALE_S: Final = 600.0
FINDINGS_OF_DAYS: Final = 28
"""Findings of so many days are told of a crane, as the page of Data health tells them."""
_MOST_FINDINGS: Final = 100_000
_DAYS_KEPT: Final = 8
_VERSIONS_AT_ONCE: Final = 500
_LOG: Final = structlog.get_logger("answers.dispatch_fleet")


@dataclass(frozen=True, kw_only=True)
class Listed:
    """A fleet with the charts of a day, and what does not change by the hour; arrays by crane, in order of name."""

    stamp: str
    day: date
    rows: tuple[ListedCrane, ...]
    types: dict[int, CraneType]  # by number of the description: cranes own theirs
    packed: dict[int, Packed]  # charts by number of their version, which never changes
    fleet: Fleet
    design_lifts: Floats  # NaN where the design class is not entered or has no limit
    design_kq: Floats
    prior_duty: Flags  # whether duty before the first record is entered
    latitude_deg: Floats  # of the crane's site, NaN where not entered
    longitude_deg: Floats

    index: dict[str, int]  # by name of the crane
    sites: NDArray[np.str_]  # name of each crane's site
    zones: NDArray[np.str_]  # time zone of each crane's site

    def type_of(self, index: int) -> CraneType:
        """The type of a crane."""
        return self.types[self.rows[index].spec_id]


@dataclass(frozen=True, kw_only=True)
class Situation:
    """Everything that a question is answered from."""

    fleets: tuple[
        Listed, ...
    ]  # the same cranes, with the charts as they hold from one day on after the other
    holds: tuple[
        Flags, ...
    ]  # by fleet and crane: whether its charts hold on a local day of the time asked for
    local_days: dict[str, tuple[date, date]]  # first and last day of the time asked for, by time zone
    asked_at: datetime
    status: LifeOfFleet
    faults: dict[int, tuple[str, ...]]  # index of a crane to the codes of its open faults
    held: dict[str, Held]  # cranes that are held in the window asked for

    @property
    def listed(self) -> Listed:
        """The cranes, with the charts of the beginning."""
        return self.fleets[0]

    @cached_property
    def assessment_overdue(self) -> Flags:
        """By crane: whether its special assessment is due by the last day of the time asked for, or by today where that is over.

        What is due today is due whatever day is typed.
        """
        due = np.zeros(len(self.listed.rows), np.bool_)
        for zone, (_, last) in self.local_days.items():
            by = max(last, self.asked_at.astimezone(ZoneInfo(zone)).date())
            due |= (self.listed.zones == zone) & (self.status.assessment_on <= np.datetime64(by))
        return due

    def first_day(self, index: int) -> date:
        """The first day of the time asked for, where the crane stands."""
        return self.local_days[self.listed.rows[index].time_zone][0]


class DispatchFleet:
    """The fleet as it is listed on the last few days that were asked for, and the life status of its cranes; see `cache`."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool
        self._listed: Cache[date, Listed] = Cache(_DAYS_KEPT)
        self._status: Cache[None, LifeOfFleet] = Cache(1, fresh_s=FRESH_S, stale_s=STALE_S)

    async def situation(
        self, conn: AsyncConnection[Any], window: Window | None, *, with_held: bool = True
    ) -> Situation:
        """The fleet as it stands now with the charts of a window (of now without one), and which cranes are held in it."""
        (found,) = await self.situations(conn, [window])
        if window is None or not with_held:
            return found
        return replace(found, held=await reservations.cranes_held(conn, window.starts_at, window.ends_at))

    async def situations(
        self, conn: AsyncConnection[Any], windows: Sequence[Window | None]
    ) -> list[Situation]:
        """The same for several windows, read once; which cranes are held is not looked up."""
        now = now_utc()
        times = [(now, now) if one is None else (one.starts_at, one.ends_at) for one in windows]
        fleets = await self._fleets(conn, min(start for start, _ in times), max(end for _, end in times))
        status = await self._status_of(conn, fleets[0])
        faults: dict[int, tuple[str, ...]] = {}
        for row in await CRANES_WITH_FAULTS.all_async(conn):
            if row.crane in fleets[0].index:
                faults[fleets[0].index[row.crane]] = tuple(row.codes)
        return [_situation(fleets, start, end, now, status, faults) for start, end in times]

    async def _fleets(
        self, conn: AsyncConnection[Any], starts_at: datetime, ends_at: datetime
    ) -> list[Listed]:
        """The fleet with the charts that hold at the beginning of a time, and with those that begin to hold within it.

        Zones lie from 12 h behind UTC to 14 h ahead.
        """
        earliest, latest = (starts_at - timedelta(hours=12)).date(), (ends_at + timedelta(hours=14)).date()
        while True:
            fleets = [await self.listed(conn, earliest)]
            async with whole_fleet(conn):
                changes = set(await charts.chart_days(conn, earliest, latest))
            changes |= {
                chart.valid_from
                for crane_type in fleets[0].types.values()
                for chart in crane_type.charts
                if chart.valid_from is not None and earliest < chart.valid_from <= latest
            }
            fleets += [await self.listed(conn, day) for day in sorted(changes)]
            if len({one.stamp for one in fleets}) == 1:
                return fleets  # else the fleet changed meanwhile

    async def close(self) -> None:
        """Ends what runs in the background."""
        await self._status.close()

    async def listed(self, conn: AsyncConnection[Any], day: date) -> Listed:
        """The fleet with the charts in force on a day. After a change only what is new is read and packed."""
        async with whole_fleet(conn):  # one for everyone; an answer keeps to the sites of who asks
            stamp = await charts.fleet_stamp(conn)
            return await self._listed.read(day, stamp, lambda: self._list(conn, day))

    async def _list(self, conn: AsyncConnection[Any], day: date) -> Listed:
        while True:
            stamp = await charts.fleet_stamp(conn)
            rows, types = await charts.fleet_cranes(conn, day), await charts.FLEET_TYPES.all_async(conn)
            if await charts.fleet_stamp(conn) == stamp:
                break  # else the fleet changed meanwhile, and another day would list other cranes under the same stamp
        before = self._listed.entries().values()
        packed = {key: one for listed in before for key, one in listed.packed.items()}
        read = {spec_id: one for listed in before for spec_id, one in listed.types.items()}
        used = {row.version_id for row in rows if row.version_id is not None}
        packed |= await _pack(conn, sorted(used - packed.keys()))
        packed = {version_id: packed.get(version_id, NO_CHARTS) for version_id in used}
        return await anyio.to_thread.run_sync(_lay_out, stamp, day, rows, types, packed, read)

    async def _status_of(self, conn: AsyncConnection[Any], listed: Listed) -> LifeOfFleet:
        """The life status of the cranes of a listed fleet, whatever the day of its charts."""
        today = today_in()

        async def make() -> LifeOfFleet:
            async with whole_fleet(conn):
                return await _read_status(conn, listed, today)

        async def refresh() -> LifeOfFleet:
            async with site_scope(self._pool, None) as own:
                return await _read_status(own, listed, today)

        return await self._status.read(None, (listed.stamp, today), make, refresh=refresh)


async def _read_status(conn: AsyncConnection[Any], listed: Listed, today: date) -> LifeOfFleet:
    life = await LIFE_OF_CRANES.first_async(conn)
    assert life is not None
    details = await DEFAULT_DETAILS.all_async(conn)
    states = await service_states(conn, today=today)
    since = today - timedelta(days=FINDINGS_OF_DAYS - 1)
    found = await findings.findings(conn, None, since, today, rows=_MOST_FINDINGS)
    return await anyio.to_thread.run_sync(
        life_status_of, listed.rows, listed.index, life, details, states, found, today
    )


async def _pack(conn: AsyncConnection[Any], version_ids: list[int]) -> dict[int, Packed]:
    """Packs versions, one batch in a thread while the database makes the next."""
    found: dict[int, Packed] = {}
    packing: asyncio.Task[dict[int, Packed]] | None = None
    for start in range(0, len(version_ids), _VERSIONS_AT_ONCE):
        rows = await charts.VERSION_CHARTS.all_async(
            conn, version_ids=version_ids[start : start + _VERSIONS_AT_ONCE]
        )
        if packing is not None:
            found |= await packing
        packing = asyncio.create_task(anyio.to_thread.run_sync(_packed, rows))
    return found if packing is None else found | await packing


def _lay_out(
    stamp: str,
    day: date,
    rows: list[ListedCrane],
    types: list[TypeRow],
    packed: dict[int, Packed],
    read: dict[int, CraneType],
) -> Listed:
    """Takes CPU time, some tenths of a second for 10 000 cranes: run it in a thread. `read`: types that were, they never change."""
    known = {row.spec_id: read.get(row.spec_id) or CraneType.model_validate(row.spec) for row in types}
    entered = {spec_id: pack(charts_in_force(one.charts, day)) for spec_id, one in known.items()}
    limits = np.array([design_figures(row.design) for row in rows], float).reshape(-1, 2)
    return Listed(
        stamp=stamp,
        day=day,
        rows=tuple(rows),
        types=known,
        packed=packed,
        fleet=fleet.lay_out(
            [known[row.spec_id] for row in rows],
            [entered[row.spec_id] if row.version_id is None else packed[row.version_id] for row in rows],
            wind_limit_m_s=[row.wind_limit_m_s for row in rows],
            slope_limit_deg=[row.slope_limit_deg for row in rows],
        ),
        design_lifts=limits[:, 0],
        design_kq=limits[:, 1],
        prior_duty=np.array([row.prior_duty for row in rows], np.bool_),
        latitude_deg=numbers([row.latitude_deg for row in rows]),
        longitude_deg=numbers([row.longitude_deg for row in rows]),
        index={row.name: index for index, row in enumerate(rows)},
        sites=np.array([row.site for row in rows], np.str_),
        zones=np.array([row.time_zone for row in rows], np.str_),
    )


def _situation(
    fleets: list[Listed],
    starts_at: datetime,
    ends_at: datetime,
    asked_at: datetime,
    status: LifeOfFleet,
    faults: dict[int, tuple[str, ...]],
) -> Situation:
    """What holds on the local days of a time; the end itself is free again."""
    rows = fleets[0].rows
    last_moment = max(starts_at, ends_at - timedelta(microseconds=1))
    zones = {name: ZoneInfo(name) for name in {row.time_zone for row in rows}}
    days = {
        name: (starts_at.astimezone(zone).date(), last_moment.astimezone(zone).date())
        for name, zone in zones.items()
    }
    kept, holds = [], []
    for one, end in zip(fleets, [*(later.day for later in fleets[1:]), date.max], strict=True):
        by_zone = {zone: one.day <= last and end > first for zone, (first, last) in days.items()}
        if any(by_zone.values()) or not rows:
            kept.append(one)
            holds.append(
                np.ones(len(rows), np.bool_)
                if all(by_zone.values())
                else np.isin(one.zones, [zone for zone, there in by_zone.items() if there])
            )
    return Situation(
        fleets=tuple(kept),
        holds=tuple(holds),
        local_days=days,
        asked_at=asked_at,
        status=status,
        faults=faults,
        held={},
    )


def _packed(rows: list[VersionCharts]) -> dict[int, Packed]:
    """Versions by number. One that breaks the rules of a load chart is told in the log and has no charts."""
    plain = [PlainCharts(*(orjson.loads(getattr(row, name)) for name in PlainCharts._fields)) for row in rows]
    found: dict[int, Packed] = {}
    for row, one in zip(rows, pack_stored(plain), strict=True):
        if one is None:
            _LOG.error("chart version is unsound and taken as empty", version_id=row.version_id)
        found[row.version_id] = NO_CHARTS if one is None else one
    return found
