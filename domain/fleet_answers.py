"""What the api answers about all cranes at once."""

from datetime import date

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.attention import REVIEW_SHARE


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
    loaded_s: float = Field(description="under load: recorded in a lift, or near the limit")
    near_limit_s: float
    near_limit_pct: float | None = Field(
        description="share of time under load near the limit, 0..100; None without any"
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
    findings: int = Field(
        default=0,
        description="findings about its readings in the period, by code and channel: they move its figures",
    )
    overloads: int = Field(default=0, description="entries of the overload register, over the whole record")
    open_overloads: int = Field(default=0, description="of these, without a decision that holds")
    near_limit_lifts: int
    near_limit_lifts_share: Confident | None = Field(
        default=None, description="lifts near the limit of all lifts, 0..1"
    )
    limiter_stops_per_hour: Confident | None = Field(default=None, description="per working hour")
    limiter_overrides_per_hour: Confident | None = Field(default=None, description="per working hour")
    used_share: float | None = Field(
        description="of the design working period, over the whole life: the next four together; None where not known"
    )
    used_share_counted: float | None = Field(default=None, description="what was recorded, f1 included")
    used_share_prior: float | None = Field(default=None, description="before the record, as entered")
    used_share_unknown: float | None = Field(
        default=None, description="before the record, nothing entered: assumed"
    )
    used_share_unrecorded: float | None = Field(
        default=None, description="in use without a record, or read too low"
    )
    unknown_years: float = Field(
        default=0.0, description="years before the record of which nothing is entered"
    )
    spent_on: date | None = Field(default=None, description="middle forecast of the day on which it is spent")
    damage: float | None = Field(
        default=None,
        description="Miner sum of the default weld detail, what was not counted included: it compares",
    )
    damage_allowed: float | None = Field(default=None, description="Miner sum that this detail may reach")
    damage_beyond: int = Field(
        default=0, description="readings that no class of the ledger reaches: the damage is then too small"
    )
    damage_detail: str | None = None
    damage_assumed: bool = Field(
        default=False, description="no weld detail is entered: the assumed one, the same for every crane"
    )
    open_faults: int
    service_due_on: date | None = None
    review_at_share: float = Field(
        default=REVIEW_SHARE, description="used share at which the crane is to be reviewed"
    )
    assessment_on: date | None = Field(
        default=None, description="special assessment: the earliest by age, use, an entered day or condition"
    )
    assessment_by: str = Field(default="age", description="age, use, date or condition")
    assessment_reason: str = ""
    counted_at: AwareDatetime | None = Field(description="when these figures were last brought up to date")


class FleetAnswer(Answer):
    """The whole fleet over a period of whole local days, worst near-limit share first."""

    day_from: date
    day_to: date
    near_limit_from_pct: float
    rows: tuple[FleetRow, ...]
    quarantined: int = Field(description="messages set aside in the period")
    cautions: tuple[str, ...]


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
