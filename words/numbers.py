"""How numbers read on every screen: decimals, units, times with their zone. One place, so that all pages agree.

Thousands are parted by a narrow no-break space in every language (ISO 80000-1) and a unit follows a no-break space, so no figure
breaks in two. The decimal sign and the names of days and months are those of the language.
"""

import math
from datetime import date, datetime
from enum import StrEnum
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from domain.remark import THIN, Bound, Quantity, rounded
from domain.units import (
    DAYS_PER_YEAR,
    H_PER_DAY,
    MS_PER_S,
    S_PER_DAY,
    S_PER_H,
    S_PER_MIN,
    SI_PER,
    s_to_h,
)
from words.texts import spoken, t

NBSP: Final = "\u00a0"
MISSING: Final = "–"


class Units(StrEnum):
    """What lengths and masses are shown in. Everything stored is SI."""

    METRIC = "metric"
    US = "us"


def plain(value: float | None, decimals: int = 0) -> str:
    """A number with parted thousands and a real minus sign."""
    if value is None:
        return MISSING
    whole, point, parts = f"{value:,.{decimals}f}".replace("-", "\u2212").partition(".")
    return whole.replace(",", THIN) + point.replace(".", spoken().decimal) + parts


def figure(value: float, digits: int = 6) -> str:
    """A number to so many digits, without zeros at its end."""
    return spoken().written(f"{value:.{digits}g}")


def percent(value: float | None, bound: Bound = "near") -> str:
    """Percent [%]: one decimal below 10, none above; rounded as its bound allows."""
    if value is None:
        return MISSING
    decimals = 1 if abs(value) < 9.95 else 0
    return f"{plain(rounded(value, decimals, bound), decimals)}{NBSP}%"


def share(value: float | None) -> str:
    """A share of one as percent."""
    return percent(None if value is None else value * 100)


class Form(NamedTuple):
    """How a quantity reads below a value: in which unit, to which step of it, with how many decimals."""

    below: float | None  # in the stored unit; None for whatever is larger
    unit: str
    step: float
    decimals: int


_MASS: Final[dict[Units, tuple[Form, ...]]] = {
    Units.METRIC: (Form(1000, "kg", 1, 0), Form(10_000, "t", 0.01, 2), Form(None, "t", 0.1, 1)),
    Units.US: (Form(None, "lb", 10, 0),),
}
_TYPED: Final[dict[str, dict[Units, str]]] = {
    "mass": {Units.METRIC: "t", Units.US: "lb"},
    "length": {Units.METRIC: "m", Units.US: "ft"},
    "pressure": {Units.METRIC: "kPa", Units.US: "psf"},
    "area": {Units.METRIC: "m2", Units.US: "ft2"},
    "speed": {Units.METRIC: "m/s", Units.US: "mph"},
}
"""The unit in which people type and read each kind of quantity."""


def factor(kind: str, units: Units) -> float:
    """The stored unit in one unit as typed; 1 for a kind that everybody types alike."""
    return SI_PER[_TYPED[kind][units]] if kind in _TYPED else 1.0


def mass(value_kg: float | None, units: Units) -> str:
    """Mass [kg] in tonnes above one tonne, else kilograms; or in pounds."""
    return _formed(value_kg, _MASS[units], round)


def load(value_kg: float | None, units: Units) -> str:
    """What hangs on a hook by the plan [kg], read as a mass, but never rounded down."""
    return _formed(value_kg, _MASS[units], lambda steps: math.ceil(steps - 1e-9))


def rated(value_kg: float | None, units: Units) -> str:
    """A capacity or what is left of it [kg], read as a mass, but cut and never rounded up."""
    return _formed(value_kg, _MASS[units], lambda steps: math.floor(steps + 1e-9))


def _formed(value: float | None, forms: tuple[Form, ...], whole: Any) -> str:
    if value is None:
        return MISSING
    form = next(one for one in forms if one.below is None or abs(value) < one.below)
    steps = whole(value / SI_PER[form.unit] / form.step)
    return f"{plain(steps * form.step, form.decimals)}{NBSP}{form.unit}"


def length(value_m: float | None, units: Units, bound: Bound = "near") -> str:
    """Length [m] in metres or feet, one decimal; rounded as its bound allows."""
    if value_m is None:
        return MISSING
    return f"{plain(rounded(value_m / length_factor(units), 1, bound), 1)}{NBSP}{length_unit(units)}"


def drawn(units: Units) -> dict[str, Any]:
    """How the drawings read lengths and masses: what `length`, `mass` and `rated` do, as values for the browser."""
    masses = [{**form._asdict(), "per_si": 1 / SI_PER[form.unit]} for form in _MASS[units]]
    metres = {"unit": length_unit(units), "per_si": 1 / length_factor(units), "decimals": 1}
    return {"length": metres, "mass": masses}


def force(value_kn: float | None, units: Units) -> str:
    """Force [kN] in kilonewtons or hundreds of pounds-force, never rounded down: these are upper bounds."""
    if value_kn is None:
        return MISSING
    if units is Units.US:
        return f"{plain(rounded(value_kn / SI_PER['lbf'], -2, 'least'))}{NBSP}lbf"
    return f"{plain(rounded(value_kn, 0, 'least'))}{NBSP}kN"


