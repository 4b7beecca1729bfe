"""The answer about what is on record and what is missing."""

from datetime import date

from pydantic import Field

from domain.answers import Answer
from domain.maintenance import GapRow
from domain.remark import Remark


class CauseTime(Answer):
    """Time missing for one cause."""

    cause: str = Field(description="offline, quarantine, hole, sensor, overlap, clock, pose or excluded")
    missing_s: float = Field(description="at most")
    gaps: int = Field(description="listed ones; sensor gaps below 10 s are summed and not listed")
    what_to_do: Remark


class EstimatedDuty(Answer):
    """What the missing time may have held, at the pace of the record: an estimate, in no other figure."""

    missing_hours: float
    days_of_record: int
    lifts: float
    lifts_low: float
    lifts_high: float
    design_share: float | None = Field(
        description="share of the design working period, no factor in it; None without a design class"
    )
    design_share_low: float | None
    design_share_high: float | None
    note: str


class CoverageAnswer(Answer):
    """How much of the time in use is on record, over whole local days and over the whole record."""

    crane: str
    day_from: date
    day_to: date
    days_recorded: int
    days_without_record: int = Field(
        description="between the first and the last recorded day: the crane was off, or nobody can tell"
    )
    recorded_s: float
    missing_s: float
    coverage: float | None = Field(
        description="recorded over recorded and missing; None without any, and where message numbers do not count up"
    )
    f1: float = Field(description="factor that the period alone would earn")
    f1_reason: Remark
    life_coverage: float | None = Field(description="over the whole record")
    life_f1: float = Field(description="the factor in force")
    life_f1_reason: Remark
    causes: tuple[CauseTime, ...]
    gaps: tuple[GapRow, ...] = Field(description="the longest, by what is missing")
    estimated: EstimatedDuty | None = Field(description="None without gaps, or with too few days of record")
    note: str
    cautions: tuple[str, ...]
