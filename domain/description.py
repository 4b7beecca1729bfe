"""What a crane was like, by the local day from which it was so: a copy of its type's entry that the crane owns."""

from collections.abc import Sequence
from datetime import date
from typing import Any, Final

from pydantic import AwareDatetime, Field

from domain.answers import Answer
from domain.crane import CraneType
from domain.exclusion import ChannelName, CountedAgain
from domain.moments import Day
from domain.registration import TypeAsked

BEGINNING: Final = date(1970, 1, 1)
NOT_COUNTED: Final = frozenset({"name", "title", "charts", "invented"})
"""What of a type's entry no count rests on: changing it alone recounts nothing."""

_Text = Field(default="", max_length=500, pattern=r"^[^\x00]*$")


class Attachment(Answer, extra="forbid"):
    """What hangs on the crane as a rule: a grab, a fork, a hook block."""

    name: str = Field(min_length=1, max_length=100, pattern=r"^[^\x00]*\S[^\x00]*$")
    mass_kg: float = Field(gt=0, le=20_000, allow_inf_nan=False)
    note: str = _Text


class SensorReplaced(Answer, extra="forbid"):
    """A sensor that was replaced or calibrated on the day from which a description holds."""

    channel: ChannelName
    note: str = _Text


class DescriptionAsked(Answer, extra="forbid"):
    """What a crane is like from a day on. What is left out stays as it was before."""

    valid_from: Day | None = Field(
        default=None,
        description="first local day of the crane's site; left out: today. It cannot lie in the future",
    )
    type: TypeAsked | None = Field(
        default=None, description="name of a type on file, or all figures of this crane; left out: as before"
    )
    attachments: tuple[Attachment, ...] | None = Field(
        default=None, max_length=20, description="left out: as before"
    )
    sensors_replaced: tuple[SensorReplaced, ...] = Field(default=(), max_length=20)
    note: str = _Text


class DescriptionEntry(Answer):
    """A description with the days on which it holds."""

    valid_from: date = Field(description="1970-01-01: from the beginning")
    valid_to: date | None = Field(description="last day; None: it holds now")
    type: CraneType
    attachments: tuple[Attachment, ...]
    sensors_replaced: tuple[SensorReplaced, ...]
    note: str
    entered_at: AwareDatetime
    entered_by: str


class DescriptionDone(Answer):
    """A description that was entered, corrected or taken out, and what is counted again for it."""

    description: DescriptionEntry = Field(description="the one that holds on that day now")
    counted_again: CountedAgain


def on_day(entries: Sequence[DescriptionEntry], day: date) -> DescriptionEntry:
    """The one of descriptions, newest first, that holds on a day; the first one before the beginning."""
    return next((entry for entry in entries if entry.valid_from <= day), entries[-1])


def counts_alike(one: CraneType, other: CraneType) -> bool:
    """Whether a day comes to the same under both: names, titles and load charts are in no count."""
    return _counted(one) == _counted(other)


def _counted(of: CraneType) -> dict[str, Any]:
    return of.model_dump(exclude=set(NOT_COUNTED))
