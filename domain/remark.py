"""A remark: what is told about a crane or a job, as a code for programs, words with slots for people, and the quantities that fill them.

A page fills the slots in the units of its reader; `text` is the same in SI units. Nobody has to look into the words for a figure.
"""

import math
from datetime import date
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

Unit = Literal["1", "kg", "m", "m2", "kN", "kPa", "m/s", "deg", "%"]
"""Of a quantity; 1 for a count or a ratio, which is written without a unit."""
Bound = Literal["near", "most", "least"]
"""How a figure may be rounded: to the nearest, never up (what is allowed at most), never down (what is needed at least)."""
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
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


class Remark(_Frozen):
    """One thing that is told about a crane or a job."""

    code: str = Field(description="the same word for the same thing, whatever the language")
    words: str = Field(description="English, with the name of a quantity in braces where it stands")
    quantities: dict[str, Quantity] = Field(default_factory=dict)
    text: str = Field(description="the words with their quantities in SI units")


def remark(code: str, words: str, **quantities: Quantity) -> Remark:
    """Words with slots, and what fills them."""
    return Remark(code=code, words=words, quantities=quantities, text=words.format(**quantities))


def plain_remark(code: str, text: str) -> Remark:
    """Words as they stand, braces included: for what people entered."""
    return Remark(code=code, words=text.replace("{", "{{").replace("}", "}}"), text=text)


def written_day(day: date) -> str:
    """A calendar day as every sentence and screen writes it."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def written_count(count: float) -> str:
    """A whole number as every sentence and screen writes it: thousands parted by a narrow no-break space."""
    return f"{count:,.0f}".replace(",", THIN)


def written_years(years: float) -> str:
    """A length of time as every sentence writes it: years, or months where it is less than one."""
    months = max(round(years * 12), 1)
    return f"{years:.1f} years" if years >= 0.95 else f"{months} months" if months > 1 else "a month or less"


def rounded(value: float, decimals: int, bound: Bound) -> float:
    """A figure with so many decimals, rounded as its bound allows."""
    steps = value * 10.0**decimals
    if bound == "near":
        return round(value, decimals)
    whole = math.floor(steps + _SLACK) if bound == "most" else math.ceil(steps - _SLACK)
    return whole / 10.0**decimals
