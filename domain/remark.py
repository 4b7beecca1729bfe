"""A remark: what is told about a crane or a job, as a code for programs with the values that belong to it.

The words of a code stand in the catalogue (`words/remarks.py`), which fills in the values in the units and the language of its reader.
"""

import math
from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Unit = Literal["1", "kg", "m", "m2", "kN", "kPa", "MPa", "m/s", "deg", "%", "year"]
"""Of a quantity; 1 for a count or a ratio, which is written without a unit."""
Bound = Literal["near", "most", "least"]
"""How a figure may be rounded: to the nearest, never up (what is allowed at most), never down (what is needed at least)."""
THIN: Final = "\u202f"
_SLACK: Final = 1e-9  # of a step, against what binary fractions add


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class Quantity(_Frozen):
    """A figure with its unit, and how exactly it is meant."""

    value: float
    unit: Unit
    decimals: int = Field(default=0, description="worth showing in this unit")
    bound: Bound = Field(default="near", description="near, most (never rounded up) or least (never down)")

    def __str__(self) -> str:
        figure = f"{rounded(self.value, self.decimals, self.bound):.{self.decimals}f}"
        return figure if self.unit == "1" else f"{figure} {self.unit}"


class Day(_Frozen):
    """A calendar day in a remark."""

    day: date


class Remark(_Frozen):
    """One thing that is told about a crane or a job."""

    code: str = Field(description="the same word for the same thing, whatever the language")
    values: dict[str, Quantity | Day | str | tuple["Remark", ...]] = Field(
        default_factory=dict, description="what belongs to it: quantities, days, names, remarks that it lists"
    )
    text: str = Field(
        default="",
        description="in the language of the server (English unless set otherwise), with quantities in SI units",
    )

    @model_validator(mode="before")
    @classmethod
    def _of_before(cls, told: Any) -> Any:
        """What was kept when it was only a sentence stays that sentence: the catalogue has no words for its code."""
        return {"code": "kept", "text": told} if isinstance(told, str) else told


Value = Quantity | Day | str | tuple[Remark, ...]


def coded(code: str, **values: "Quantity | date | str | Remark | Sequence[Remark]") -> Remark:
    """A remark without its words, for rooms that know none: `words.remarks.worded` puts them in."""
    return Remark(code=code, values={name: _held(value) for name, value in values.items()})


def _held(value: "Quantity | date | str | Remark | Sequence[Remark]") -> Value:
    if isinstance(value, Quantity | str):
        return value
    if isinstance(value, date):
        return Day(day=value)
    return (value,) if isinstance(value, Remark) else tuple(value)


def count(number: float) -> Quantity:
    """How many."""
    return Quantity(value=number, unit="1")


def percent(share: float, digits: int = 2) -> Quantity:
    """A share of one as percent, to so many digits below 100 %."""
    return significant(100 * share, "%", digits) if share < 1 else Quantity(value=100 * share, unit="%")


def years(number: float) -> Quantity:
    """A length of time, read in months below one year."""
    return Quantity(value=number, unit="year", decimals=1)


def significant(value: float, unit: Unit = "1", digits: int = 6) -> Quantity:
    """A quantity to so many digits, without zeros at its end."""
    exponent = Decimal(f"{value:.{digits}g}").normalize().as_tuple().exponent
    return Quantity(value=value, unit=unit, decimals=max(0, -int(exponent)))


def rounded(value: float, decimals: int, bound: Bound) -> float:
    """A figure with so many decimals, rounded as its bound allows."""
    steps = value * 10.0**decimals
    if bound == "near":
        return round(value, decimals)
    whole = math.floor(steps + _SLACK) if bound == "most" else math.ceil(steps - _SLACK)
    return whole / 10.0**decimals
