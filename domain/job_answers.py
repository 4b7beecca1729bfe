"""What the api takes and answers around dispatch: reservations, charts, a day's list, levelling, planned and measured."""

from datetime import date, timedelta
from typing import Annotated

from pydantic import AwareDatetime, Field, StrictBool, StringConstraints

from domain.answers import Answer
from domain.crane import LoadChart
from domain.dispatch_answers import Assumption, DispatchCandidate, DispatchQuestion, StateCode
from domain.job import Value, Weights, Window
from domain.messages import CraneName
from domain.moments import Day
from domain.remark import Remark

Title = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]


OverrideReason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=500)]
Override = Annotated[
    OverrideReason | None,
    Field(description="why a crane that needs an override is used all the same; takes an engineer"),
]


class HoldAsked(Value):
    """A crane to be reserved. With a job, it is matched again and reserved only where the job fits."""

    crane: CraneName
    window: Window
    title: Title
    job: DispatchQuestion | None = None
    override_reason: Override = None


class ReservationRow(Answer):
    """One reservation; a released one no longer blocks its crane."""

    reservation_id: int
    crane: str
    site: str
    time_zone: str = Field(description="zone of the crane's site, for showing the times")
    starts_at: AwareDatetime
    ends_at: AwareDatetime
    title: str
    job: DispatchQuestion | None = None
    planned: DispatchCandidate | None = Field(default=None, description="what was answered when it was held")
    held_by: str
    held_at: AwareDatetime
    released_by: str | None = None
    released_at: AwareDatetime | None = None
    override_reason: str | None = Field(
        default=None, description="why it was reserved although it needed an override"
    )
    override_states: tuple[StateCode, ...] = Field(default=(), description="what was overridden")


class SheetAsked(Value):
    """A lift sheet to be made: one crane for one job."""

    crane: CraneName
    title: Title
    job: DispatchQuestion
    override_reason: Override = None


class ChartsAsked(Value):
    """A version of load charts as CSV text; see docs/dispatch.md for the columns."""

    csv: str = Field(min_length=1, max_length=1_000_000)
    valid_from: Day
    source: Title = Field(description="where the values were read off: manual, plate, edition")
    whole_type: StrictBool = Field(
        default=False, description="for every crane of the type instead of this one"
    )
    check_only: StrictBool = Field(default=False, description="validate and answer, keep nothing")


class ChartProblem(Answer):
    """One problem of a chart file."""

    line: int
    text: str


class ChartsImported(Answer):
    """What was read from a chart file. version_id is None where it was only checked."""

    version_id: int | None
    charts: tuple[LoadChart, ...]
    problems: tuple[ChartProblem, ...] = Field(
        default=(),
        description="of a file that was only checked; one that is to be entered is refused with them",
    )
    warnings: tuple[ChartProblem, ...] = ()


class ChartVersionRow(Answer):
    """One version of load charts."""

    version_id: int
    own: bool = Field(description="true: of this crane; false: of its type")
    valid_from: date
    source: str
    imported_at: AwareDatetime
    imported_by: str
    charts: int


class ListedJob(Value):
    """One job of a day's list. Its window is needed: two jobs may share a crane only where windows do not touch."""

    title: Title
    job: DispatchQuestion
    travel_minutes: float = Field(
        default=0, ge=0, le=1440, description="kept free before and after the window"
    )

    @property
    def busy(self) -> Window | None:
        """The window with the travel around it, in which the crane is of no use to anybody else; None without a window."""
        if self.job.window is None:
            return None
        travel, window = timedelta(minutes=self.travel_minutes), self.job.window
        return window.model_copy(
            update={"starts_at": window.starts_at - travel, "ends_at": window.ends_at + travel}
        )


class AssignmentAsked(Value):
    """A day's list of jobs for the fleet."""

    jobs: tuple[ListedJob, ...] = Field(min_length=1, max_length=500)
    weights: Weights = Weights()


class AssignedJob(Answer):
    """One job with its crane, or the reason why it has none."""

    title: str
    crane: str | None
    points: float | None = Field(description="what the crane costs for this job by the weights")
    cheapest_crane: str | None = Field(description="what the job alone would have taken")
    cheapest_points: float | None
    explanation: Remark
    assumed: tuple[Assumption, ...] = Field(
        default=(), description="what the job left open and was taken at its worst, the costliest first"
    )


class AssignmentAnswer(Answer):
    """A day's list over the fleet, against taking the cheapest free crane job by job in the order of the list."""

    jobs: tuple[AssignedJob, ...]
    assigned: int
    points: float
    greedy_assigned: int
    greedy_points: float
    exact: bool = Field(description="proven: no list gives more jobs a crane, nor as many for fewer points")
    most_assigned: int = Field(description="no list gives more jobs a crane")
    least_points: float = Field(description="no list gives as many jobs a crane for fewer points")
    cautions: tuple[str, ...]


class LevellingRow(Answer):
    """How far one crane is from the even pace of the fleet."""

    crane: str
    used_share: float
    review_on: date = Field(description="special assessment due")
    recorded_days: int = Field(
        default=0, description="of late, from the first day on record to today; the pace is that of these"
    )
    pace_share_per_month: float = Field(description="used share a month of late")
    even_share_per_month: float = Field(
        description="pace at which its life and its time to review end together"
    )
    limiter_overrides: int = Field(default=0, description="of late")
    advice: Remark = Field(
        description="assessment_due, used_up, lighter, no_more_than_now, can_take_more or even; its pace is that over the even one"
    )
    held_back: tuple[Remark, ...] = Field(
        default=(),
        description="what speaks against more work, whatever the pace: a code of `states` in the dispatch answer, pace_unknown,"
        " assessment_soon or most_overrides",
    )


class LevellingAnswer(Answer):
    """Which cranes should take lighter work so that the fleet reaches its reviews evenly, hardest worked first."""

    rows: tuple[LevellingRow, ...]
    unknown: tuple[str, ...] = Field(description="cranes without design class or counted duty")
    cautions: tuple[str, ...]


class MeasuredRow(Answer):
    """A reservation that is over: planned against the largest values of the lifts in its window."""

    reservation_id: int
    crane: str
    title: str
    starts_at: AwareDatetime
    ends_at: AwareDatetime
    lifts: int
    planned_utilisation_pct: float | None
    measured_utilisation_pct: float | None = Field(description="None where no lift was counted")
    difference_pct: float | None = Field(
        description="measured less planned, in points of utilisation percent"
    )


class CraneBias(Answer):
    """Mean of measured less planned over the reservations of one crane."""

    crane: str
    reservations: int
    mean_difference_pct: float
    spread_pct: float | None = Field(description="standard deviation; None below two reservations")


class MeasuredAnswer(Answer):
    """Planned against measured. A crane whose plans are regularly too low wants a look at charts, loads or sensor."""

    rows: tuple[MeasuredRow, ...]
    bias: tuple[CraneBias, ...]
