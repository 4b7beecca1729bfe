"""The fleet at a glance: one row a crane, worst near-limit share first; and week by week."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, Self

from anyio import to_thread
from psycopg import AsyncConnection

from answers.cache import Cache
from answers.near_limit import confident
from answers.service import earliest_due
from domain.fleet_answers import Confident, FleetAnswer, FleetRow, FleetWeeksAnswer, FleetWeeksRow
from domain.moments import FURTHEST_EAST, DayRange, now_utc, today_in
from domain.overload import OverloadCount
from domain.units import ms_to_h, ms_to_s
from duty import rates
from duty.assessment import Assessment, By, by_entries
from duty.damage import COMPARISON
from duty.levels import NEAR_LIMIT_PCT
from store import findings, overloads, reading, summary
from store.service import service_states
from store.site_scope import whole_fleet
from store.statement import Sites
from store.summary import FleetCrane, FleetPeriod
from words.remarks import kept, text
from words.texts import cautions

LIVE_S: Final = 2.0
DUE_S: Final = 60.0
_ANSWERS_KEPT: Final = 64
_PERIODS_KEPT: Final = 4
_AS_IN_STORE: Final = FleetRow.model_fields.keys() & {one.name for one in fields(FleetCrane)}
_AS_SUMMED: Final = FleetRow.model_fields.keys() & {one.name for one in fields(FleetPeriod)} - _AS_IN_STORE


@dataclass(frozen=True)
class Made:
    """An answer, and its JSON."""

    answer: FleetAnswer
    json: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class PeriodFigures:
    """Figures of one crane in a period with their confidence."""

    sums: FleetPeriod
    near_limit_lifts_share: Confident
    limiter_stops_per_hour: Confident
    limiter_overrides_per_hour: Confident

    @classmethod
    def of(cls, sums: FleetPeriod) -> Self:
        """With the confidence worked out."""
        hours = ms_to_h(sums.working_ms)
        return cls(
            sums=sums,
            near_limit_lifts_share=confident(rates.share(sums.near_limit_lifts, sums.lifts)),
            limiter_stops_per_hour=confident(rates.rate(sums.limiter_stops, hours)),
            limiter_overrides_per_hour=confident(rates.rate(sums.limiter_overrides, hours)),
        )


class FleetAtAGlance:
    """Answers about the fleet, kept between questions (`cache`): fifty people who look at one fleet cost no more than one."""

    def __init__(self) -> None:
        self.answers: Cache[tuple[tuple[str, ...] | None, DayRange, bool], Made] = Cache(
            _ANSWERS_KEPT, fresh_s=LIVE_S
        )
        self._periods: Cache[DayRange, dict[int, PeriodFigures]] = Cache(_PERIODS_KEPT)
        self._due: Cache[None, dict[str, date]] = Cache(1, fresh_s=DUE_S)

    async def read(
        self,
        conn: AsyncConnection[Any],
        sites: tuple[str, ...] | None,
        span: DayRange,
        *,
        rates: bool = True,
    ) -> Made:
        """Every crane of some sites (None: of all) over whole local days, with or without the rates that carry an interval."""

        async def make() -> Made:
            answer = await self._answer(conn, None if sites is None else list(sites), span, rates)
            return Made(answer, await to_thread.run_sync(answer.__pydantic_serializer__.to_json, answer))

        return await self.answers.read((sites, span, rates), None, make)

    async def _answer(
        self, conn: AsyncConnection[Any], sites: Sites, span: DayRange, rates: bool
    ) -> FleetAnswer:
        cranes = await summary.fleet_cranes(conn, sites)
        figures = await self.figures(conn, cranes, span)
        due = await self._due_days(conn)
        start = datetime.combine(span.first, datetime.min.time(), UTC)
        end = datetime.combine(span.last, datetime.min.time(), UTC) + timedelta(days=1)
        quarantined = await reading.quarantined_count(conn, sites, start, end)
        # Of a site east of Greenwich the day of today may have begun that of UTC has not.
        last = today_in(FURTHEST_EAST) if span.last == today_in() else span.last
        found = await findings.counts(conn, sites, span.first, last)
        over = await overloads.counts(conn, sites=sites)

        def rows() -> tuple[FleetRow, ...]:
            now = now_utc()
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
            listed.sort(
                key=lambda row: (-(-1 if row.near_limit_pct is None else row.near_limit_pct), row.crane)
            )
            return tuple(listed)

        return FleetAnswer(
            cautions=cautions("duty"),
            day_from=span.first,
            day_to=span.last,
            near_limit_from_pct=NEAR_LIMIT_PCT,
            rows=await to_thread.run_sync(rows),
            quarantined=quarantined,
        )

    async def figures(
        self, conn: AsyncConnection[Any], cranes: Sequence[FleetCrane], span: DayRange
    ) -> Mapping[int, PeriodFigures]:
        """Figures over whole local days by number of the crane, zeros where nothing was counted; what was counted anew is summed again."""
        counts = {one.crane_id: (one.counting_id, one.counted_at) for one in cranes}

        async def make() -> dict[int, PeriodFigures]:
            before = self._periods.entries().get(span, {})
            kept = {key: (one.sums.counting_id, one.sums.counted_at) for key, one in before.items()}
            sums = {
                key: FleetPeriod(crane_id=key, counting_id=count[0], counted_at=count[1])
                for key, count in counts.items()
                if kept.get(key) != count
            }
            if sums:
                rows = await summary.fleet_period(conn, list(sums), day_from=span.first, day_to=span.last)
                sums |= {row.crane_id: row for row in rows}
            return before | {key: PeriodFigures.of(one) for key, one in sums.items()}

        return await self._periods.read(span, counts, make)

    async def _due_days(self, conn: AsyncConnection[Any]) -> Mapping[str, date]:
        """By crane, the first day on which a service falls due: that sums a season of use of every crane."""
        today = today_in()

        async def make() -> dict[str, date]:
            async with whole_fleet(conn):
                return earliest_due(await service_states(conn, today=today), today)

        return await self._due.read(None, today, make)


async def fleet_weeks(
    conn: AsyncConnection[Any], sites: Sites, weeks: int, last: date, cranes: list[str] | None
) -> FleetWeeksAnswer:
    """The near-limit share of the cranes of some sites, week by week, up to the ISO week with the last day in it."""
    monday = last - timedelta(days=last.weekday())
    mondays = tuple(monday - timedelta(weeks=back) for back in reversed(range(weeks)))
    found = await summary.fleet_weeks(
        conn, day_from=mondays[0], day_to=monday + timedelta(days=6), sites=sites, cranes=cranes
    )
    shares: dict[str, dict[date, float | None]] = {}
    for one in found:
        shares.setdefault(one.crane, {})[one.week] = _share_pct(one.near_limit_ms, one.loaded_ms)
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
    over: OverloadCount | None = None,
    rates: bool = True,
) -> FleetRow:
    """One crane of the fleet at a glance. Data that came late may be newer than any live reading, or the only data."""
    newest = max((at for at in (crane.live_at, crane.last_at) if at is not None), default=None)
    sums = figures.sums
    assessed = _assessment_of(crane)
    same = {name: getattr(crane, name) for name in _AS_IN_STORE}
    same |= {name: getattr(sums, name) for name in _AS_SUMMED}
    return FleetRow(
        **same
        | {
            "last_at": newest,
            "age_s": None if newest is None else (now - newest).total_seconds(),
            "recorded_s": ms_to_s(sums.recorded_ms),
            "working_s": ms_to_s(sums.working_ms),
            "loaded_s": ms_to_s(sums.loaded_ms),
            "near_limit_s": ms_to_s(sums.near_limit_ms),
            "near_limit_pct": _share_pct(sums.near_limit_ms, sums.loaded_ms),
            "near_limit_pct_before": _share_pct(sums.before_near_limit_ms, sums.before_loaded_ms),
            "emergency_s": ms_to_s(sums.emergency_ms),
            "findings": findings,
            "overloads": over.entries if over else 0,
            "open_overloads": over.open if over else 0,
            "near_limit_lifts_share": figures.near_limit_lifts_share if rates else None,
            "limiter_stops_per_hour": figures.limiter_stops_per_hour if rates else None,
            "limiter_overrides_per_hour": figures.limiter_overrides_per_hour if rates else None,
            "unknown_years": crane.unknown_years or 0.0,
            "spent_on": crane.forecast_middle_on,
            "damage_allowed": crane.allowed_sum,
            "damage_beyond": crane.damage_beyond or 0,
            "damage_detail": crane.detail_name,
            "damage_assumed": crane.detail_name == COMPARISON.name,
            "service_due_on": service_due_on,
            "assessment_on": assessed.on,
            "assessment_by": assessed.by,
            "assessment_reason": text(assessed.reason),
        }
    )


def _assessment_of(crane: FleetCrane) -> Assessment:
    """When the special assessment is due: as judged with what was counted, by the entries alone before any count."""
    if crane.assessment_on is not None:
        return Assessment(
            crane.assessment_on, By(crane.assessment_by or By.AGE), kept(crane.assessment_reason)
        )
    return by_entries(crane.entries or {})


def _share_pct(part: float, whole: float) -> float | None:
    """Part of a whole in percent; None of nothing."""
    return 100 * part / whole if whole > 0 else None
