"""What the fleet page shows: one row a crane, kept current by analytics."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from psycopg import AsyncConnection

from domain.attention import REVIEW_SHARE
from store.statement import Statement


@dataclass(frozen=True, kw_only=True, slots=True)
class LifeUsed:
    """How much life of a crane is used, and when somebody is to look at it. None of a figure: not known."""

    crane_id: int
    crane: str
    counting_id: int | None
    counted_at: datetime | None  # None: nothing counted yet
    last_at: datetime | None
    assessment_on: date | None  # None: nothing counted yet, the entries decide
    assessment_by: str | None
    assessment_reason: str  # a remark as JSON
    used_share: float | None  # all of the next four
    used_share_counted: float | None
    used_share_prior: float | None
    used_share_unknown: float | None
    used_share_unrecorded: float | None
    unknown_years: float | None  # before the first record, of which nothing is entered
    forecast_middle_on: date | None
    detail_name: str | None
    damage: float | None  # of the default detail, what was not counted included
    allowed_sum: float | None  # Miner sum that the detail may reach
    open_faults: int


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetCrane(LifeUsed):
    """One crane of the fleet as it stands now."""

    title: str
    type: str
    site: str
    draft: bool
    review_at_share: float
    entries: dict[str, Any] | None
    online: bool
    live_at: datetime | None
    utilisation_pct: float | None
    damage_beyond: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetPeriod:
    """What one crane did in a period, and with `before` in the period of equal length before it.

    `near_limit` is utilisation at or above the near-limit level, `loaded` at or above the under-load level.
    Counted days change only together with `counted_at`, or for another counting.
    """

    crane_id: int
    counting_id: int | None
    counted_at: datetime | None
    recorded_ms: int = 0
    working_ms: int = 0
    loaded_ms: int = 0
    near_limit_ms: int = 0
    emergency_ms: int = 0
    lifts: int = 0
    near_limit_lifts: int = 0
    warnings: int = 0
    limiter_stops: int = 0
    limiter_overrides: int = 0
    faults: int = 0
    before_loaded_ms: int = 0
    before_near_limit_ms: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class NearLimitPeriod:
    """What one crane did near its limit in a period (`now`), or in the period of equal length before it."""

    crane_id: int
    crane: str
    title: str
    type: str
    site: str
    now: bool
    working_ms: int
    loaded_ms: int
    near_limit_ms: int
    lifts: int
    near_limit_lifts: int
    warnings: int
    limiter_stops: int
    limiter_overrides: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneSummary(LifeUsed):
    """Whole-life figures of one crane and what they mean."""

    made_of: str | None
    judged_by: str | None  # thresholds of its findings
    first_at: datetime | None
    days: int
    recorded_ms: int
    missing_ms: int  # at most, from sequence numbers that never came and readings that are missing
    unrecorded_ms: int  # of these: in use, and what the crane did is not known
    over_limit_ms: int
    emergency_ms: int
    limit_assumed_ms: int  # limit_pct absent: 100 assumed
    working_ms: int
    loaded_ms: int
    near_limit_ms: int
    lifts: int
    near_limit_lifts: int
    warnings: int
    limiter_stops: int
    limiter_overrides: int
    peak_cubed_sum: float
    faults: int
    kq: float | None
    coverage: float | None
    f1: float | None
    f1_reason: str  # a remark as JSON
    forecast_early_on: date | None
    forecast_late_on: date | None
    forecast_text: str  # why there is no date: a remark as JSON; empty with one
    damage_counted: float | None
    damage_direction_deg: float | None
    damage_beyond: int = 0  # readings that no class reaches, behind the damage
    spikes: int = 0
    spikes_counted: int = 0
    largest_spike_pct: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class CraneWeek:
    """Time under load and near the limit of one crane in one ISO week."""

    crane: str
    week: date  # its Monday
    loaded_ms: int
    near_limit_ms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class LifeOfCranes:
    """What ranking needs of every crane that was counted, as parallel lists; None where a figure is not known."""

    cranes: list[str]
    used_shares: list[float | None]
    f1s: list[float | None]
    damages: list[
        float | None
    ]  # of the weld detail named, or of the one that stands in while none is entered
    detail_names: list[str | None]
    assessment_ons: list[date | None]  # when its special assessment is due
    heard: list[bool]  # whether it has ever sent anything


@dataclass(frozen=True, kw_only=True, slots=True)
class DefaultDetail:
    """A weld detail that was entered as the default of a crane, of a type, or (both None) of the fleet."""

    name: str
    crane: str | None
    type_id: int | None
    spec: dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class UseOfLate:
    """Life used, and the sum of cubed peak shares of the lifts of the last days; None where nothing was counted."""

    crane: str
    used_share: float | None
    f1: float | None
    peak_cubed_sum: float
    limiter_overrides: int
    first_day: date | None  # on record, of the last days


DEFAULT_DETAILS: Final = Statement("default_details", DefaultDetail)
LIFE_OF_CRANES: Final = Statement("life_of_cranes", LifeOfCranes)
USE_OF_LATE: Final = Statement("levelling_rows", UseOfLate)
FLEET_CRANES_NOW: Final = Statement("fleet_cranes_now", FleetCrane)
FLEET_PERIOD: Final = Statement("fleet_period", FleetPeriod)
FLEET_WEEKS: Final = Statement("fleet_weeks", CraneWeek)
NEAR_LIMIT_PERIODS: Final = Statement("near_limit_periods", NearLimitPeriod)
CRANE_SUMMARY: Final = Statement("crane_summary_of", CraneSummary)


async def fleet_cranes(conn: AsyncConnection[Any], sites: Sequence[str] | None = None) -> list[FleetCrane]:
    """Every crane by name; of some sites only, when given."""
    return await FLEET_CRANES_NOW.all_async(
        conn, sites=None if sites is None else list(sites), review_at_share=REVIEW_SHARE
    )


async def fleet_period(
    conn: AsyncConnection[Any], crane_ids: Sequence[int], *, day_from: date, day_to: date
) -> list[FleetPeriod]:
    """Some cranes over whole local days, both ends included; those without a counted day are absent."""
    return await FLEET_PERIOD.all_async(conn, crane_ids=list(crane_ids), day_from=day_from, day_to=day_to)


async def fleet_weeks(
    conn: AsyncConnection[Any],
    *,
    day_from: date,
    day_to: date,
    sites: Sequence[str] | None = None,
    cranes: Sequence[str] | None = None,
) -> list[CraneWeek]:
    """Every crane by ISO week over whole local days, by crane and week; weeks without a counted day are absent."""
    return await FLEET_WEEKS.all_async(
        conn,
        day_from=day_from,
        day_to=day_to,
        sites=None if sites is None else list(sites),
        cranes=None if cranes is None else list(cranes),
    )


async def near_limit_periods(
    conn: AsyncConnection[Any],
    *,
    day_from: date,
    day_to: date,
    sites: Sequence[str] | None = None,
    crane: str | None = None,
) -> list[NearLimitPeriod]:
    """Two rows a crane: the period of equal length before whole local days, then these days."""
    return await NEAR_LIMIT_PERIODS.all_async(
        conn, day_from=day_from, day_to=day_to, sites=None if sites is None else list(sites), crane=crane
    )
