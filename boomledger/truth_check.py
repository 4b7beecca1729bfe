"""Compares what the api answers with what the simulator knows to be true. Asks over http, like any client."""

from collections import Counter
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, TypeVar

import numpy as np

from dashboard.client import Client
from domain.answers import EventRow, Page
from domain.crane import Sector, Spread
from domain.dispatch_answers import DispatchQuestion
from domain.fleet_answers import FleetAnswer, FleetRow
from domain.messages import EventKind
from domain.units import MS_PER_DAY
from simulator.record import DayRecord, utc_of
from simulator.yard import Expectation, Yard, YardCrane

Row = TypeVar("Row")
LIFTS_TOLERANCE: Final = 0.01
YEARS_MS: Final = 10 * 365 * MS_PER_DAY
JOBS: Final = (
    DispatchQuestion(
        mass_kg=900,
        rigging_kg=40,
        outreach_m=9.0,
        sector=Sector.SIDE,
        spread_left=Spread.FULL,
        spread_right=Spread.FULL,
    ),
    DispatchQuestion(
        mass_kg=2600,
        rigging_kg=80,
        outreach_m=6.0,
        sector=Sector.REAR,
        spread_left=Spread.FULL,
        spread_right=Spread.FULL,
    ),
    DispatchQuestion(
        mass_kg=600,
        rigging_kg=25,
        outreach_m=11.0,
        sector=Sector.RIGHT,
        spread_left=Spread.PART,
        spread_right=Spread.FULL,
    ),
)


@dataclass(frozen=True, kw_only=True)
class Check:
    """One comparison: what is true, what was answered."""

    what: str
    true: str
    found: str
    passed: bool


@dataclass(frozen=True, kw_only=True)
class CraneTruth:
    """What is true about one crane over all its records."""

    crane: str
    samples: int
    lifts: int
    cube_sum: float  # of the lifts' peak structural shares
    near_limit_share: float
    stops_ms: tuple[int, ...]
    overrides_ms: tuple[int, ...]


def truth_of(crane: str, records: Sequence[DayRecord]) -> CraneTruth:
    """Sum the truth of one crane's days."""
    mine = [record.truth for record in records if record.crane == crane]
    load_s = sum(truth.load_s for truth in mine)
    return CraneTruth(
        crane=crane,
        samples=sum(truth.samples for truth in mine),
        lifts=sum(len(truth.lifts) for truth in mine),
        cube_sum=sum((lift.peak_structural_pct / 100) ** 3 for truth in mine for lift in truth.lifts),
        near_limit_share=sum(truth.near_limit_s for truth in mine) / load_s if load_s else 0.0,
        stops_ms=tuple(int(at) for truth in mine for at in truth.limiter_stops_ms),
        overrides_ms=tuple(int(at) for truth in mine for at in truth.limiter_overrides_ms),
    )


async def compare(
    client: Client, yard: Yard, cases: Yard, records: Sequence[DayRecord], first: date, last: date
) -> list[Check]:
    """Every comparison between the answers of the api and the truth of the records.

    yard: cranes with healthy sensors and clocks. cases: cranes on which something is wrong, and which say how near to the truth
    their figures come all the same.
    """
    truths = [truth_of(crane.name, records) for crane in yard.cranes]
    fleet = await client.fleet(day_from=first, day_to=last)
    rows = {row.crane: row for row in fleet.rows}
    checks = [check for truth in truths for check in await _crane_checks(client, truth, rows, first, last)]
    checks.append(_ranking_check(truths, fleet))
    for case in {crane.name: crane for crane in cases.cranes}.values():
        checks += await _case_checks(client, case, truth_of(case.name, records), first, last)
    aside = await _all(client.quarantine)
    checks.append(_equal("messages set aside", sum(map(refused, records)), len(aside)))
    return checks + [await _dispatch_check(client, yard, job) for job in JOBS]


async def _crane_checks(
    client: Client, truth: CraneTruth, rows: dict[str, FleetRow], first: date, last: date
) -> list[Check]:
    name = truth.crane
    codes = await _finding_codes(client, name, first, last)
    spectrum = await client.spectrum(name, day_from=first, day_to=last)
    lifts = rows[name].lifts if name in rows else 0
    start = datetime.combine(first, time(), UTC) - timedelta(days=1)
    end = datetime.combine(last, time(), UTC) + timedelta(days=2)
    kinds = (EventKind.LIMITER_STOP, EventKind.LIMITER_OVERRIDE)
    events = await _all(client.events, start, end, crane=name, kinds=kinds)
    return [
        _equal(f"{name}: samples", truth.samples, spectrum.samples),
        _near(f"{name}: lifts", truth.lifts, lifts, LIFTS_TOLERANCE),
        _moments(f"{name}: limiter stops", truth.stops_ms, events, EventKind.LIMITER_STOP),
        _moments(f"{name}: limiter overrides", truth.overrides_ms, events, EventKind.LIMITER_OVERRIDE),
        Check(what=f"{name}: findings", true="none", found=" ".join(codes) or "none", passed=not codes),
    ]


