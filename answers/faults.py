"""Faults: episodes with what the crane was doing, Pareto lists, and their company with overloads."""

from datetime import date, datetime, timedelta
from typing import Any

from anyio import to_thread
from psycopg import AsyncConnection

from answers.near_limit import confident
from domain.answers import of_row
from domain.channels import Mode
from domain.fault_answers import (
    CraneFaultsRow,
    FaultEpisodeRow,
    FaultPareto,
    FaultsAndOverloadsAnswer,
)
from domain.moments import DayRange, TimeRange, now_utc
from domain.remark import Quantity, count
from duty import rates
from duty.faults import FEWEST_DAYS, Association, faults_with_overloads
from store import faults
from store.faults import CraneFaults, FaultEpisode
from store.statement import Sites
from words.remarks import remark
from words.texts import t


async def episodes_of(
    conn: AsyncConnection[Any], crane: str, span: TimeRange, repeat_days: int
) -> tuple[FaultEpisodeRow, ...]:
    """Faults of a crane from raised to cleared that touch a range, open ones first."""
    rows = await faults.FAULT_EPISODES.all_async(
        conn, crane=crane, time_from=span.start, time_to=span.end, repeat_days=repeat_days
    )
    now = now_utc()
    return tuple(episode_row(row, now) for row in rows)


async def fault_pareto(
    conn: AsyncConnection[Any], sites: Sites, span: TimeRange, crane: str | None, repeat_days: int
) -> FaultPareto:
    """Faults raised in a range by code and by crane, of one crane or of all at some sites."""
    asked = {"time_from": span.start, "time_to": span.end, "sites": sites}
    codes = await faults.FAULT_PARETO.all_async(conn, **asked, crane=crane, repeat_days=repeat_days)
    by_crane = await faults.FAULT_PARETO_BY_CRANE.all_async(conn, **asked)
    return FaultPareto(
        time_from=span.start,
        time_to=span.end,
        repeat_days=repeat_days,
        codes=tuple(codes),
        cranes=tuple(crane_row(row) for row in by_crane if crane in (None, row.crane)),
    )


async def faults_and_overloads(
    conn: AsyncConnection[Any], sites: Sites, chosen: DayRange, crane: str | None
) -> FaultsAndOverloadsAnswer:
    """Whether faults come on days with overloads, with the uncertainty of that."""
    rows = await faults.FAULTS_AND_OVERLOADS.all_async(
        conn, day_from=chosen.first, day_to=chosen.last, crane=crane, sites=sites
    )
    found = await to_thread.run_sync(
        faults_with_overloads,
        [row.faults for row in rows],
        [row.limiter_events + (row.over_limit_ms > 0) for row in rows],
    )
    return association_answer(found, chosen.first, chosen.last, crane)


def episode_row(row: FaultEpisode, now: datetime) -> FaultEpisodeRow:
    """One episode with its age and the word for its mode."""
    return of_row(
        FaultEpisodeRow,
        row,
        mode=None if row.mode is None else Mode(int(row.mode)).name.lower(),
        open_s=max(((row.cleared_at or now) - row.raised_at) / timedelta(seconds=1), 0.0),
    )


def crane_row(row: CraneFaults) -> CraneFaultsRow:
    """One crane with its rate and the working hours between its faults."""
    return of_row(
        CraneFaultsRow,
        row,
        per_hour=confident(rates.rate(row.count, row.working_hours)),
        hours_between=row.working_hours / row.count if row.count else None,
    )


def association_answer(
    found: Association, first: date, last: date, crane: str | None
) -> FaultsAndOverloadsAnswer:
    """The association with a remark that says no more than it allows."""
    days = count(found.days_with + found.days_without)
    if not found.enough:
        told = remark("association.too_few", days=days, least=count(FEWEST_DAYS))
    elif found.low > 1:
        told = remark(
            "association.more",
            odds=_odds(found.odds_ratio, 1),
            low=_odds(found.low, 1),
            high=_odds(found.high, 1),
            days=days,
        )
    elif found.high < 1:
        told = remark(
            "association.less",
            odds=_odds(found.odds_ratio, 2),
            low=_odds(found.low, 2),
            high=_odds(found.high, 2),
            days=days,
        )
    else:
        told = remark("association.none", low=_odds(found.low, 2), high=_odds(found.high, 1), days=days)
    return of_row(
        FaultsAndOverloadsAnswer,
        found,
        day_from=first,
        day_to=last,
        crane=crane,
        remark=told,
        caution=t("caution.association"),
    )


def _odds(ratio: float | None, decimals: int) -> Quantity:
    return Quantity(value=ratio or 0.0, unit="1", decimals=decimals)
