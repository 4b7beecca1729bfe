"""The fleet at a glance: one row a crane, worst near-limit share first."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Final

from anyio import to_thread
from fastapi import APIRouter, Depends, Query, Request, Response
from psycopg import AsyncConnection

from answers.service import DueBook
from api.bounds import DayFrom, DayTo, day_range
from api.deps import Caller, Conn, Dues
from api.fleet_periods import FleetPeriods, PeriodFigures
from api.permissions import VIEWER
from api.stages import entity_tag
from api.tables import TableRoute
from domain.fleet_answers import FleetAnswer, FleetRow, FleetWeeksAnswer, FleetWeeksRow
from domain.messages import CraneName
from domain.moments import DayRange
from domain.units import ms_to_s
from duty.assessment import Assessment, By, by_entries
from duty.details import COMPARISON
from duty.levels import NEAR_LIMIT_PCT
from store import findings, overloads, reading, summary
from store.access import Principal
from store.overloads import OverloadCounts
from store.summary import FleetCrane

router = APIRouter(tags=["fleet"], route_class=TableRoute)
KEPT_S: Final = 2.0
FleetKey = tuple[tuple[str, ...] | None, date, date, bool]


@dataclass(frozen=True)
class Made:
    """An answer, and the response that it makes."""

    at_s: float
    answer: FleetAnswer
    body: bytes
    etag: str


class FleetAnswers:
    """Answers of the last moments: fifty people who look at one fleet cost no more than one.

    A key holds the sites in scope, so nobody gets what was read for another site scope.
    """

    def __init__(self) -> None:
        self._found: dict[FleetKey, Made] = {}
        self._locks: dict[FleetKey, asyncio.Lock] = {}
        self.periods = FleetPeriods()

    async def read(self, key: FleetKey, make: Callable[[], Awaitable[FleetAnswer]]) -> Made:
        """The answer of a key, made anew when it is older than KEPT_S."""
        clock = asyncio.get_running_loop().time
        async with self._locks.setdefault(key, asyncio.Lock()):
            found = self._found.get(key)
            if found is None or clock() - found.at_s > KEPT_S:
                answer = await make()
                body = await to_thread.run_sync(answer.__pydantic_serializer__.to_json, answer)
                found = self._found[key] = Made(clock(), answer, body, entity_tag(body))
        for old in [one for one, made in self._found.items() if clock() - made.at_s > 10 * KEPT_S]:
            del self._found[old]
            self._locks.pop(old, None)
        return found


async def get_answers(request: Request) -> FleetAnswers:
    """Those of this api."""
    found: FleetAnswers = request.app.state.fleet_answers
    return found


@router.get("/fleet", dependencies=[VIEWER], response_model=FleetAnswer)
async def show_fleet(
    conn: Conn,
    caller: Caller,
    due_book: Dues,
    answers: Annotated[FleetAnswers, Depends(get_answers)],
    days: Annotated[int, Query(ge=1, le=3660, description="last days, where no first day is given")] = 30,
    day_from: DayFrom = None,
    day_to: DayTo = None,
    rates: Annotated[bool, Query(description="with the rates and shares that carry an interval")] = True,
) -> Response:
    """Every crane that you may see over whole local days: who runs near the limit, and what stands out."""
    made = await made_fleet(conn, caller, due_book, answers, days, day_from, day_to, rates=rates)
    return Response(made.body, media_type="application/json", headers={"etag": made.etag})


async def made_fleet(
    conn: AsyncConnection[Any],
    caller: Principal,
    due_book: DueBook,
    answers: FleetAnswers,
    days: int,
    day_from: date | None,
    day_to: date | None,
    *,
    rates: bool = True,
) -> Made:
    """The fleet in the site scope of who asks, at most KEPT_S old."""
    span = day_range(day_from, day_to, default_days=days, zone="UTC")
    key = (caller.sites, span.first, span.last, rates)
    return await answers.read(
        key, lambda: fleet_answer(conn, caller.site_list, span, due_book, answers.periods, rates)
    )


async def fleet_answer(
    conn: AsyncConnection[Any],
    sites: list[str] | None,
    span: DayRange,
    due_book: DueBook,
    periods: FleetPeriods,
    rates: bool,
) -> FleetAnswer:
    """Every crane of some sites over whole local days, with or without the rates that carry an interval."""
    cranes = await summary.fleet_cranes(conn, sites)
    figures = await periods.read(conn, cranes, span.first, span.last)
    due = await due_book.read(conn)
    start = datetime.combine(span.first, datetime.min.time(), UTC)
    end = datetime.combine(span.last, datetime.min.time(), UTC) + timedelta(days=1)
    quarantined = await reading.quarantined_count(conn, sites, start, end)
    found = await findings.counts(conn, sites, span.first, span.last)
    over = await overloads.counts(conn, sites=sites)
    listed = await to_thread.run_sync(_listed, cranes, figures, due, found, over, datetime.now(UTC), rates)
    return FleetAnswer(
        day_from=span.first,
        day_to=span.last,
        near_limit_from_pct=NEAR_LIMIT_PCT,
        rows=tuple(listed),
        quarantined=quarantined,
    )


def _listed(
    cranes: Sequence[FleetCrane],
    figures: Mapping[int, PeriodFigures],
    due: Mapping[str, date],
    found: Mapping[str, int],
    over: Mapping[str, OverloadCounts],
    now: datetime,
    rates: bool,
) -> list[FleetRow]:
    listed = [
        fleet_row(
            crane,
            figures[crane.crane_id],
            now,
            due.get(crane.crane),
            findings=found.get(crane.crane, 0),
            over=over.get(crane.crane),
            rates=rates,
        )
        for crane in cranes
    ]
    listed.sort(key=lambda row: (-(row.near_limit_pct if row.near_limit_pct is not None else -1), row.crane))
    return listed


@router.get("/fleet/weeks", dependencies=[VIEWER])
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
    """How the near-limit share of every crane that you may see went, week by week, up to the running week."""
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


def fleet_row(
    crane: FleetCrane,
    figures: PeriodFigures,
    now: datetime,
    service_due_on: date | None = None,
    *,
    findings: int = 0,
    over: OverloadCounts | None = None,
    rates: bool = True,
) -> FleetRow:
    """One crane of the fleet at a glance. Data that came late may be newer than any live reading, or the only data."""
    newest = max((at for at in (crane.live_at, crane.last_at) if at is not None), default=None)
    sums = figures.sums
    assessed = assessment_of(crane)
    return FleetRow(
        crane=crane.crane,
        title=crane.title,
        type=crane.type,
        site=crane.site,
        draft=crane.draft,
        online=crane.online,
        last_at=newest,
        age_s=None if newest is None else (now - newest).total_seconds(),
        utilisation_pct=crane.utilisation_pct,
        recorded_s=ms_to_s(sums.recorded_ms),
        working_s=ms_to_s(sums.working_ms),
        loaded_s=ms_to_s(sums.loaded_ms),
        near_limit_s=ms_to_s(sums.near_limit_ms),
        near_limit_pct=share_pct(sums.near_limit_ms, sums.loaded_ms),
        near_limit_pct_before=share_pct(sums.before_near_limit_ms, sums.before_loaded_ms),
        emergency_s=ms_to_s(sums.emergency_ms),
        limiter_stops=sums.limiter_stops,
        limiter_overrides=sums.limiter_overrides,
        warnings=sums.warnings,
        faults=sums.faults,
        lifts=sums.lifts,
        findings=findings,
        overloads=over.entries if over else 0,
        open_overloads=over.open if over else 0,
        near_limit_lifts=sums.near_limit_lifts,
        near_limit_lifts_share=figures.near_limit_lifts_share if rates else None,
        limiter_stops_per_hour=figures.limiter_stops_per_hour if rates else None,
        limiter_overrides_per_hour=figures.limiter_overrides_per_hour if rates else None,
        used_share=crane.used_share,
        used_share_counted=crane.used_share_counted,
        used_share_prior=crane.used_share_prior,
        used_share_unknown=crane.used_share_unknown,
        used_share_unrecorded=crane.used_share_unrecorded,
        unknown_years=crane.unknown_years or 0.0,
        spent_on=crane.forecast_middle_on,
        damage=crane.damage,
        damage_allowed=crane.allowed_sum,
        damage_beyond=crane.damage_beyond or 0,
        damage_detail=crane.detail_name,
        damage_assumed=crane.detail_name == COMPARISON.name,
        open_faults=crane.open_faults,
        service_due_on=service_due_on,
        review_at_share=crane.review_at_share,
        assessment_on=assessed.on,
        assessment_by=assessed.by,
        assessment_reason=assessed.reason,
        counted_at=crane.counted_at,
    )


def assessment_of(crane: FleetCrane) -> Assessment:
    """When the special assessment is due: as judged with what was counted, by the entries alone before any count."""
    if crane.assessment_on is not None:
        return Assessment(crane.assessment_on, By(crane.assessment_by or By.AGE), crane.assessment_reason)
    return by_entries(crane.entries or {})


def share_pct(part: float, whole: float) -> float | None:
    """Part of a whole in percent; None of nothing."""
    return 100 * part / whole if whole > 0 else None
