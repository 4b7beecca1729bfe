"""What the api answers: frozen value types shared by the api and its typed client.

Every time is UTC; every number carries its unit in its name. A newer server may add fields: a reader ignores
what it does not know.
"""

from collections.abc import Iterable
from datetime import date
from typing import Generic, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from domain.attention import WARNING_PCT
from domain.crane import Crane, DesignClass, Edition, LoadChart, Quarter, Site
from domain.messages import CraneName, EventKind, EventState
from domain.remark import Remark

Row = TypeVar("Row")
Value = TypeVar("Value", bound="Answer")


class Answer(BaseModel):
    """Base of every answer."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class Page(Answer, Generic[Row]):
    """One page of a list. Ask again with `cursor=next_cursor` for the next; None when it was the last."""

    items: tuple[Row, ...]
    next_cursor: str | None = None


def of_rows(kind: type[Value], rows: Iterable[object]) -> tuple[Value, ...]:
    """Rows of a query as values of an answer, by the names of their fields."""
    return tuple(kind.model_validate(row, from_attributes=True) for row in rows)


def of_row(kind: type[Value], row: object, /, **more: object) -> Value:
    """The same of one row; `more`: fields that it has not, or that read otherwise in the answer."""
    same = {name: getattr(row, name) for name in kind.model_fields if name not in more and hasattr(row, name)}
    return kind.model_validate({**same, **more})


class FieldProblem(Answer):
    """What is wrong with one field of what was sent."""

    pointer: str = Field(
        description="JSON pointer (RFC 6901) into the body; # for the whole of it, or of a parameter"
    )
    field: str = Field(description="the parameter, or the field with dots between its parts")
    detail: str


class Problem(Answer):
    """An error as RFC 9457 problem details."""

    type: str = Field(default="about:blank", description="identifies the kind of problem")
    title: str
    status: int = Field(ge=400, le=599)
    detail: str = Field(default="", description="what went wrong and what to do next")
    instance: str | None = None
    request_id: str | None = None
    fields: tuple[str, ...] = Field(default=(), description="the parameters or fields to correct")
    errors: tuple[FieldProblem, ...] = Field(default=(), description="what is wrong with each of them")


class Health(Answer):
    """Whether a process is alive, or ready to answer."""

    status: str = Field(description="ok, or the word for what is wrong")
    detail: str = ""


class SystemPart(Answer):
    """A part of the system, as it told of itself."""

    part: str = Field(description="ingest, broker, analytics, watch, or backup")
    told_at: AwareDatetime = Field(description="when it told of itself last")
    working_at: AwareDatetime = Field(description="when it told last that it works")


class SystemTrouble(Answer):
    """One thing that is wrong with the system itself, for the whole fleet."""

    part: str = Field(description="a part, or queue: days that wait to be counted")
    since: AwareDatetime
    code: str
    text: str
    consequence: str
    what_to_do: str


class SystemAnswer(Answer):
    """Whether the system itself works, judged now by what its parts told."""

    at: AwareDatetime
    newest_commit_at: AwareDatetime | None = Field(
        description="when the newest message of a crane that you may see was stored"
    )
    newest_count_at: AwareDatetime | None = Field(
        description="when a crane that you may see was last counted"
    )
    parts: tuple[SystemPart, ...] = Field(description="a part that never told of itself is not listed")
    troubles: tuple[SystemTrouble, ...]


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
    cautions: tuple[str, ...]


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
    computed: tuple[str, ...] = Field(
        default=(), description="series that the crane does not send and that follow from its pose"
    )


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


class Beyond(Answer):
    """Readings beyond the classes of the ledger: counted in the first or last one, so their cycles are read too small."""

    below: int = Field(description="readings below from_pct")
    above: int = Field(description="readings at or above to_pct")
    from_pct: float = Field(description="outer edges of the classes [%]")
    to_pct: float
    remark: Remark = Field(description="the same in words, with what it does to the figures")


class SmallestLift(Answer):
    """From which mass on a lift is found for certain at an outreach."""

    outreach_m: float
    mass_kg: float


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
    kq_level_pct: float | None = Field(
        default=None, description="structural percent that, reached by every lift, would give this kq"
    )
    edition: Edition | None = Field(description="edition whose class letters are meant")
    q_class: str | None
    u_class: str | None = Field(
        description="of the whole life whatever the days: of `life_lifts`, projected on nothing"
    )
    life_lifts: float = Field(default=0.0, description="counted over the whole record, and entered before it")
    life_lifts_at_least: bool = Field(
        default=False, description="years before the record are unknown: there were more"
    )
    u_class_of_period: str | None = Field(default=None, description="of the lifts of these days alone")
    whole_life: bool = Field(default=False, description="no days were asked for: the whole record")
    group: str | None = Field(
        default=None,
        description="group of the 1986 edition, where that is meant and the whole record was asked for",
    )
    s_m: float | None = Field(
        default=None,
        description="stress history parameter of these days with slope m, referred to 100 % structural",
    )
    s_slope_m: float = 3.0
    s_class: str | None = None
    design: DesignClass | None
    design_kq: float | None
    design_kq_level_pct: float | None = Field(default=None, description="the same of the design class")
    design_cycles: float | None
    residue_rule: str
    threshold_pct: float
    beyond: Beyond | None = Field(
        default=None, description="readings that no class reaches; None where every one had its class"
    )
    spikes: int = Field(
        default=0, description="single readings far off from the others of their second: in no figure"
    )
    spikes_counted: int = Field(
        default=0,
        description="readings far off from both neighbours where too few came to tell a spike: they count",
    )
    largest_spike_pct: float = Field(
        default=0.0, description="how far the farthest of both stands off, in percentage points"
    )
    days_without_pose: int = Field(
        default=0,
        description="days whose lifts were found from percent alone: light ones close in are missed",
    )
    no_pose_s: float = Field(
        default=0.0,
        description="on the other days, seconds without a boom position, in which lifts may be hidden",
    )
    smallest_lifts: tuple[SmallestLift, ...] = Field(
        default=(), description="with a boom position; lighter ones may be missing in every count of lifts"
    )
    near_limit_from_pct: float = Field(
        default=WARNING_PCT, description="utilisation from which time counts as near the limit"
    )
    near_limit_s: float = Field(default=0.0, description="seconds at or above it, whether in a lift or not")
    below_zero_s: float = Field(
        default=0.0,
        description="seconds with utilisation below 0: a zero that is off, or a boom that pushes down",
    )
    ranges: tuple[RangeBin, ...]
    crossings: tuple[Crossing, ...]
    time_at_level: tuple[LevelBin, ...] = Field(
        description="seconds by utilisation_pct, what the operator sees; all time below 0 in one step"
    )
    lift_peaks: tuple[LevelBin, ...] = Field(description="lifts by their peak structural percent")
    cautions: tuple[str, ...]


class AreaCell(Answer):
    """Time spent in one cell of the working area."""

    slew_from_deg: float
    slew_to_deg: float
    quarter: Quarter = Field(description="the quarter around the carrier that it lies in")
    outreach_from_m: float
    outreach_to_m: float
    recorded_s: float
    near_limit_s: float


class NearLimitPlace(Answer):
    """Where most of a crane's near-limit time was spent."""

    crane: str
    near_limit_s: float = Field(description="with a known place")
    quarter: Quarter = Field(description="the quarter around the carrier with the most of it")
    quarter_share_pct: float = Field(description="of the near-limit time, spent in that quarter")
    outreach_from_m: float = Field(description="the metre of outreach with the most of it in that quarter")
    outreach_to_m: float


class WorkingAreaAnswer(Answer):
    """Where a crane worked and where near its limit, over whole local days."""

    crane: str
    day_from: date
    day_to: date
    near_limit_from_pct: float = Field(description="utilisation from which time counts as near the limit")
    cells: tuple[AreaCell, ...]
    near_limit_place: NearLimitPlace | None = Field(
        default=None, description="None without near-limit time at a known place"
    )


class Lift(BaseModel):
    """One working cycle of a crane: from picking a load up to setting it down."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    crane: CraneName
    started_at: AwareDatetime
    ended_at: AwareDatetime
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None = None
    mass_kg: float | None = Field(default=None, description="estimated; None without geometry and chart")
    slew_travel_deg: float = Field(default=0.0, ge=0)
    limiter_stops: int = Field(default=0, ge=0)
    limiter_overrides: int = Field(default=0, ge=0)