async def _case_checks(
    client: Client, case: YardCrane, truth: CraneTruth, first: date, last: date
) -> list[Check]:
    """What must hold of a crane on which something is wrong: lifts and sum of cubes as near as it says, and that it is found."""
    expected = case.expected or Expectation()
    spectrum = await client.spectrum(case.name, day_from=first, day_to=last)
    cube_sum = spectrum.lifts * (spectrum.kq or 0.0)
    checks = []
    if expected.lifts is not None:
        checks.append(_near(f"{case.name}: lifts", truth.lifts, spectrum.lifts, expected.lifts, least=1))
    if expected.cube_sum is not None:
        checks.append(_near(f"{case.name}: sum of cubes", truth.cube_sum, cube_sum, expected.cube_sum))
    if expected.findings:
        codes = await _finding_codes(client, case.name, first, last)
        checks.append(
            Check(
                what=f"{case.name}: findings",
                true=" ".join(expected.findings),
                found=" ".join(codes) or "none",
                passed=set(expected.findings) <= set(codes),
            )
        )
    return checks


async def _finding_codes(client: Client, crane: str, first: date, last: date) -> list[str]:
    """Codes of what is found wrong with a crane in the period, and in the last weeks, when its messages came."""
    pages = [await client.findings(crane, day_from=first, day_to=last), await client.findings(crane)]
    return sorted({row.code.value for page in pages for row in page.items})


def refused(record: DayRecord) -> int:
    """Messages that no receiver takes, because they come from a future that is years away."""
    ahead_ms = record.offset_ms(np.concatenate([record.batches.seq, [event.seq for event in record.events]]))
    return int(np.count_nonzero(ahead_ms > YEARS_MS))


async def _all(ask: Callable[..., Awaitable[Page[Row]]], *what: Any, **of: Any) -> list[Row]:
    """Every row of a list of the api, page by page."""
    page = await ask(*what, **of)
    rows = list(page.items)
    while page.next_cursor is not None:
        page = await ask(*what, **of, cursor=page.next_cursor)
        rows += page.items
    return rows


def _equal(what: str, true: int, found: int) -> Check:
    return Check(what=what, true=str(true), found=str(found), passed=true == found)


def _near(what: str, true: float, found: float, share: float, least: float = 0.0) -> Check:
    """A figure within a share of what is true; `least` is allowed however small that is."""
    return Check(
        what=f"{what} (within {share:.0%})",
        true=f"{true:.6g}",
        found=f"{found:.6g}",
        passed=abs(found - true) <= max(share * true, least),
    )


def _moments(what: str, true_ms: Sequence[int], events: Sequence[EventRow], kind: EventKind) -> Check:
    """The same moments, each as often as it happened."""
    true = Counter(utc_of(at) for at in true_ms)
    found = Counter(event.at for event in events if event.kind == kind)
    return Check(
        what=what, true=str(true.total()), found=f"{(true & found).total()} of them", passed=true == found
    )


def _ranking_check(truths: Sequence[CraneTruth], fleet: FleetAnswer) -> Check:
    true = [truth.crane for truth in sorted(truths, key=lambda truth: -truth.near_limit_share)]
    known = set(true)
    found = [row.crane for row in fleet.rows if row.crane in known]
    return Check(
        what="order by near-limit share",
        true=" ".join(_numbers(true)),
        found=" ".join(_numbers(found)),
        passed=true == found,
    )


def _numbers(names: Sequence[str]) -> Iterator[str]:
    return (name.rpartition("-")[2] for name in names)


async def _dispatch_check(client: Client, yard: Yard, job: DispatchQuestion) -> Check:
    """The fit cranes with their rated capacity, read from the yard's own charts point by point."""
    true = {crane.name: kg for crane in yard.cranes if (kg := _capacity(crane, job)) is not None}
    answer = await client.dispatch(job)
    ours = {crane.name for crane in yard.cranes}
    found = {row.crane: row.capacity_kg for row in answer.candidates if row.fit and row.crane in ours}
    return Check(
        what=f"dispatch {job.mass_kg:g} kg at {job.outreach_m:g} m",
        true=f"{len(true)} fit",
        found=f"{len(found)} fit, {sum(found.get(name) == kg for name, kg in true.items())} capacities equal",
        passed=true == found,
    )


def _capacity(crane: YardCrane, job: DispatchQuestion) -> float | None:
    """Rated capacity at the next larger outreach of the chart; None where the job is above the planning limit."""
    asked = job.spread_left, job.spread_right, job.sector
    charts = (
        one for one in crane.crane.type.charts if (one.spread_left, one.spread_right, one.sector) == asked
    )
    chart = next(charts, None)
    if chart is None or job.outreach_m < chart.points[0].outreach_m:
        return None
    beyond = [point.capacity_kg for point in chart.points if point.outreach_m >= job.outreach_m]
    if not beyond or job.hook_load_kg > beyond[0] * job.planning_limit_pct / 100:
        return None
    return beyond[0]
