"""Excluded spans: readings that do not count, as an engineer decides with a reason."""

from datetime import date
from enum import StrEnum
from typing import Final, Self

from pydantic import AwareDatetime, Field, StrictBool, model_validator

from domain.answers import Answer
from domain.channels import CHANNEL_NAMES
from domain.errors import field_error
from domain.moments import RECORD_YEARS, Instant

UTILISATION: Final = "utilisation_pct"
ChannelName = StrEnum("ChannelName", {name.upper(): name for name in CHANNEL_NAMES})  # type: ignore[misc]


class ExclusionAsked(Answer, extra="forbid"):
    """A span of one channel or of all, from `from_at` up to and without `to_at`."""

    from_at: Instant
    to_at: Instant
    channel: ChannelName | None = Field(default=None, description="left out: every channel")
    reason: str = Field(
        min_length=3,
        max_length=500,
        pattern=r"^[^\x00]*\S[^\x00]*$",
        description="why the readings do not count",
    )
    readings_false: StrictBool = Field(
        default=False,
        description="the readings are known to be false: what was counted from them is no lower bound of the duty "
        "that the span is taken at. Left out: they are doubtful, and the span is never taken at less",
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.to_at <= self.from_at:
            raise field_error("to_at", "to_at must lie after from_at")
        if not all(RECORD_YEARS[0] < at.year < RECORD_YEARS[1] for at in (self.from_at, self.to_at)):
            raise field_error(
                "from_at", f"from_at and to_at must lie in the years {RECORD_YEARS[0]} to {RECORD_YEARS[1]}"
            )
        return self


class ExclusionRow(Answer):
    """One exclusion. While it is in force its readings are missing in every figure, trace and export excepted."""

    exclusion_id: int
    crane: str
    channel: str | None = Field(description="None: every channel")
    from_at: AwareDatetime
    to_at: AwareDatetime
    readings_false: bool
    reason: str
    entered_at: AwareDatetime
    entered_by: str
    withdrawn_at: AwareDatetime | None = Field(description="None while it is in force")
    withdrawn_by: str | None


class CountedAgain(Answer):
    """Days of a crane that are queued to be counted again; mostly done within a minute."""

    days: int
    first_day: date | None
    last_day: date | None

    @classmethod
    def of(cls, days: list[date]) -> Self:
        """What a list of days, in any order, comes to."""
        return cls(days=len(days), first_day=min(days, default=None), last_day=max(days, default=None))


class ExclusionDone(Answer):
    """An exclusion that was entered or taken back, and what is counted again for it."""

    exclusion: ExclusionRow
    counted_again: CountedAgain