def pressure(value_kpa: float | None, units: Units) -> str:
    """Pressure under a pad [kPa] in kilopascals or tens of pounds-force per square foot, never rounded down: an upper bound."""
    if value_kpa is None:
        return MISSING
    if units is Units.US:
        return f"{plain(rounded(value_kpa / SI_PER['psf'], -1, 'least'))}{NBSP}psf"
    return f"{plain(rounded(value_kpa, 0, 'least'))}{NBSP}kPa"


_IN_US: Final = {
    "kg": ("lb", "lb", 0), "m": ("ft", "ft", 1), "m2": ("ft2", "ft²", 1), "kN": ("lbf", "lbf", 0),
    "kPa": ("psf", "psf", 0), "m/s": ("mph", "mph", 0),
}  # fmt: skip
_WRITTEN: Final = {"m2": "m²", "deg": "°"}


def quantity(one: Quantity, units: Units) -> str:
    """A quantity of a remark in the units of the person."""
    value, decimals, unit = one.value, one.decimals, _WRITTEN.get(one.unit, one.unit)
    if units is Units.US and one.unit in _IN_US:
        other, unit, decimals = _IN_US[one.unit]
        value /= SI_PER[other]
    figure = plain(rounded(value, decimals, one.bound), decimals)
    return figure if unit == "1" else f"{figure}{NBSP}{unit}"


def mass_unit(units: Units) -> str:
    """Unit of a mass that a person types."""
    return _TYPED["mass"][units]


def length_unit(units: Units) -> str:
    """Unit of a length that a person types."""
    return _TYPED["length"][units]


def mass_factor(units: Units) -> float:
    """Kilograms in one unit of `mass_unit`."""
    return factor("mass", units)


def length_factor(units: Units) -> float:
    """Metres in one unit of `length_unit`."""
    return factor("length", units)


AGES: Final = (("now", 0, 1), ("seconds", S_PER_MIN, 1), ("minutes", S_PER_H, S_PER_MIN), ("hours", 2 * S_PER_DAY, S_PER_H), ("days", None, S_PER_DAY))  # fmt: skip
"""How an age reads: the name of its words, below which age [s], and in units of how many seconds."""


def age_words() -> dict[str, Any]:
    """How the browser says an age: steps of (text, below which age, in units of what) [ms], and words for what is old."""
    steps = [
        (t(f"age.{name}"), None if below is None else MS_PER_S * below, MS_PER_S * seconds)
        for name, below, seconds in AGES
    ]
    return {"steps": steps, "stale": t("age.stale"), "never": t("age.never")}


def duration(seconds: float | None) -> str:
    """A span of time in its two largest useful units."""
    if seconds is None:
        return MISSING
    whole = round(seconds)
    if whole < S_PER_MIN:
        return f"{whole}{NBSP}s"
    minutes = round(seconds / S_PER_MIN)
    if minutes < S_PER_H // S_PER_MIN:
        return f"{minutes}{NBSP}min"
    hours, rest = divmod(minutes, S_PER_H // S_PER_MIN)
    if hours < 48:
        return f"{plain(hours)}{NBSP}h{NBSP}{rest:02d}{NBSP}min"
    return f"{plain(round(seconds / S_PER_DAY))}{NBSP}{t('duration.days')}"


def whole_span(seconds: float) -> str:
    """A span of time to the second: days, hours, minutes and seconds, and about how many years where they are one and more."""
    minutes, rest_s = divmod(round(seconds), S_PER_MIN)
    all_hours, rest_min = divmod(minutes, S_PER_H // S_PER_MIN)
    days, rest_h = divmod(all_hours, H_PER_DAY)
    parts = [
        t("duration.whole_days", count=days) if days else "",
        f"{rest_h}{NBSP}h" if rest_h else "",
        f"{rest_min}{NBSP}min" if rest_min else "",
        f"{rest_s}{NBSP}s" if rest_s else "",
    ]
    said = " ".join(filter(None, parts)) or f"0{NBSP}s"
    years = days / DAYS_PER_YEAR
    return said if years < 1 else t("duration.about_years", span=said, years=plain(years, 1))


def hours(seconds: float | None) -> str:
    """A working time [s] in hours."""
    if seconds is None:
        return MISSING
    return f"{plain(s_to_h(seconds), 1 if s_to_h(seconds) < 10 else 0)}{NBSP}h"


def day(when: date | None) -> str:
    """A calendar day."""
    if when is None:
        return MISSING
    return spoken().day(when).replace(" ", NBSP)


def weekday(when: date) -> str:
    """A calendar day with its weekday."""
    return f"{spoken().day(when, 'weekday')}, {day(when)}"


def moment(when: datetime | None, zone: ZoneInfo, *, seconds: bool = False) -> str:
    """A time in a zone, with the zone's abbreviation."""
    if when is None:
        return MISSING
    local = when.astimezone(zone)
    clock = local.strftime("%H:%M:%S" if seconds else "%H:%M")
    return f"{day(local.date())}, {clock}{NBSP}{local.tzname()}"


def listed(words: list[str]) -> str:
    """Words as a list."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])}{t('list.and')}{words[-1]}"
