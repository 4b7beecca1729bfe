"""Further channels: readings that cranes send beside those of `domain.channels`, registered by people with name, unit and range.

They are stored, compressed and drawn as the others are, without a change of the database; nothing is counted by them.
"""

import re
from typing import Annotated, Final, NamedTuple, Self

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from domain.answers import Answer
from domain.channels import CHANNEL_BY_NAME
from domain.errors import InvalidInput, field_error

NAME: Final = r"^[a-z][a-z0-9_]{0,59}$"
MOST: Final = 20  # of the whole fleet, and as many of each crane alone
LARGEST: Final = 1e9
# What stands beside channels in messages, tables and files.
_TAKEN: Final = frozenset(
    {
        "at",
        "t0",
        "boot",
        "seq",
        "n",
        "dt_ms",
        "crane",
        "crane_id",
        "received_at",
        "channels",
        "further_names",
        "further",
    }
)
_SPELLED: Final = {
    spelled.lower(): spelled
    for spelled in (
        *(
            "Pa",
            "kPa",
            "MPa",
            "bar",
            "mbar",
            "N",
            "kN",
            "MN",
            "Nm",
            "kNm",
            "W",
            "kW",
            "J",
            "kJ",
            "V",
            "A",
            "mA",
            "Hz",
            "kHz",
        ),
        *("m", "mm", "cm", "m/s", "deg", "degC", "K", "kg", "t", "s", "min", "h", "l", "l/min", "1/min", "%"),
    )
}
"""Units whose letters in another case are another unit, or none: a name has small letters and cannot tell mega from milli."""
_ENDINGS: Final = {"%": "pct", "1": ""}


class FurtherRange(NamedTuple):
    """A further channel of a crane, with its smallest and largest reading."""

    name: str
    low: float
    high: float


class FurtherChannelAsked(Answer, extra="forbid"):
    """What a further channel measures."""

    unit: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9%/.-]{1,12}$")] = Field(
        description="the name ends in it, in small letters: `oil_pressure_bar`; 1 for a plain number, whose name ends as it likes"
    )
    low: float = Field(ge=-LARGEST, le=LARGEST, description="smallest reading that is possible")
    high: float = Field(ge=-LARGEST, le=LARGEST, description="largest; what is beyond is stored as missing")
    meaning: str = Field(
        default="", max_length=200, pattern=r"^[^\x00]*$", description="what is measured, and where"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low >= self.high:
            raise field_error("high", "the largest possible reading must lie above the smallest")
        return self


class FurtherChannelRow(Answer):
    """A further channel: of one crane, or of every crane of the fleet."""

    channel_id: int
    crane: str | None = Field(description="None: of every crane")
    name: str
    unit: str
    low: float
    high: float
    meaning: str
    registered_at: AwareDatetime
    registered_by: str
    withdrawn_at: AwareDatetime | None = Field(
        description="from then on kept apart; what is stored can still be read"
    )
    withdrawn_by: str | None
    brought_in_at: AwareDatetime | None = Field(
        description="when readings that were kept apart before were brought in; None while that waits"
    )
    brought_in: int = Field(description="messages whose readings were brought in")


def check_name(name: str, unit: str) -> None:
    """Raises InvalidInput where no further channel of that unit can have the name."""
    ending = _ENDINGS.get(unit, re.sub(r"[^a-z0-9]+", "_", unit.lower()).strip("_"))
    if not re.fullmatch(NAME, name):
        text = "a name has small letters, digits and underscores, begins with a letter and has 60 characters at most"
    elif name in CHANNEL_BY_NAME or name in _TAKEN:
        text = f"{name} is taken: choose another name"
    elif ending and not name.endswith(f"_{ending}"):
        text = f"the name must end in its unit: {name}_{ending}"
    else:
        return
    raise InvalidInput(text, field="name")


def check_unit(unit: str) -> None:
    """Raises InvalidInput where the unit is that of a known one in letters of another case (mPa, BAR)."""
    spelled = _SPELLED.get(unit.lower(), unit)
    if spelled != unit:
        text = (
            f"is it {spelled}? Then write it so. A name cannot tell {unit} from {spelled}: for another unit than {spelled} convert the"
            " readings to one that is spelled otherwise"
        )
        raise InvalidInput(text, field="unit")
