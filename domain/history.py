"""What people enter of a crane's life outside its record: its duty before, and readings of the counters that it keeps by itself."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import AwareDatetime, Field, StrictBool, StringConstraints, model_validator

from domain.answers import Answer
from domain.crane import DesignClass, PriorDuty, RecorderRuns
from domain.messages import CraneName
from domain.moments import Day
from domain.remark import Remark

PRIOR_COLUMNS: Final = ("prior_lifts", "prior_kq", "prior_f1", "prior_years", "prior_source")
COLUMNS: Final = ("crane", "manufactured_on", "design_years", "recorder_runs", *PRIOR_COLUMNS)
MOST_ENTRIES: Final = 10_000


class HistoryEntry(Answer, extra="forbid"):
    """What is entered of one crane; what is left out stays as it is on file."""

    crane: CraneName
    manufactured_on: Day | None = None
    design_years: float | None = Field(default=None, ge=1, le=100, allow_inf_nan=False)
    recorder_runs: RecorderRuns | None = None
    prior_duty: PriorDuty | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.changes():
            raise ValueError(f"nothing is entered for {self.crane}: fill at least one column beside its name")
        return self

    def changes(self) -> dict[str, object]:
        """What is entered, as the fields of a crane."""
        return self.model_dump(mode="json", exclude={"crane"}, exclude_none=True)


class HistoryAsked(Answer, extra="forbid"):
    """Histories to enter, as rows or as CSV; all of them or, with a problem in any, nothing."""

    entries: tuple[HistoryEntry, ...] = Field(default=(), max_length=MOST_ENTRIES)
    csv: str = Field(
        default="",
        max_length=2_000_000,
        description=f"columns {', '.join(COLUMNS)}; a blank cell leaves what is on file",
    )
    check_only: StrictBool = False

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if bool(self.entries) == bool(self.csv.strip()):
            raise ValueError("give either entries or csv")
        return self


class HistoryEntered(Answer):
    """What an entry of histories came to."""

    cranes: int
    stored: bool


class HistoryRow(Answer):
    """What is entered of one crane's life before its record, and what stays unknown."""

    crane: str
    title: str
    site: str
    manufactured_on: date | None
    commissioned_on: date
    recorded_from: date | None = Field(description="first recorded day; None without a record")
    design: DesignClass | None
    design_years: float | None
    recorder_runs: RecorderRuns
    prior_duty: PriorDuty | None
    unknown_years: float = Field(description="before the record, of which nothing is entered")
    assumed_share: float = Field(description="of the design working period, for the unknown years")
    contradictions: tuple[Remark, ...] = Field(description="entries that do not fit, with what to do")


class CounterKind(StrEnum):
    """What a counter of the crane counts."""

    OPERATING_HOURS = "operating_hours"
    LIFTS = "lifts"


COUNTER_TEXT: Final = "^[0-9]{1,9}([.][0-9]{1,6})?$"
"""What the text of a counter event looks like, for Python and PostgreSQL alike: a plain number that is not negative."""

CHANNEL_OF: Final = {CounterKind.OPERATING_HOURS: "operating_hours_h", CounterKind.LIFTS: "lift_counter"}
"""The channel of a samples message that carries a counter."""


class CounterReadingAsked(Answer, extra="forbid"):
    """A reading of a counter to enter, as it stood at the end of a local day."""

    kind: CounterKind
    read_on: Day = Field(description="local day, at its end; for a reading in the morning the day before")
    value: float = Field(
        strict=True, ge=0, le=1e7, allow_inf_nan=False, description="operating hours [h], or lifts"
    )
    restarted: StrictBool = Field(
        default=False, description="the counter was replaced or set: nothing is reckoned from readings before"
    )
    note: Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\x00]*$")] = ""


class CounterReadingRow(CounterReadingAsked, extra="ignore"):
    """One reading in force."""

    reading_id: int | None = Field(description="None where the crane sent it, as an event or in its samples")
    source: Literal["typed", "event", "samples"]
    entered_at: AwareDatetime
    entered_by: str


class CounterSpanRow(Answer):
    """Two readings of one counter that follow each other, against what was recorded between them."""

    kind: CounterKind
    after: date
    upto: date
    gained: float = Field(description="by the counter: hours or lifts")
    recorded: float = Field(description="by telemetry: hours or lifts")
    agrees: bool = Field(description="the counter gained no more than was recorded")


class CountersAnswer(Answer):
    """Readings of a crane's counters, and what they say about its record."""

    crane: str
    readings: tuple[CounterReadingRow, ...]
    spans: tuple[CounterSpanRow, ...]
    problems: tuple[Remark, ...] = Field(description="readings that contradict each other, with what to do")
