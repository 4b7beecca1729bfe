"""How numbers read on every screen: decimals, units, times with their zone. One place, so that all pages agree.

Thousands are parted by a narrow no-break space and a unit follows a no-break space, so no figure breaks in two.
"""

import math
import re
from datetime import date, datetime
from enum import StrEnum
from typing import Final
from zoneinfo import ZoneInfo

from domain.units import KG_PER_LB, KN_PER_LBF, KPA_PER_PSF, M2_PER_FT2, M_PER_FT, kg_to_lb, kg_to_t, m_to_ft

NBSP: Final = "\u00a0"
THIN: Final = "\u202f"
MISSING: Final = "–"
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


class Units(StrEnum):
    """What lengths and masses are shown in. Everything stored is SI."""

    METRIC = "metric"
    US = "us"


def plain(value: float | None, decimals: int = 0) -> str:
    """A number with parted thousands and a real minus sign."""
    if value is None:
        return MISSING
    return f"{value:,.{decimals}f}".replace(",", THIN).replace("-", "\u2212")


def percent(value: float | None) -> str:
    """Percent [%]: one decimal below 10, none above."""
    if value is None:
        return MISSING
    return f"{plain(value, 1 if abs(value) < 9.95 else 0)}{NBSP}%"


def share(value: float | None) -> str:
    """A share of one as percent."""
    return percent(None if value is None else value * 100)


def mass(value_kg: float | None, units: Units) -> str:
    """Mass [kg] in tonnes above one tonne, else kilograms; or in pounds."""
    if value_kg is None:
        return MISSING
    if units is Units.US:
        return f"{plain(round(kg_to_lb(value_kg), -1))}{NBSP}lb"
    if abs(value_kg) < 1000:
        return f"{plain(value_kg)}{NBSP}kg"
    tonnes = kg_to_t(value_kg)
    return f"{plain(tonnes, 2 if tonnes < 10 else 1)}{NBSP}t"


def length(value_m: float | None, units: Units) -> str:
    """Length [m] in metres or feet, one decimal."""
    if value_m is None:
        return MISSING
    if units is Units.US:
        return f"{plain(m_to_ft(value_m), 1)}{NBSP}ft"
    return f"{plain(value_m, 1)}{NBSP}m"


def force(value_kn: float | None, units: Units) -> str:
    """Force [kN] in kilonewtons or pounds-force, the latter to the next hundred up: these are upper bounds."""
    if value_kn is None:
        return MISSING
    if units is Units.US:
        return f"{plain(100 * math.ceil(value_kn / KN_PER_LBF / 100))}{NBSP}lbf"
    return f"{plain(value_kn)}{NBSP}kN"


def pressure(value_kpa: float | None, units: Units) -> str:
    """Ground pressure [kPa] in kilopascals or pounds-force per square foot, the latter to ten."""
    if value_kpa is None:
        return MISSING
    if units is Units.US:
        return f"{plain(round(value_kpa / KPA_PER_PSF, -1))}{NBSP}psf"
    return f"{plain(value_kpa)}{NBSP}kPa"


_SAID = re.compile(r"(?<![\w.-])(\d+(?:\.\d+)?) (m2|kPa|kN|kg|m)\b")
_IN_US: Final[dict[str, tuple[float, str]]] = {
    "m2": (M2_PER_FT2, "ft²"),
    "kPa": (KPA_PER_PSF, "psf"),
    "kN": (KN_PER_LBF, "lbf"),
    "kg": (KG_PER_LB, "lb"),
    "m": (M_PER_FT, "ft"),
}


def in_units(text: str, units: Units) -> str:
    """A sentence of the api, which speaks SI, in the units of the person. Areas, which have to be enough, are rounded up."""

    def said(found: re.Match[str]) -> str:
        value, unit = float(found[1]), found[2]
        if units is not Units.US:
            return f"{found[1]}{NBSP}{unit.replace('m2', 'm²')}"
        factor, name = _IN_US[unit]
        shown = value / factor
        if unit == "m2":
            return f"{plain(math.ceil(10 * shown) / 10, 1)}{NBSP}{name}"
        return f"{plain(shown, 1 if unit == 'm' else 0)}{NBSP}{name}"

    return _SAID.sub(said, text)


def mass_unit(units: Units) -> str:
    """Unit of a mass that a person types."""
    return "lb" if units is Units.US else "t"


def length_unit(units: Units) -> str:
    """Unit of a length that a person types."""
    return "ft" if units is Units.US else "m"


def mass_factor(units: Units) -> float:
    """Kilograms in one unit of `mass_unit`."""
    return KG_PER_LB if units is Units.US else 1000.0


def length_factor(units: Units) -> float:
    """Metres in one unit of `length_unit`."""
    return M_PER_FT if units is Units.US else 1.0


def duration(seconds: float | None) -> str:
    """A span of time in its two largest useful units."""
    if seconds is None:
        return MISSING
    whole = round(seconds)
    if whole < 60:
        return f"{whole}{NBSP}s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes}{NBSP}min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{plain(hours)}{NBSP}h{NBSP}{rest:02d}{NBSP}min"
    return f"{plain(round(hours / 24))}{NBSP}days"


def hours(seconds: float | None) -> str:
    """A working time [s] in hours."""
    if seconds is None:
        return MISSING
    return f"{plain(seconds / 3600, 1 if seconds < 36_000 else 0)}{NBSP}h"


def day(when: date | None) -> str:
    """A calendar day."""
    if when is None:
        return MISSING
    return f"{when.day}{NBSP}{MONTHS[when.month - 1]}{NBSP}{when.year}"


def weekday(when: date) -> str:
    """A calendar day with its weekday."""
    return f"{WEEKDAYS[when.weekday()]}, {day(when)}"


def moment(when: datetime | None, zone: ZoneInfo, *, seconds: bool = False) -> str:
    """A time in a zone, with the zone's abbreviation."""
    if when is None:
        return MISSING
    local = when.astimezone(zone)
    clock = local.strftime("%H:%M:%S" if seconds else "%H:%M")
    return f"{local.day}{NBSP}{MONTHS[local.month - 1]}{NBSP}{local.year}, {clock}{NBSP}{local.tzname()}"


def spoken(text: str) -> str:
    """A sentence of the api with its days and its thousands as they read on the screens."""
    with_days = re.sub(r"\b(\d{4}-\d\d-\d\d)\b", lambda found: day(date.fromisoformat(found[1])), text)
    return re.sub(r"(?<=\d),(?=\d{3}\b)", THIN, with_days)


def listed(words: list[str]) -> str:
    """Words as an English list."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"
