"""Counters that a crane keeps by itself, read now and then: what tells a day without data from a day of rest."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, Field, StrictBool, StringConstraints

from domain.answers import Answer
from domain.moments import Day


class CounterKind(StrEnum):
    """What a counter of the crane counts."""

    OPERATING_HOURS = "operating_hours"
    LIFTS = "lifts"


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
    problems: tuple[str, ...] = Field(description="readings that contradict each other, with what to do")
