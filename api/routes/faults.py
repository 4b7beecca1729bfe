"""Faults: episodes with what the crane was doing, Pareto lists, their company with overloads, the catalogue of codes."""

from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Final

from anyio import to_thread
from fastapi import APIRouter, Query

from answers.near_limit import confident
from api.bounds import LIST_RANGE_MAX, DayFrom, DayTo, TimeFrom, TimeTo, day_range, time_range
from api.deps import Caller, Conn, SeenCrane
from api.permissions import ENGINEER_OF_ALL_SITES, VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.channels import Mode
from domain.errors import InvalidInput, NotFound
from domain.fault_answers import (
    CodeRow,
    CraneFaultsRow,
    FaultEpisodeRow,
    FaultPareto,
    FaultsAndOverloadsAnswer,
    StatusCodeRow,
    StatusCodesAsked,
    StatusCodesImported,
)
from domain.messages import CRANE_NAME_PATTERN
from duty import rates
from duty.association import FEWEST_DAYS, Association, faults_with_overloads
from duty.status_csv import CatalogueFile, read_codes
from store import faults, reading
from store.faults import CraneFaults, FaultEpisode

router = APIRouter(tags=["records"])
listed = APIRouter(tags=["records"], route_class=TableRoute)

TOLD_PROBLEMS: Final = 10
RepeatDays = Annotated[
    int, Query(ge=1, le=366, description="a code that comes again within so many days is a repeat")
]
OneCrane = Annotated[
    str | None, Query(alias="crane", pattern=CRANE_NAME_PATTERN, description="of this crane alone")
]


