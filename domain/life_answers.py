"""Answers about the life of a crane beside its used share: what if, the effect of f1, where damage comes from."""

from datetime import date

from pydantic import Field

from domain.answers import CAUTIONS_DUTY, Answer, Beyond, DirectionDamage, Forecast


class Outlook(Answer):
    """How the life of one crane would go on."""

    crane: str
    used_share: float | None
    share_a_year: float | None = Field(
        description="share of the design working period a year at this use, f1 included"
    )
    review: Forecast | None = Field(description="when the crane's review share is reached")
    spent: Forecast | None = Field(description="when a used share of 1 is reached")
    reason: str = Field(default="", description="why there is no date")
    detail: str
    detail_assumed: bool
    damage_a_year: float | None = Field(description="Miner sum a year of the default detail: it compares")


class WhatIfAnswer(Answer):
    """How long a crane would last if its work changed from now on; what it has done stays done."""

    crane: str
    duty_factor: float
    heavy_from_pct: float | None = Field(description="peak structural percent from which a lift is moved")
    moved_share: float
    to: str | None
    heavy_lifts_a_year: float = Field(description="lifts from heavy_from_pct up, at the use on record")
    moved_lifts_a_year: float
    too_heavy_lifts_a_year: float = Field(
        description="of the heavy ones: those over the full rating of the other crane, which stay"
    )
    pace_of_now: float | None = Field(
        default=None,
        description="use of life under the change over that of now; needs no design class",
    )
    before: Outlook
    after: Outlook
    other_before: Outlook | None = None
    other_after: Outlook | None = None
    sentence: str
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class FactorRow(Answer):
    """What one safety factor f1 would make of the same counted duty."""

    f1: float
    recording: str = Field(description="how duty would have to be recorded for it")
    in_force: bool
    used_share_counted: float | None
    used_share: float | None = Field(description="with the prior duty as stated")
    used_share_prior: float | None = Field(
        description="the stated prior duty under this factor instead of its own"
    )
    spent: Forecast | None


class FactorsAnswer(Answer):
    """The effect of f1 on one crane, and of how its prior duty is known."""

    crane: str
    coverage: float | None
    f1: float
    f1_reason: str
    prior_f1: float | None = Field(description="factor of the prior duty as stated; None without any")
    rows: tuple[FactorRow, ...]
    source: str = "P. Depale, M. Bennebach, Mechanics & Industry 20, 2019, 802, Table 3; by coverage: this project's convention"
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class CurvePoint(Answer):
    """One point of an S-N curve."""

    cycles: float
    range_mpa: float = Field(description="stress range that so many cycles exhaust")
    design_range_mpa: float = Field(description="the same over gamma_mf")


class DamageStep(Answer):
    """Cycles of one stress range, and the damage that they do."""

    range_pct: float
    range_mpa: float
    cycles: float
    cumulative: float = Field(description="cycles of this range or more")
    damage: float
    share: float = Field(description="of the whole damage, 0..1")


class DamageCell(Answer):
    """Cycles by their lower and upper turning point, and the damage that they do."""

    low_from_pct: float
    high_from_pct: float
    width_pct: float
    cycles: float
    damage: float
    share: float


class DamageAnswer(Answer):
    """Where the damage of one weld detail comes from, over whole local days."""

    crane: str
    day_from: date
    day_to: date
    detail: str
    assumed: bool
    damage: float = Field(
        description="of these days, from recorded cycles alone: `life` adds what was not counted"
    )
    allowed_sum: float = Field(default=1.0, description="Miner sum that the detail may reach")
    equivalent_range_mpa: float
    curve: str
    curve_source: str
    gamma_mf: float
    mpa_per_pct: float
    direction_deg: float | None
    residue_rule: str
    beyond: Beyond | None = Field(
        default=None, description="readings that no class reaches: the damage is then too small"
    )
    curve_points: tuple[CurvePoint, ...] = Field(description="rising in cycles, knees included")
    cut_off_mpa: float | None = Field(description="below it a cycle does no damage; None where there is none")
    steps: tuple[DamageStep, ...] = Field(description="largest range first")
    cells: tuple[DamageCell, ...] = Field(description="those with cycles")
    around_base: tuple[DirectionDamage, ...] = Field(
        description="the same weld turned around the base of the column; empty without slewing angles"
    )
    around_base_note: str
    sentence: str
    cautions: tuple[str, ...] = CAUTIONS_DUTY
