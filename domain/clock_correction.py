"""Messages of a sender whose clock was wrong: an offset for a boot and its numbers, entered with a reason and taken back."""

from typing import Final, Self

from pydantic import AwareDatetime, Field, model_validator

from domain.answers import Answer
from domain.errors import field_error
from domain.messages import MAX_INT63
from domain.units import MS_PER_DAY

MOST_OFFSET_MS: Final = 36_525 * MS_PER_DAY


class ClockCorrectionAsked(Answer, extra="forbid"):
    """Which messages of a crane get other times, and by how much."""

    boot: int = Field(ge=0, strict=True, le=MAX_INT63, description="the boot of the messages")
    seq_from: int = Field(default=0, strict=True, ge=0, le=MAX_INT63, description="their first number")
    seq_to: int = Field(
        default=MAX_INT63,
        strict=True,
        ge=0,
        le=MAX_INT63,
        description="their last number; left out: all that follow",
    )
    offset_ms: int = Field(
        strict=True,
        ge=-MOST_OFFSET_MS,
        le=MOST_OFFSET_MS,
        description="added to the times that they state: below 0 where the clock was ahead [ms]",
    )
    reason: str = Field(
        min_length=3, max_length=500, pattern=r"^[^\x00]*\S[^\x00]*$", description="how the offset is known"
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.seq_to < self.seq_from:
            raise field_error("seq_to", "seq_to must not lie before seq_from")
        if self.offset_ms == 0:
            raise field_error("offset_ms", "an offset of 0 corrects nothing")
        return self


class ClockCorrectionRow(Answer):
    """One correction. Ingest applies it to what is stored, and from then on to what comes, within seconds."""

    correction_id: int
    crane: str
    boot: int
    seq_from: int
    seq_to: int
    offset_ms: int
    reason: str
    entered_at: AwareDatetime
    entered_by: str
    applied_at: AwareDatetime | None = Field(
        description="in force from then on; None: ingest has not come to it"
    )
    withdrawn_at: AwareDatetime | None
    withdrawn_by: str | None
    reverted_at: AwareDatetime | None = Field(
        description="in force until then; None while it is, or never was"
    )
    messages: int = Field(description="samples and events that were stored and moved when it was applied")
    problem: str = Field(description="why it could not be applied or reverted; empty where it was")


class ClockSuggestion(Answer):
    """What the times at which messages of a boot came say of its clock. Evidence, no decision: an engineer decides."""

    boot: int
    seq_from: int = Field(description="first number of the messages that agree")
    seq_to: int | None = Field(
        description="their last number; None where none of the boot is known that follows"
    )
    messages: int = Field(description="messages that agree")
    refused: int = Field(description="of them, those that were refused for their time")
    others: int = Field(
        description="other messages of the boot that were looked at: sent late, or at another time"
    )
    came_from: AwareDatetime
    came_to: AwareDatetime = Field(description="when the first and the last of them came")
    offset_ms: int = Field(
        description="median of arrival less the time of the last sample, in whole seconds; below 0: the clock was ahead [ms]"
    )
    spread_ms: int = Field(description="between the least and the greatest of these differences [ms]")
