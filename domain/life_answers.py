"""Answers about the life of a crane: used share, forecast, assessment, what if, the effect of f1, where damage comes from."""

from datetime import date

from pydantic import Field

from domain.answers import Answer, Beyond
from domain.attention import REVIEW_SHARE
from domain.crane import DesignClass, PriorDuty
from domain.remark import Remark


class DirectionDamage(Answer):
    """Damage at the column or mounting by direction around the base."""

    direction_deg: float = Field(
        description="0 towards the cab, positive clockwise from above; mirrored at 180"
    )
    damage: float


class InfluenceRow(Answer):
    """A figure with one influence at the ends of its 80 % range."""

    source: str = Field(
        description="pressure_bias, lift_rule, coverage, prior_entry, unknown_years, unrecorded, "
        "mpa_per_pct, sn_scatter or not_counted"
    )
    low: float
    high: float
    assumed: bool = Field(description="by a default or an assumption, not by an entry or a count")


class UnsureFigure(Answer):
    """The 80 % range of a figure, and what makes it: what matters most first."""

    low: float
    high: float
    influences: tuple[InfluenceRow, ...]


class DetailDamage(Answer):
    """Comparative fatigue damage of one weld detail."""

    detail: str
    damage: float = Field(description="Miner sum: counted, and carried for what was not counted")
    damage_counted: float | None = Field(default=None, description="of the record alone")
    damage_carried: float | None = Field(
        default=None,
        description="for time before the record and in use without one: counted sum times the uncounted over the"
        " counted share, at least the uncounted share times the allowed sum",
    )
    counted_since: date | None = Field(
        default=None, description="day of its change, with which the sum begins again; None: the whole record"
    )
    allowed_sum: float = Field(default=1.0, description="Miner sum that the detail may reach")
    unsure: UnsureFigure | None = Field(default=None, description="how sure `damage` is")
    damage_low: float | None = Field(
        default=None, description="damage over the largest Miner sum quoted at failure"
    )
    damage_high: float | None = Field(default=None, description="the same over the smallest")
    equivalent_range_mpa: float | None = None
    curve: str
    gamma_mf: float
    direction_deg: float | None = Field(
        default=None, description="direction around the base that it holds for; None for a place on the booms"
    )
    by_direction: tuple[DirectionDamage, ...] = ()
    beyond: Beyond | None = Field(
        default=None, description="readings that no class reaches: the damage is then too small"
    )
    assumed: bool = Field(
        default=False,
        description="no weld detail is entered: one assumed for every crane alike, to compare cranes and nothing else",
    )


class Forecast(Answer):
    """When the used share reaches the threshold: the range that four in five simulated futures fall in."""

    threshold: float
    early_on: date = Field(description="10 % of futures reach it before this day")
    middle_on: date = Field(description="half of them")
    late_on: date | None = Field(description="90 %; None where it lies beyond the horizon")
    weeks_used: int
    trend: str = Field(default="", description="steady, rising or falling, with the test behind it")
    season_unseen: bool = Field(
        default=False, description="less than a year is on record: a season may be unseen, the range is wider"
    )


class MonthFactorRow(Answer):
    """The safety factor of one month, and what it rests on."""

    month: date
    f1: float
    reason: Remark
    coverage: float | None
    by_counter: bool


