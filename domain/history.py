"""What people enter of a crane's life before its record, for many cranes at once."""

from datetime import date
from typing import Final, Self

from pydantic import Field, StrictBool, model_validator

from domain.answers import Answer
from domain.crane import DesignClass, PriorDuty, RecorderRuns
from domain.messages import CraneName
from domain.moments import Day

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
    contradictions: tuple[str, ...] = Field(description="entries that do not fit, with what to do")