@listed.get("/cranes/{name}/fault-episodes", dependencies=[VIEWER])
async def list_fault_episodes(
    crane: SeenCrane, conn: Conn, time_from: TimeFrom, time_to: TimeTo, repeat_days: RepeatDays = 7
) -> Page[FaultEpisodeRow]:
    """Faults of a crane from raised to cleared that touch a range, open ones first, with what it was doing."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    rows = await faults.fault_episodes(conn, crane.name, span.start, span.end, repeat_days=repeat_days)
    now = datetime.now(UTC)
    return Page(items=tuple(episode_row(row, now) for row in rows))


@router.get("/faults/pareto", dependencies=[VIEWER])
async def show_fault_pareto(
    conn: Conn,
    caller: Caller,
    time_from: TimeFrom,
    time_to: TimeTo,
    crane: OneCrane = None,
    repeat_days: RepeatDays = 7,
) -> FaultPareto:
    """Faults raised in a range by code and by crane, most first, with repeats and working hours between."""
    span = time_range(time_from, time_to, LIST_RANGE_MAX)
    codes = await faults.fault_pareto(
        conn, span.start, span.end, crane=crane, sites=caller.site_list, repeat_days=repeat_days
    )
    by_crane = await faults.fault_pareto_by_crane(conn, span.start, span.end, sites=caller.site_list)
    return FaultPareto(
        time_from=span.start,
        time_to=span.end,
        repeat_days=repeat_days,
        codes=tuple(CodeRow.model_validate(row, from_attributes=True) for row in codes),
        cranes=tuple(crane_row(row) for row in by_crane if crane in (None, row.crane)),
    )


@router.get("/faults/overloads", dependencies=[VIEWER])
async def show_faults_and_overloads(
    conn: Conn, caller: Caller, crane: OneCrane = None, day_from: DayFrom = None, day_to: DayTo = None
) -> FaultsAndOverloadsAnswer:
    """Whether faults come on days with overloads, with the uncertainty of that; last 365 days by default."""
    chosen = day_range(day_from, day_to, default_days=365, zone="UTC")
    if crane is not None and await reading.crane_in_scope(conn, crane, caller.site_list) is None:
        raise NotFound(f"no crane that you may see is named {crane!r}: see the list of cranes")
    rows = await faults.faults_and_overloads(
        conn, chosen.first, chosen.last, crane=crane, sites=caller.site_list
    )
    found = await to_thread.run_sync(
        faults_with_overloads,
        [row.faults for row in rows],
        [row.limiter_events + (row.over_limit_ms > 0) for row in rows],
    )
    return association_answer(found, chosen.first, chosen.last, crane)


@listed.get("/status-codes", dependencies=[VIEWER])
async def list_status_codes(conn: Conn) -> Page[StatusCodeRow]:
    """The catalogue of status codes that was imported."""
    rows = await faults.status_codes(conn)
    return Page(items=tuple(StatusCodeRow.model_validate(row, from_attributes=True) for row in rows))


@router.post("/status-codes", dependencies=[ENGINEER_OF_ALL_SITES])
async def import_status_codes(asked: StatusCodesAsked, conn: Conn) -> StatusCodesImported:
    """Enter a catalogue of status codes, replacing codes that stand in it. With a problem in any line nothing is kept."""
    found = await to_thread.run_sync(read_codes, asked.csv)
    refuse_problems(found)
    if not asked.check_only:
        async with conn.transaction():
            await faults.import_status_codes(conn, found.codes, source=asked.source, type=asked.type)
    return StatusCodesImported(codes=len(found.codes), stored=not asked.check_only)


def refuse_problems(found: CatalogueFile) -> None:
    """Raise InvalidInput with the first problems of a file and their lines, if there is any."""
    if not found.problems:
        return
    told = "; ".join(
        f"line {problem.line}: {problem.text}" if problem.line else problem.text
        for problem in found.problems[:TOLD_PROBLEMS]
    )
    more = len(found.problems) - TOLD_PROBLEMS
    raise InvalidInput(told + (f"; and {more} more" if more > 0 else ""), field="csv")


def episode_row(row: FaultEpisode, now: datetime) -> FaultEpisodeRow:
    """One episode with its age and the word for its mode."""
    known = {name: getattr(row, name) for name in FaultEpisodeRow.model_fields if hasattr(row, name)}
    return FaultEpisodeRow(
        **{
            **known,
            "mode": None if row.mode is None else Mode(int(row.mode)).name.lower(),
            "open_s": max(((row.cleared_at or now) - row.raised_at) / timedelta(seconds=1), 0.0),
        }
    )


def crane_row(row: CraneFaults) -> CraneFaultsRow:
    """One crane with its rate and the working hours between its faults."""
    return CraneFaultsRow(
        crane=row.crane,
        count=row.count,
        codes=row.codes,
        open=row.open,
        working_hours=row.working_hours,
        per_hour=confident(rates.rate(row.count, row.working_hours)),
        hours_between=row.working_hours / row.count if row.count else None,
    )


def association_answer(
    found: Association, first: date, last: date, crane: str | None
) -> FaultsAndOverloadsAnswer:
    """The association with a sentence that says no more than it allows."""
    days = found.days_with + found.days_without
    if not found.enough:
        words = f"{days} crane-days are too few to tell: {FEWEST_DAYS} are needed, some with an overload, some without, and a fault."
    elif found.low > 1:
        words = (
            f"Faults came more often on days with an overload: the odds are {found.odds_ratio:.1f} times as high, "
            f"{found.low:.1f} to {found.high:.1f} with 95 % confidence, over {days} crane-days."
        )
    elif found.high < 1:
        words = (
            f"Faults came less often on days with an overload: the odds are {found.odds_ratio:.2f} times as high, "
            f"{found.low:.2f} to {found.high:.2f} with 95 % confidence, over {days} crane-days."
        )
    else:
        words = (
            f"No connection can be told over {days} crane-days: the odds may be {found.low:.2f} to {found.high:.1f} "
            "times as high on days with an overload."
        )
    return FaultsAndOverloadsAnswer(
        day_from=first,
        day_to=last,
        crane=crane,
        odds_ratio=found.odds_ratio,
        low=found.low,
        high=found.high,
        p_value=found.p_value,
        days_with=found.days_with,
        days_without=found.days_without,
        enough=found.enough,
        sentence=words,
    )
