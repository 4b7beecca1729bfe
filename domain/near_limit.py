"""Answers about work near the limit: who does it, with what confidence, and under what circumstances."""

from datetime import date
from typing import Literal

from pydantic import AwareDatetime, Field

from domain.answers import Answer, EventRow, NearLimitPlace, SamplesAnswer
from domain.fleet_answers import Confident
from domain.maintenance import OverrideRow
from domain.remark import Remark

Word = Literal["more", "less", "no clear change", "unknown"]
MeasureName = Literal[
    "near_limit_lifts",
    "warnings_per_hour",
    "limiter_stops_per_hour",
    "limiter_overrides_per_hour",
    "limiter_stops_per_lift",
    "limiter_overrides_per_lift",
]


class Measure(Answer):
    """One thing counted in the period, against the period of equal length before it."""

    name: MeasureName
    count: int
    exposure: float = Field(description="working hours, or lifts")
    now: Confident
    before: Confident
    change: float | None = Field(description="of a rate: now over before; of a share: now less before")
    change_low: float
    change_high: float | None
    change_word: Word = Field(description="what the interval of the change allows to say")


class NearLimitRow(Answer):
    """One crane near its limit."""

    crane: str
    title: str
    type: str
    site: str
    place: int | None = Field(description="1 leads; None where too little is recorded to be ranked")
    working_hours: float
    lifts: int
    near_limit_s: float
    near_limit_pct: float | None = Field(
        description="share of time under load near the limit, 0..100: under load is in a lift, or near the limit"
    )
    near_limit_pct_before: float | None
    measures: tuple[Measure, ...]


class NearLimitRanking(Answer):
    """Cranes by how surely they work near their limit: by the low end of a measure, those with too little record last."""

    day_from: date
    day_to: date
    before_from: date
    before_to: date
    by: MeasureName
    near_limit_from_pct: float
    confidence: float
    rows: tuple[NearLimitRow, ...]
    cautions: tuple[str, ...]


class NearLimitPlaces(Answer):
    """Where several cranes spent most of their near-limit time; those without any at a known place are absent."""

    day_from: date
    day_to: date
    near_limit_from_pct: float
    rows: tuple[NearLimitPlace, ...]


class Circumstance(Answer):
    """Time in one class of a circumstance, and how much of it near the limit."""

    name: str
    low: float | None = Field(
        default=None, description="lower edge of the class, in the unit of the circumstance"
    )
    high: float | None = None
    recorded_s: float
    near_limit_s: float
    share_pct: float | None = Field(description="of this time, near the limit")
    weight: float | None = Field(
        description="part of all near-limit time here over part of all time here; above 1 it gathers here"
    )


class ReachCell(Answer):
    """The same by outreach and hook height, cells of 1 m."""

    outreach_from_m: float
    hook_height_from_m: float
    recorded_s: float
    near_limit_s: float


class MassClass(Answer):
    """Lifts of one class of mass, and how many came near the limit."""

    mass_from_kg: float | None = Field(description="None: the mass is not known")
    mass_to_kg: float | None
    lifts: int
    near_limit_lifts: int
    share: Confident


class NearLimitAnswer(Answer):
    """How one crane works near its limit, and under what circumstances, over whole local days."""

    day_from: date
    day_to: date
    near_limit_from_pct: float
    crane: NearLimitRow
    sectors: tuple[Circumstance, ...] = Field(description="by slewing angle [deg], 0 over the cab, clockwise")
    stabilisers: tuple[Circumstance, ...] = Field(description="named left/right: none, part, full, unknown")
    hours: tuple[Circumstance, ...] = Field(description="by hour of the local day")
    modes: tuple[Circumstance, ...]
    reach: tuple[ReachCell, ...]
    masses: tuple[MassClass, ...]
    reasons: tuple[Remark, ...] = Field(
        description="where near-limit time gathers, in words, the most telling first"
    )
    cautions: tuple[str, ...]


class OverrideTrace(Answer):
    """One use of the limiter override with what was recorded around it."""

    override: OverrideRow
    before_s: float
    after_s: float
    peak_before_pct: float | None = Field(description="largest utilisation before it")
    peak_after_pct: float | None
    outreach_change_m: float | None = Field(
        description="from its moment to the end of the trace; above 0: farther out"
    )
    samples: SamplesAnswer
    events: tuple[EventRow, ...] = Field(description="of the same stretch, oldest first")
    at_ms: int = Field(description="moment of the override, as the times of the samples")
    overridden_at: AwareDatetime
