"""What the api answers when it is asked which crane can take a job."""

from datetime import date
from typing import Literal

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.crane import Sector, Spread
from domain.job import LiftJob, Weights
from domain.remark import Remark

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
    "wind",
    "slope",
    "fit",
]
"""fit, or the first condition that no set-up of a crane passes."""
EntryName = Literal["sector", "way", "spread", "hook_height", "below_hook", "clearance", "pick"]
"""What a question may leave open: sectors of pick and place, the way between them, stabiliser spreads, hook heights, what
hangs below the hook and the clearance over an obstacle, the pick-up point."""


class DispatchQuestion(LiftJob):
    """A job with how the cranes for it are to be put in order."""

    weights: Weights = Weights()
    tolerated_faults: frozenset[str] = Field(
        default=frozenset(),
        max_length=200,
        description="status codes whose open faults cost no points in the order; the crane needs an override all the same",
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


StateCode = Literal["open_fault", "assessment_overdue", "findings", "never_heard", "service_overdue", "draft"]
"""What is the matter with a crane, whatever the job; the same word at every door."""


class CraneState(Remark):
    """One thing that is the matter with a crane."""

    code: StateCode
    needs_override: bool = Field(
        description="not usable unless an engineer says so, with a reason, and that is noted"
    )


class Assumption(Remark):
    """Something that the question left open, which was taken at its worst or assumed, and what entering it could bring."""

    entry: EntryName
    cranes_lost: int = Field(description="cranes that would fit, had it been entered as they like it best")
    capacity_lost_kg: float | None = Field(
        description="rated capacity that it costs the crane it costs most; None where nobody can tell"
    )


class DispatchCandidate(Answer):
    """One crane measured against the job, in its best configuration. None where no configuration covers the lift."""

    crane: str
    title: str
    type: str
    site: str
    fit: bool = Field(description="charts, reach, height, planning limit and ground allow it")
    usable: bool = Field(description="fit, free in the window and nothing that needs an override")
    needs_override: bool = Field(
        default=False,
        description="something is the matter that only an engineer may pass over, with a reason",
    )
    states: tuple[CraneState, ...] = Field(default=(), description="what is the matter with the crane")
    ruling: str = Field(description="fit, or the condition at which the crane fell out")
    limited_by: str | None = Field(
        default=None, description="what holds the capacity down: capacity, jib, spread, sector or ground"
    )
    spread_left: Spread | None = None
    spread_right: Spread | None = None
    sector: Sector | None = Field(
        default=None,
        description="where to work; None where several have to hold, see `sectors` of the answer",
    )
    jib_fitted: bool | None = None
    stage: int | None = None
    capacity_kg: float | None = Field(
        default=None, description="rated capacity read on the safe side off the chart"
    )
    capacity_used_pct: float | None = Field(default=None, description="load and rigging over rated capacity")
    charts_on: date | None = Field(
        default=None, description="local day whose charts counted: of the window the worst"
    )
    assumed: EntryName | None = Field(
        default=None,
        description="what the question left open that costs this crane most: the lift itself, else capacity",
    )
    capacity_if_entered_kg: float | None = Field(
        default=None,
        description="rated capacity, were that entered as the crane likes it best; a hook height as the other one, else 2 m",
    )
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
    reasons: tuple[Remark, ...] = Field(
        default=(), description="why it is ruled out, and what would change that"
    )
    notes: tuple[Remark, ...] = Field(default=(), description="what to know about a crane that fits")


class DispatchAnswer(Answer):
    """Cranes ranked for a job: fit ones first by points, then the others, nearest to fitting first."""

    question: DispatchQuestion
    candidates: tuple[DispatchCandidate, ...]
    fit_count: int = 0
    more_candidates: int = Field(default=0, description="cranes of the list after those in the answer")
    ruled_out: dict[str, int] = Field(
        default_factory=dict, description="cranes by the condition they fell out at"
    )
    sectors: tuple[Sector, ...] = Field(
        default=(), description="sectors in all of which the lift was checked"
    )
    assumed: tuple[Assumption, ...] = Field(
        default=(), description="what the question left open, the costliest first"
    )
    assumptions: tuple[Remark, ...] = ()
    cautions: tuple[str, ...]
