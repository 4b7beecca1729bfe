"""The fleet at a glance: one row a crane, worst near-limit share first."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Final

from anyio import to_thread
from fastapi import APIRouter, Depends, Query, Request
from psycopg import AsyncConnection

from api.bounds import DayFrom, DayRange, DayTo, day_range
from api.deps import Caller, Conn
from api.near_limit import confident
from api.tables import TableRoute
from api.upkeep import DueBook, get_due_book
from domain.fleet_answers import FleetAnswer, FleetRow, FleetWeeksAnswer, FleetWeeksRow
from domain.messages import CraneName
from duty import rates
from duty.details import COMPARISON
from duty.levels import NEAR_LIMIT_PCT
from duty.life import calendar_assessment
from store import reading, summary
from store.summary import FleetPeriod

router = APIRouter(tags=["fleet"], route_class=TableRoute)
KEPT_S: Final = 2.0
FleetKey = tuple[tuple[str, ...] | None, date, date]


class FleetAnswers:
    """Answers of the last moments: fifty people who look at one fleet cost no more than one.

    A key holds the sites in sight, so nobody gets what was read for another's sight.
    """

    def __init__(self) -> None:
        self._found: dict[FleetKey, tuple[float, FleetAnswer]] = {}
        self._locks: dict[FleetKey, asyncio.Lock] = {}

    async def read(self, key: FleetKey, make: Callable[[], Awaitable[FleetAnswer]]) -> FleetAnswer:
        """The answer of a key, made anew when it is older than KEPT_S."""
        clock = asyncio.get_running_loop().time
        async with self._locks.setdefault(key, asyncio.Lock()):
            made_at, found = self._found.get(key, (float("-inf"), None))
            if found is None or clock() - made_at > KEPT_S:
                found = await make()
                self._found[key] = (clock(), found)
        for old in [one for one, (at, _) in self._found.items() if clock() - at > 10 * KEPT_S]:
            del self._found[old]
            self._locks.pop(old, None)
        return found


async def get_answers(request: Request) -> FleetAnswers:
    """Those of this api."""
    found: FleetAnswers = request.app.state.fleet_answers
    return found


@router.get("/fleet")
async def show_fleet(
    conn: Conn,
    caller: Caller,
    due_book: Annotated[DueBook, Depends(get_due_book)],
    answers: Annotated[FleetAnswers, Depends(get_answers)],
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
) -> FleetAnswer:
    """Every crane in your sight over whole local days: who runs near the limit, and what stands out."""
    span = day_range(day_from, day_to, default_days=days, zone="UTC")
    key = (caller.sites, span.first, span.last)
    return await answers.read(key, lambda: fleet_answer(conn, caller.site_list, span, due_book))


async def fleet_answer(
    conn: AsyncConnection[Any], sites: list[str] | None, span: DayRange, due_book: DueBook
) -> FleetAnswer:
    """Every crane of some sites over whole local days."""
    rows = await summary.fleet_period(conn, day_from=span.first, day_to=span.last, sites=sites)
    due = await due_book.read(conn)
    start = datetime.combine(span.first, datetime.min.time(), UTC)
    end = datetime.combine(span.last, datetime.min.time(), UTC) + timedelta(days=1)
    quarantined = await reading.quarantined_count(conn, sites, start, end)
    listed = await to_thread.run_sync(_listed, rows, due, datetime.now(UTC))
    return FleetAnswer(
        day_from=span.first,
        day_to=span.last,
        near_limit_from_pct=NEAR_LIMIT_PCT,
        rows=tuple(listed),
        quarantined=quarantined,
    )


def _listed(rows: Sequence[FleetPeriod], due: Mapping[str, date], now: datetime) -> list[FleetRow]:
    listed = [fleet_row(row, now, due.get(row.crane)) for row in rows]
    listed.sort(key=lambda row: (-(row.near_limit_pct if row.near_limit_pct is not None else -1), row.crane))
    return listed


@router.get("/fleet/weeks")
async def show_fleet_weeks(
    conn: Conn,
    caller: Caller,
    weeks: Annotated[int, Query(ge=2, le=104, description="ISO weeks, the last one with day_to in it")] = 13,
    day_to: DayTo = None,
    crane: Annotated[
        list[CraneName] | None,
        Query(max_length=200, description="these cranes only; every one where left out"),
    ] = None,
) -> FleetWeeksAnswer:
    """How the near-limit share of every crane in your sight went, week by week, up to the running week."""
    today = day_range(None, day_to, default_days=1, zone="UTC").last
    monday = today - timedelta(days=today.weekday())
    mondays = tuple(monday - timedelta(weeks=back) for back in reversed(range(weeks)))
    found = await summary.fleet_weeks(
        conn,
        day_from=mondays[0],
        day_to=monday + timedelta(days=6),
        sites=caller.site_list,
        cranes=crane,
    )
    shares: dict[str, dict[date, float | None]] = {}
    for one in found:
        shares.setdefault(one.crane, {})[one.week] = share_pct(one.near_limit_ms, one.loaded_ms)
    rows = (
        FleetWeeksRow(crane=crane, near_limit_pct=tuple(by_week.get(day) for day in mondays))
        for crane, by_week in shares.items()
    )
    return FleetWeeksAnswer(weeks=mondays, near_limit_from_pct=NEAR_LIMIT_PCT, rows=tuple(rows))


def fleet_row(row: FleetPeriod, now: datetime, service_due_on: date | None = None) -> FleetRow:
    """One crane of the fleet at a glance. Data that came late may be newer than any live reading, or the only data."""
    working_hours = row.period_working_ms / 3_600_000
    newest = max((at for at in (row.live_at, row.last_at) if at is not None), default=None)
    return FleetRow(
        crane=row.crane,
        title=row.title,
        type=row.type,
        site=row.site,
        draft=row.draft,
        online=row.online,
        last_at=newest,
        age_s=None if newest is None else (now - newest).total_seconds(),
        utilisation_pct=(row.last_values or {}).get("utilisation_pct"),
        recorded_s=row.period_recorded_ms / 1000,
        working_s=row.period_working_ms / 1000,
        loaded_s=row.period_loaded_ms / 1000,
        near_limit_s=row.period_near_limit_ms / 1000,
        near_limit_pct=share_pct(row.period_near_limit_ms, row.period_loaded_ms),
        near_limit_pct_before=share_pct(row.before_near_limit_ms, row.before_loaded_ms),
        emergency_s=row.period_emergency_ms / 1000,
        limiter_stops=row.period_limiter_stops,
        limiter_overrides=row.period_limiter_overrides,
        warnings=row.period_warnings,
        faults=row.period_faults,
        lifts=row.period_lifts,
        near_limit_lifts=row.period_near_limit_lifts,
        near_limit_lifts_share=confident(rates.share(row.period_near_limit_lifts, row.period_lifts)),
        limiter_stops_per_hour=confident(rates.rate(row.period_limiter_stops, working_hours)),
        limiter_overrides_per_hour=confident(rates.rate(row.period_limiter_overrides, working_hours)),
        used_share=row.used_share,
        spent_on=row.forecast_middle_on,
        damage=row.damage,
        damage_detail=row.detail_name,
        damage_assumed=row.detail_name == COMPARISON.name,
        open_faults=row.open_faults,
        service_due_on=service_due_on,
        assessment_by_calendar_on=None
        if row.commissioned_on is None
        else calendar_assessment(row.commissioned_on, row.special_assessment_after_years),
        counted_at=row.counted_at,
    )


def share_pct(part: float, whole: float) -> float | None:
    """Part of a whole in percent; None of nothing."""
    return 100 * part / whole if whole > 0 else None
