"""Counted duty: ways of counting, days, mergeable spans, lifts and gaps.

Ledgers come as bytes: `duty.ledger`, `duty.directions`, `duty.levels` and `duty.circumstances` read them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection

from domain.answers import Lift
from domain.maintenance import CraneDayRow, GapRow
from domain.moments import DayRange
from store.statement import Statement

FIRST_DAY: Final = date(1970, 1, 1)
LAST_DAY: Final = date(9999, 1, 1)
WHOLE_LIFE: Final = DayRange(FIRST_DAY, LAST_DAY)


@dataclass(frozen=True, kw_only=True, slots=True)
class Counting:
    """A way of counting: the settings and the version of the method."""

    counting_id: int
    settings_hash: str
    version: int
    settings: dict[str, Any]
    made_at: datetime
    in_use: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """Mergeable counts over local days first_day to last_day. `directions` is None without slew_deg."""

    first_day: date
    last_day: date
    samples: int
    ledger: bytes
    directions: bytes | None
    tallies: bytes
    circumstances: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneSpan(Span):
    """The same with the crane that they are of."""

    crane: str


class Day(CraneDayRow):
    """Figures of one local day of one crane."""

    day_start_at: datetime
    day_end_at: datetime
    peak_cubed_sum: float


class LiftRow(Lift):
    """One lift; `day` is the local day in which it began."""

    day: date


@dataclass(frozen=True, kw_only=True, slots=True)
class LiftPeak:
    """What the spectrum needs of one lift."""

    peak_structural_pct: float
    peak_utilisation_pct: float
    mass_kg: float | None
    peak_outreach_m: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class StructuralPeaks:
    """Peak structural percent of lifts in time order; None without any."""

    peaks_pct: list[float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class LiftBin:
    """Lifts of one scope (crane, type or fleet) in one step of peak structural percent."""

    scope: str
    step: int
    lifts: int
    cranes: int
    peak_cubed_sum: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WorkingTime:
    """Working time of one scope."""

    scope: str
    working_ms: int
    cranes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigurationBin:
    """Lifts of one crane in one configuration and step of peak structural percent."""

    left_spread: str
    right_spread: str
    step: int
    lifts: int
    near_limit_lifts: int
    peak_cubed_sum: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WeekUse:
    """Use in one ISO week, named by its Monday."""

    week: date
    last_day: date  # recorded
    peak_cubed_sum: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WeekRecord:
    """What is on record of one ISO week, and what is not though the crane was in use."""

    week: date  # its Monday
    peak_cubed_sum: float
    recorded_ms: int
    unrecorded_ms: int
    known_cubed_sum: float  # counted in the unrecorded time before it was excluded


@dataclass(frozen=True, kw_only=True, slots=True)
class HeavyWeek:
    """Heavy lifts in one ISO week; `peak_cubed_sum` of those that are not too heavy."""

    week: date
    lifts: int
    too_heavy: int
    peak_cubed_sum: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DaysRecorded:
    """How much of some local days was recorded; None for the days without any."""

    days: int
    first_day: date | None
    last_day: date | None
    recorded_ms: int
    spikes: int = 0
    spikes_counted: int = 0
    largest_spike_pct: float = 0.0
    days_without_pose: int = 0
    no_pose_ms: int = 0  # of the other days


COUNTING_IN_USE: Final = Statement("counting_in_use", Counting)
COUNTING_BY_HASH: Final = Statement("counting_by_hash", Counting)
SPANS_OF: Final = Statement("spans_of", Span)
SPANS_READ: Final = Statement("spans_read", CraneSpan)
LIFE_READ: Final = Statement("life_read", Span)
DAYS_READ: Final = Statement("days_read", Day)
DAYS_RECORDED: Final = Statement("days_recorded", DaysRecorded)
LIFE_RECORDED: Final = Statement("life_recorded", DaysRecorded)
LIFTS_READ: Final = Statement("lifts_read", LiftRow)
LIFT_PEAKS: Final = Statement("lift_peaks", LiftPeak)
STRUCTURAL_PEAKS: Final = Statement("structural_peaks", StructuralPeaks)
LIFT_BINS: Final = Statement("lift_bins", LiftBin)
WORKING_MS_OF: Final = Statement("working_ms_of", WorkingTime)
LIFT_CONFIGURATIONS: Final = Statement("lift_configurations", ConfigurationBin)
WEEKLY_USE: Final = Statement("weekly_use", WeekUse)
WEEKLY_RECORD: Final = Statement("weekly_record", WeekRecord)
WEEKLY_HEAVY: Final = Statement("weekly_heavy", HeavyWeek)
GAPS_READ: Final = Statement("gaps_read", GapRow)


async def spans(
    conn: AsyncConnection[Any],
    crane: str,
    day_from: date = FIRST_DAY,
    day_to: date = LAST_DAY,
    *,
    directions: bool = False,
) -> Sequence[Span]:
    """The fewest spans that cover whole local days, in time order: merge them in that order.

    Directions are large; ask for them where they are needed.
    """
    if (day_from, day_to) == (FIRST_DAY, LAST_DAY):
        return await LIFE_READ.all_async(conn, crane=crane, directions=directions)
    return await SPANS_READ.all_async(
        conn, cranes=[crane], day_from=day_from, day_to=day_to, directions=directions
    )


async def spans_of(
    conn: AsyncConnection[Any], cranes: Sequence[str], day_from: date, day_to: date
) -> list[CraneSpan]:
    """The same of several cranes, by name of the crane and time, without directions."""
    return await SPANS_READ.all_async(
        conn, cranes=list(cranes), day_from=day_from, day_to=day_to, directions=False
    )


async def days_recorded(
    conn: AsyncConnection[Any], crane: str, day_from: date = FIRST_DAY, day_to: date = LAST_DAY
) -> DaysRecorded:
    """How much of some local days was recorded, both ends included."""
    found = await DAYS_RECORDED.first_async(conn, crane=crane, day_from=day_from, day_to=day_to)
    return found or DaysRecorded(days=0, first_day=None, last_day=None, recorded_ms=0)


async def days(
    conn: AsyncConnection[Any], crane: str, day_from: date = FIRST_DAY, day_to: date = LAST_DAY
) -> list[Day]:
    """Figures by local day, both ends included; days without data are absent."""
    return await days_of(conn, [crane], day_from, day_to)


async def days_of(
    conn: AsyncConnection[Any], cranes: Sequence[str], day_from: date, day_to: date
) -> list[Day]:
    """The same of several cranes, by name of the crane and day."""
    return await DAYS_READ.all_async(conn, cranes=list(cranes), day_from=day_from, day_to=day_to)


async def structural_peaks(
    conn: AsyncConnection[Any], crane: str, day_from: date = FIRST_DAY, day_to: date = LAST_DAY
) -> list[float]:
    """Peak structural percent of the lifts that began on these local days, in time order: a life has tens of thousands."""
    found = await STRUCTURAL_PEAKS.first_async(conn, crane=crane, day_from=day_from, day_to=day_to)
    return [] if found is None else found.peaks_pct or []


async def lift_bins(
    conn: AsyncConnection[Any],
    *,
    crane_id: int,
    day_from: date,
    day_to: date,
    sites: list[str] | None,
    step_pct: float,
    last_step: int,
) -> tuple[list[LiftBin], list[WorkingTime]]:
    """Lifts by step of peak structural percent, and working time: of a crane, its type, and every crane in scope."""
    of = {
        "crane_id": crane_id,
        "day_from": day_from,
        "day_to": day_to,
        "sites": sites,
    }
    bins = await LIFT_BINS.all_async(conn, **of, step_pct=step_pct, last_step=last_step)
    return bins, await WORKING_MS_OF.all_async(conn, **of)
