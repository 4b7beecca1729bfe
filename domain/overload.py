"""The overload register: lifts above the full structural rating, why, and what was decided about each."""

import math
from datetime import date
from enum import StrEnum
from typing import Annotated, Self

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from domain.answers import Answer
from domain.errors import field_error
from domain.moments import Day

Text = Annotated[str, StringConstraints(max_length=1000, pattern=r"^[^\x00]*$")]
Decided = Annotated[str, StringConstraints(min_length=3, max_length=1000, pattern=r"^[^\x00]*\S[^\x00]*$")]


class OverloadCause(StrEnum):
    """Why a lift went above the full structural rating: codes of this project."""

    LOAD_HEAVIER = "load_heavier"
    MOVED_OUT = "moved_out"
    LIMITER_OVERRIDDEN = "limiter_overridden"
    EMERGENCY_MODE = "emergency_mode"
    SUDDEN_MOVEMENT = "sudden_movement"
    LOAD_CAUGHT = "load_caught"
    WRONG_SETTING = "wrong_setting"
    READING_FALSE = "reading_false"
    NOT_FOUND = "not_found"
    OTHER = "other"


def peak_words(peak_pct: float) -> str:
    """A peak [%] to a tenth, up but for what single precision leaves: a lift above 100 % does not read as 100."""
    return f"{math.ceil(round(10 * peak_pct, 3)) / 10:.1f} %"


class OverloadState(StrEnum):
    """Whether an entry waits for a decision."""

    OPEN = "open"
    DECIDED = "decided"


class OverloadDecisionAsked(Answer, extra="forbid"):
    """What was decided about an overload."""

    cause: OverloadCause
    note: Text = Field(default="", description="what was found; asked for where the cause is `other`")
    decided: Decided = Field(
        description="what was decided: inspected and released, repaired, out of service until ..."
    )

    @model_validator(mode="after")
    def _cause_is_told(self) -> Self:
        if self.cause is OverloadCause.OTHER and not self.note.strip():
            raise field_error("note", "say what was found, or choose another one of the list")
        return self


class OverloadsDecisionAsked(OverloadDecisionAsked):
    """The same decision about every open overload of a crane up to a peak, on the days given, where they are given."""

    peak_up_to_pct: float = Field(
        gt=100, allow_inf_nan=False, description="peak of structural percent; those above it stay open"
    )
    day_from: Day | None = None
    day_to: Day | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.day_from is not None and self.day_to is not None and self.day_to < self.day_from:
            raise ValueError("day_to must not lie before day_from")
        return self


class OverloadsDecided(Answer):
    """How many overloads were decided on at once, and how many of the crane are still open."""

    crane: str
    decided: int
    open: int


class OverloadDecision(Answer):
    """One decision, and the peak that the lift had when it was made. It is never changed: a later one stands after it."""

    decision_id: int
    cause: OverloadCause
    note: str
    decided: str
    decided_at: AwareDatetime
    decided_by: str
    peak_structural_pct: float


class OverloadRow(Answer):
    """One entry of the register: a lift whose peak is above 100 % structural, or such time without one, with the decision that holds."""

    crane: str
    site: str
    started_at: AwareDatetime
    ended_at: AwareDatetime
    day: date = Field(description="local day in which the lift began")
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None = Field(description="largest outreach inside the lift")
    mass_kg: float | None = Field(description="estimated; None where it is not known")
    limiter_stops: int
    limiter_overrides: int
    state: OverloadState = Field(
        description="open: nothing is decided, or the peak has risen by more than 1 point since"
    )
    in_lift: bool = Field(
        default=True,
        description="False: time above the rating without a lift (pushed down, held when the record began, in transport, or readings that are excluded)",
    )
    counted: bool = Field(description="False: decided, and no overload is counted there any more")
    decisions: int = Field(description="how many there are; the fields from here on are of the last one")
    cause: OverloadCause | None
    note: str | None
    decided: str | None
    decided_at: AwareDatetime | None
    decided_by: str | None
    decided_peak_structural_pct: float | None = Field(description="peak of the lift when it was decided")


class OverloadEntry(Answer):
    """One entry with every decision about it, newest first."""

    entry: OverloadRow
    decisions: tuple[OverloadDecision, ...]
    cautions: tuple[str, ...]


class OverloadCount(Answer):
    """How many entries a crane has in the register."""

    crane: str
    entries: int
    open: int
    no_longer_counted: int
    highest_peak_structural_pct: float | None = Field(description="of the lifts that are counted")
