"""What the api answers: frozen value types shared by the api and its typed client.

Every time is UTC; every number carries its unit in its name. A newer server may add fields: a reader ignores
what it does not know.
"""

from datetime import date
from typing import Generic, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from domain.crane import Crane, DesignClass, Edition, LoadChart, PriorDuty, Sector, Site, Spread
from domain.job import LiftJob, Weights
from domain.messages import EventKind, EventState

Row = TypeVar("Row")

CAUTIONS_DUTY: tuple[str, ...] = (
    "Telemetry is no inspection and postpones none.",
    "Counted duty begins when logging begins; duty before that is what the owner stated.",
    "Pressure-based utilisation is not stress at a weld.",
    "A Miner sum compares, it does not predict.",
)
CAUTIONS_DISPATCH: tuple[str, ...] = (
    "Headroom on a screen is not permission to lift.",
    "The lift plan, the load chart at the crane, the ground, the stabilisers, the wind and the competent person"
    " decide; the crane's limiter stays in charge.",
)


class Answer(BaseModel):
    """Base of every answer."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class Page(Answer, Generic[Row]):
    """One page of a list. Ask again with `cursor=next_cursor` for the next; None when it was the last."""

    items: tuple[Row, ...]
    next_cursor: str | None = None


class Problem(Answer):
    """An error as RFC 9457 problem details."""

    type: str = Field(default="about:blank", description="identifies the kind of problem")
    title: str
    status: int = Field(ge=400, le=599)
    detail: str = Field(default="", description="what went wrong and what to do next")
    instance: str | None = None
    request_id: str | None = None
    fields: tuple[str, ...] = Field(default=(), description="the parameters or fields to mend")


class Health(Answer):
    """Whether a process is alive, or ready to answer."""

    status: str = Field(description="ok, or the word for what is wrong")
    detail: str = ""


class Version(Answer):
    """What is running."""

    name: str
    version: str
    api: str = Field(description="version of this interface")


class CraneRow(Answer):
    """One crane in a list."""

    name: str
    title: str
    type: str
    type_title: str
    site: str
    registered_at: AwareDatetime
    draft: bool = Field(description="seen on the wire, not yet completed by a person")


class CraneDetail(Answer):
    """One crane with everything that is known about it."""

    crane: Crane
    site: Site


class ChartsAnswer(Answer):
    """The load charts of a crane in force on a day."""

    crane: str
    on: date
    charts: tuple[LoadChart, ...]
    cautions: tuple[str, ...] = CAUTIONS_DISPATCH


class LiveAnswer(Answer):
    """The last known values of one crane, with their age."""

    crane: str
    online: bool
    at: AwareDatetime | None = Field(description="time of the newest sample; None before the first")
    received_at: AwareDatetime | None = Field(description="when it arrived here")
    age_s: float | None = Field(description="now minus `at`; late data makes it large [s]")
    values: dict[str, float | None] = Field(description="channel name to last value, in the channel's unit")


class LiveChanges(Answer):
    """Live values that changed after a version. Ask again with `after=version`."""

    version: int
    items: tuple[LiveAnswer, ...]


class Series(Answer):
    """One channel, down-sampled: the smallest and the largest reading at each time of `at_ms`."""

    unit: str
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


class SamplesAnswer(Answer):
    """Recorded channels over a range. Nulls stand where nothing was recorded: draw a gap."""

    crane: str
    time_from: AwareDatetime
    time_to: AwareDatetime
    recorded_samples: int = Field(ge=0, description="samples stored in the range")
    reduced: bool = Field(
        description="true: each time is the start of a bucket with its extremes; false: every sample as recorded"
    )
    bucket_ms: int | None = Field(default=None, description="width of a bucket where reduced [ms]")
    at_ms: tuple[int, ...] = Field(description="UTC, milliseconds since 1970-01-01, rising")
    series: dict[str, Series]


class EventRow(Answer):
    """One event of one crane."""

    crane: str
    at: AwareDatetime
    kind: EventKind
    code: str
    state: EventState
    text: str
    received_at: AwareDatetime
    boot: int
    seq: int


class FaultRow(Answer):
    """One status code of one crane over a period."""

    code: str
    text: str
    raised: int = Field(ge=0, description="how often it was raised in the period")
    open_since: AwareDatetime | None = Field(description="raised and not cleared since; None when cleared")
    last_at: AwareDatetime


class RangeBin(Answer):
    """Cycles whose range lies in [low_pct, high_pct)."""

    low_pct: float
    high_pct: float
    cycles: float


class LevelBin(Answer):
    """Seconds or counts with the level in [low_pct, high_pct)."""

    low_pct: float
    high_pct: float
    value: float


class Crossing(Answer):
    """Upward crossings of one level."""

    level_pct: float
    crossings: float


class LedgerCell(Answer):
    """Closed cycles between two classes, each given by its middle."""

    low_pct: float
    high_pct: float
    cycles: int


class LedgerAnswer(Answer):
    """Counted cycles of structural percent of one crane over whole local days."""

    crane: str
    day_from: date | None = Field(description="of the first span that is merged in; None without any")
    day_to: date | None
    samples: int
    class_width_pct: float = Field(description="a value is known to within half of it")
    rows: tuple[LedgerCell, ...]
    open_pct: tuple[float, ...] = Field(description="open turning points in time order, not counted above")
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class SpectrumAnswer(Answer):
    """The load spectrum of a crane over whole local days, against its design class.

    Ranges, crossings and levels are of structural percent (load moment over the full structural rating).
    """

    crane: str
    day_from: date
    day_to: date
    days_recorded: int
    recorded_s: float
    samples: int
    lifts: int
    kq: float | None = Field(description="mean cube of the lifts' peak structural share; None without lifts")
    edition: Edition | None = Field(description="edition whose class letters are meant")
    q_class: str | None
    u_class: str | None = Field(description="class of the lifts counted so far, projected on nothing")
    group: str | None = Field(default=None, description="group of the 1986 edition, where that is meant")
    s_m: float | None = Field(default=None, description="stress history parameter with slope m")
    s_slope_m: float = 3.0
    s_class: str | None = None
    design: DesignClass | None
    design_kq: float | None
    design_cycles: float | None
    residue_rule: str
    threshold_pct: float
    ranges: tuple[RangeBin, ...]
    crossings: tuple[Crossing, ...]
    time_at_level: tuple[LevelBin, ...] = Field(
        description="seconds by utilisation_pct, what the operator sees"
    )
    lift_peaks: tuple[LevelBin, ...] = Field(description="lifts by their peak structural percent")
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class AreaCell(Answer):
    """Time spent in one cell of the working area."""

    slew_from_deg: float
    slew_to_deg: float
    outreach_from_m: float
    outreach_to_m: float
    recorded_s: float
    near_limit_s: float


class WorkingAreaAnswer(Answer):
    """Where a crane worked and where near its limit, over whole local days."""

    crane: str
    day_from: date
    day_to: date
    near_limit_from_pct: float = Field(description="utilisation from which time counts as near the limit")
    cells: tuple[AreaCell, ...]


class DirectionDamage(Answer):
    """Damage at the column or mounting by direction around the base."""

    direction_deg: float = Field(
        description="0 towards the cab, positive clockwise from above; mirrored at 180"
    )
    damage: float


class DetailDamage(Answer):
    """Comparative fatigue damage of one weld detail."""

    detail: str
    damage: float
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


class LifeAnswer(Answer):
    """The used share of the design working period, in the manner of ISO 12482."""

    crane: str
    recorded_from: date | None
    recorded_to: date | None
    lifts: int
    kq: float | None
    coverage: float | None = Field(description="share of the time with the crane in use that was recorded")
    f1: float = Field(description="safety factor on counted duty, from the coverage")
    f1_reason: str
    prior_duty: PriorDuty | None
    used_share_counted: float | None
    used_share_prior: float | None
    used_share: float | None = Field(description="1 is spent; None where the design class is not entered")
    used_share_reason: str = Field(default="", description="why it is None, and what to enter")
    design: DesignClass | None
    details: tuple[DetailDamage, ...] = Field(
        default=(), description="of every entered detail; of an assumed one, marked, while none is entered"
    )
    forecast: Forecast | None = Field(description="when it is spent: a used share of 1")
    forecast_reason: str = Field(default="", description="why there is no forecast, such as too little data")
    forecast_from: date | None = Field(
        default=None, description="day after the last recorded one, from which forecasts are reckoned"
    )
    review_at_share: float = Field(
        default=0.95, description="used share at which the crane is to be reviewed"
    )
    review_forecast: Forecast | None = Field(default=None, description="when that share is reached")
    special_assessment_on: date = Field(description="the earlier of the next two")
    special_assessment_reason: str
    special_assessment_by_use_on: date | None = Field(
        default=None,
        description="early day on which the review share may be reached; None without a forecast",
    )
    special_assessment_by_calendar_on: date | None = Field(
        default=None, description="by the years after commissioning that the maker says, else 10"
    )
    sentence: str = Field(default="", description="how it stands in plain words")
    service_due_on: date | None = None
    method: str = "in the manner of ISO 12482:2014; used share = f1 * sum(C*kq) / (C_design * kq_design)"
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class Confident(Answer):
    """A rate or share with its 90 % interval; rank by `low`."""

    value: float | None
    low: float
    high: float | None = Field(description="None: no upper end")
    enough: bool = Field(description="False: too few hours or lifts to rank by")


class FleetRow(Answer):
    """One crane of the fleet at a glance."""

    crane: str
    title: str
    type: str
    site: str
    draft: bool
    online: bool
    last_at: AwareDatetime | None
    age_s: float | None
    utilisation_pct: float | None = Field(description="last value; look at age_s before believing it")
    recorded_s: float
    working_s: float = Field(description="in any mode but transport")
    loaded_s: float = Field(description="under load")
    near_limit_s: float
    near_limit_pct: float | None = Field(
        description="share of time under load near the limit; None without any"
    )
    near_limit_pct_before: float | None = Field(
        default=None, description="the same over the period of equal length before"
    )
    emergency_s: float = Field(description="on the manual valves")
    limiter_stops: int
    limiter_overrides: int
    warnings: int
    faults: int = Field(description="faults raised in the period")
    lifts: int
    near_limit_lifts: int
    near_limit_lifts_share: Confident | None = Field(
        default=None, description="lifts near the limit of all lifts, 0..1"
    )
    limiter_stops_per_hour: Confident | None = Field(default=None, description="per working hour")
    limiter_overrides_per_hour: Confident | None = Field(default=None, description="per working hour")
    used_share: float | None = Field(description="of the design working period, over the whole life")
    spent_on: date | None = Field(default=None, description="middle forecast of the day on which it is spent")
    damage: float | None = Field(
        default=None, description="Miner sum of the default weld detail: it compares"
    )
    damage_detail: str | None = None
    damage_assumed: bool = Field(
        default=False, description="no weld detail is entered: the assumed one, the same for every crane"
    )
    open_faults: int
    service_due_on: date | None = None
    assessment_by_calendar_on: date | None = Field(
        default=None,
        description="special assessment by the calendar rule alone; by use it may be earlier: see life",
    )
    counted_at: AwareDatetime | None = Field(description="when these figures were last brought up to date")


class FleetAnswer(Answer):
    """The whole fleet over a period of whole local days, worst near-limit share first."""

    day_from: date
    day_to: date
    near_limit_from_pct: float
    rows: tuple[FleetRow, ...]
    quarantined: int = Field(description="messages set aside in the period")
    cautions: tuple[str, ...] = CAUTIONS_DUTY


class FleetWeeksRow(Answer):
    """One crane, week by week."""

    crane: str
    near_limit_pct: tuple[float | None, ...] = Field(
        description="share of time under load near the limit by week, oldest first; None without any"
    )


class FleetWeeksAnswer(Answer):
    """How the near-limit share of every crane went, by ISO week; the last week is the running one."""

    weeks: tuple[date, ...] = Field(description="Mondays, oldest first")
    near_limit_from_pct: float
    rows: tuple[FleetWeeksRow, ...]


class QuarantineRow(Answer):
    """A message that was set aside, with the reason."""

    quarantine_id: int
    received_at: AwareDatetime
    topic: str
    crane: str | None
    reason: str
    detail: str
    raw_bytes: int = Field(description="size of the message [bytes]")
    raw_start: str = Field(description="its first 200 bytes as text, unreadable bytes escaped")


RulingName = Literal[
    "no_chart",
    "jib",
    "spread",
    "sector",
    "too_near",
    "too_far",
    "height",
    "capacity",
    "tips",
    "ground",
    "fit",
]
"""fit, or the first condition that no set-up of a crane passes."""


class DispatchQuestion(LiftJob):
    """A job with how the cranes for it are to be put in order."""

    weights: Weights = Weights()
    tolerated_faults: frozenset[str] = Field(
        default=frozenset(), max_length=200, description="status codes that do not forbid lifting while open"
    )
    most_candidates: int = Field(
        default=100, ge=1, le=10_000, strict=True, description="longest list in the answer"
    )
    skip_candidates: int = Field(
        default=0,
        ge=0,
        le=1_000_000,
        strict=True,
        description="cranes passed over, for the next page of the list",
    )
    rulings: frozenset[RulingName] = Field(
        default=frozenset(), description="keep to cranes with these rulings; all of them when empty"
    )


class DispatchCandidate(Answer):
    """One crane measured against the job, in its best configuration. None where no configuration covers the lift."""

    crane: str
    title: str
    type: str
    site: str
    fit: bool = Field(description="charts, reach, height, planning limit and ground allow it")
    usable: bool = Field(description="fit, free in the window and without a fault that forbids lifting")
    ruling: str = Field(description="fit, or the condition at which the crane fell out")
    limited_by: str | None = Field(
        default=None, description="what holds the capacity down: capacity, jib, spread, sector or ground"
    )
    spread_left: Spread | None = None
    spread_right: Spread | None = None
    sector: Sector | None = Field(
        default=None, description="where to work; None where every allowed one counts"
    )
    jib_fitted: bool | None = None
    stage: int | None = None
    capacity_kg: float | None = Field(
        default=None, description="rated capacity read on the safe side off the chart"
    )
    capacity_used_pct: float | None = Field(default=None, description="load and rigging over rated capacity")
    headroom_pct: float | None = Field(default=None, description="planning limit less capacity used")
    headroom_kg: float | None = Field(
        default=None, description="mass that could be added up to the planning limit"
    )
    expected_utilisation_pct: float | None = Field(
        default=None, description="estimate of what the operator sees, boom moment included"
    )
    structural_pct: float | None = Field(
        default=None, description="estimate: moment over the full structural rating"
    )
    pad_left_kn: float | None = Field(
        default=None, description="estimate, upper bound, hoisting factor included"
    )
    pad_right_kn: float | None = None
    pad_pressure_kpa: float | None = Field(default=None, description="estimate, under the more loaded pad")
    stability_margin_m: float | None = Field(
        default=None, description="estimate: resultant to the nearest tipping line"
    )
    free: bool = True
    held_until: AwareDatetime | None = Field(default=None, description="end of what holds it in the window")
    open_faults: tuple[str, ...] = ()
    service_overdue: bool = False
    used_share: float | None = None
    life_cost_share: float | None = Field(
        default=None, description="share of the design working period of one such lift"
    )
    remaining_life_ppm: float | None = Field(
        default=None, description="millionths of the remaining life that one such lift takes"
    )
    distance_km: float | None = Field(default=None, description="site to place in a straight line")
    points: float = Field(default=0.0, description="sum of the terms; the fewest come first")
    terms: dict[str, float] = Field(default_factory=dict, description="points by weight")
    reasons: tuple[str, ...] = Field(
        default=(), description="why it is ruled out, and what would change that"
    )
    notes: tuple[str, ...] = Field(default=(), description="what to know about a crane that fits")


class DispatchAnswer(Answer):
    """Cranes ranked for a job: fit ones first by points, then the others, nearest to fitting first."""

    question: DispatchQuestion
    candidates: tuple[DispatchCandidate, ...]
    fit_count: int = 0
    more_candidates: int = Field(default=0, description="cranes of the list after those in the answer")
    ruled_out: dict[str, int] = Field(
        default_factory=dict, description="cranes by the condition they fell out at"
    )
    assumptions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS_DISPATCH