class LifeAnswer(Answer):
    """The used share of the design working period, in the manner of ISO 12482."""

    crane: str
    recorded_from: date | None
    recorded_to: date | None
    lifts: int
    kq: float | None
    coverage: float | None = Field(description="share of the time with the crane in use that was recorded")
    f1: float = Field(description="safety factor on counted duty: the mean of the months by their duty")
    f1_reason: Remark
    f1_by_month: tuple[MonthFactorRow, ...] = Field(
        default=(),
        description="by the coverage of the month, and by a counter of the crane or how its recorder runs",
    )
    prior_duty: PriorDuty | None
    used_share_counted: float | None = Field(description="what was recorded, f1 included")
    used_share_prior: float | None = Field(description="before the record, as its owner states it")
    used_share_unknown: float | None = Field(
        default=None,
        description="before the record, nothing entered: 1.5 times unknown_years over design_years",
    )
    used_share_unrecorded: float | None = Field(
        default=None,
        description="in use while nothing was recorded, and what calibrations proved readings too low by; f1 included",
    )
    unrecorded_s: float = Field(
        default=0.0,
        description="time in use without a record: excluded, or told by two boxes or a wrong clock",
    )
    used_share: float | None = Field(
        description="all four together; 1 is used up; None without a design class or a record"
    )
    used_share_unsure: UnsureFigure | None = Field(default=None, description="how sure `used_share` is")
    used_share_reason: Remark | None = Field(default=None, description="why it is None, and what to enter")
    prior_known_from: date | None = Field(
        default=None, description="manufacture, else the first day of service; None without a record"
    )
    prior_from_manufacture: bool = Field(default=False, description="the day of manufacture is entered")
    unknown_years: float = Field(
        default=0.0, description="years from then to the first record of which nothing is entered"
    )
    blank_years: float = Field(
        default=0.0,
        description="years of breaks of half a year and more in the record that no counter spans: 1.5 times over the design"
        " years, in used_share_unrecorded",
    )
    design_years: float | None = Field(default=None, description="years of the design working period")
    design_years_assumed: bool = Field(
        default=False, description="not entered from the manual: the years to the special assessment stand in"
    )
    contradictions: tuple[Remark, ...] = Field(
        default=(), description="entries that do not fit each other or the record, with what to do"
    )
    design: DesignClass | None
    details: tuple[DetailDamage, ...] = Field(
        default=(), description="of every entered detail; of an assumed one, marked, while none is entered"
    )
    forecast: Forecast | None = Field(description="when it is spent: a used share of 1")
    forecast_reason: Remark | None = Field(
        default=None, description="why there is no forecast, such as too little data"
    )
    forecast_from: date | None = Field(
        default=None, description="day after the last recorded one, from which forecasts are reckoned"
    )
    review_at_share: float = Field(
        default=REVIEW_SHARE, description="used share at which the crane is to be reviewed"
    )
    review_forecast: Forecast | None = Field(default=None, description="when that share is reached")
    special_assessment_on: date = Field(description="the earliest by age, use, an entered day or condition")
    special_assessment_by: str = Field(default="age", description="age, use, date or condition")
    special_assessment_reason: Remark
    special_assessment_by_use_on: date | None = Field(
        default=None,
        description="early day on which the review share may be reached; None without a forecast",
    )
    special_assessment_by_calendar_on: date | None = Field(
        default=None,
        description="by age alone: years after manufacture (the first day of service where it is not entered) that the maker says, else 10",
    )
    remarks: tuple[Remark, ...] = Field(default=(), description="how it stands in plain words")
    sentence: str = Field(default="", description="the remarks in English, one after the other")
    overloads: int = Field(default=0, description="entries of the overload register")
    open_overloads: int = Field(default=0, description="of these, without a decision that holds")
    service_due_on: date | None = None
    method: str
    cautions: tuple[str, ...]


class Outlook(Answer):
    """How the life of one crane would go on."""

    crane: str
    used_share: float | None
    share_a_year: float | None = Field(
        description="share of the design working period a year at this use, f1 included"
    )
    review: Forecast | None = Field(description="when the crane's review share is reached")
    spent: Forecast | None = Field(description="when a used share of 1 is reached")
    reason: Remark | None = Field(default=None, description="why there is no date")
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
    remarks: tuple[Remark, ...] = Field(description="what it would change, and what dates rest on")
    sentence: str = Field(description="the remarks in English, one after the other")
    assumptions: tuple[Remark, ...]
    cautions: tuple[str, ...]


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
    f1_reason: Remark
    prior_f1: float | None = Field(description="factor of the prior duty as stated; None without any")
    rows: tuple[FactorRow, ...]
    source: str
    cautions: tuple[str, ...]


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
    counted_since: date | None = Field(
        default=None,
        description="day on which the detail was changed; asked without days, the sum begins there",
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
    around_base_note: Remark
    remarks: tuple[Remark, ...] = Field(description="where most of the damage comes from")
    cautions: tuple[str, ...]
