"""Answers and requests about the record itself, faults, weld details and service."""

from datetime import date
from typing import Self

from pydantic import AwareDatetime, Field, StrictBool, model_validator

from domain.answers import Answer
from domain.detail import DetailSpec
from domain.errors import field_error
from domain.moments import Instant


class DayRow(Answer):
    """One local day of one crane; days without data are absent."""

    day: date
    time_zone: str
    first_at: AwareDatetime | None
    last_at: AwareDatetime | None
    samples: int
    recorded_ms: int
    sensor_gap_ms: int = Field(description="messages arrived, the utilisation reading is missing")
    offline_gap_ms: int = Field(description="messages that never came")
    quarantine_gap_ms: int = Field(description="messages that were set aside")
    overlap_ms: int = Field(description="two senders, or two starts of one, at once: not to be told apart")
    clock_ms: int = Field(description="written by a clock that was wrong")
    hole_ms: int = Field(
        description="between messages of one boot, no number left out: the sender did not send"
    )
    uncounted_ms: int = Field(
        description="of messages whose number another of their boot has: what is missing of it is not known"
    )
    no_pose_ms: int = Field(
        default=0,
        description="no boom position, on a day with one: lifts may be hidden, so it counts as missing too",
    )
    excluded_ms: int = Field(description="an engineer excluded the utilisation readings")
    limit_assumed_ms: int = Field(
        description="limit_pct absent for more than 10 s: 100 was assumed, conservative for life"
    )
    working_ms: int
    loaded_ms: int = Field(description="under load: recorded in a lift, or near the limit, on this day")
    near_limit_ms: int
    over_limit_ms: int
    emergency_ms: int
    lifts: int
    near_limit_lifts: int
    warnings: int
    limiter_stops: int
    limiter_overrides: int
    faults: int
    spikes: int = Field(
        description="single readings far off from the others of their second: set aside, in no figure"
    )
    spikes_counted: int = Field(
        description="readings far off from both neighbours where too few came to tell a spike: they count"
    )
    largest_spike_pct: float = Field(
        description="how far the farthest of both stands off, in percentage points; 0 without any"
    )


class CraneDayRow(DayRow):
    """One local day of one of several cranes."""

    crane: str


class GapRow(Answer):
    """Time missing from the record; `missing_ms` is at most."""

    from_at: AwareDatetime
    to_at: AwareDatetime
    cause: str = Field(description="offline, quarantine, hole, sensor, overlap, clock or excluded")
    missing_ms: int
    messages: int


class OpenFaultRow(Answer):
    """One open fault."""

    crane: str
    code: str
    raised_at: AwareDatetime
    raised_times: int
    text: str
    meaning: str | None = Field(description="from the imported catalogue of status codes")
    advice: str | None


class OverrideRow(Answer):
    """One use of the limiter override, and what the crane was doing."""

    crane: str
    at: AwareDatetime
    code: str
    utilisation_pct: float | None
    peak_utilisation_pct: float | None = Field(description="largest of the 30 s before")
    structural_pct: float | None
    outreach_m: float | None
    hook_height_m: float | None
    slew_deg: float | None
    mode: float | None
    stabiliser_left_pct: float | None
    stabiliser_right_pct: float | None
    lift_started_at: AwareDatetime | None
    lift_mass_kg: float | None
    lift_peak_utilisation_pct: float | None


class DetailEntry(Answer):
    """A weld detail that applies to a crane."""

    detail_id: int
    name: str
    spec: DetailSpec
    is_default: bool = Field(description="the one whose damage the fleet shows")
    entered_at: AwareDatetime
    entered_by: str


class DetailAsked(DetailSpec):
    """A weld detail to enter for a crane."""

    is_default: StrictBool = False


class ServiceRow(Answer):
    """One interval of service of one crane: by hours, lifts and calendar, whichever comes first."""

    crane: str
    plan_id: int
    plan: str
    every_hours: float | None
    every_lifts: int | None
    every_days: int | None
    note: str
    done_at: AwareDatetime | None
    done_by: str | None
    counted_from: AwareDatetime = Field(description="when it was last done, or registration")
    hours_since: float
    lifts_since: int
    due_on: date | None = Field(
        description="at the use of late; None where it does not come up within 10 years"
    )
    due_by: str | None = Field(description="hours, lifts or calendar: what comes first")
    overdue: bool


class ServicePlanAsked(Answer, extra="forbid"):
    """An interval to enter for a crane."""

    every_hours: float | None = Field(default=None, gt=0, le=1e6, allow_inf_nan=False)
    every_lifts: int | None = Field(default=None, gt=0, le=10**9)
    every_days: int | None = Field(default=None, gt=0, le=36_500)
    note: str = Field(default="", max_length=500, pattern=r"^[^\x00]*$")

    @model_validator(mode="after")
    def _some_interval(self) -> Self:
        if self.every_hours is None and self.every_lifts is None and self.every_days is None:
            raise field_error("every_hours", "give at least one of every_hours, every_lifts, every_days")
        return self


class ServicePlanEntry(Answer):
    """An interval of service as it is entered."""

    plan_id: int
    plan: str
    every_hours: float | None
    every_lifts: int | None
    every_days: int | None
    note: str


class ServiceDoneAsked(Answer, extra="forbid"):
    """A service that was done."""

    plan_id: int = Field(ge=1, le=2**31 - 1)
    done_at: Instant
    note: str = Field(default="", max_length=500, pattern=r"^[^\x00]*$")


class ServiceDoneRow(Answer):
    """A service that was done, with who says so."""

    done_id: int
    plan: str
    done_at: AwareDatetime
    done_by: str
    note: str
    entered_at: AwareDatetime
