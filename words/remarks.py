"""Remarks in words: the sentence of their code in the catalogue, filled with their values.

one = remark("life.used", share=percent(0.42), parts=parts)     a remark with its text in the language of the process
text(one, Units.US)                                             the same for a reader, in their units

`{due}` reads a day as 28 Jan 2028, `{due:month}` as January 2028. With `count` 1 the key that ends in `.one` is
taken, and so on by the plural forms of the language.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from domain.crane import QUARTERS, Sector
from domain.remark import Day, Quantity, Remark, Value, coded
from words import numbers
from words.numbers import Units
from words.texts import spoken, t


def remark(code: str, **values: Quantity | date | str | Remark | Sequence[Remark]) -> Remark:
    """A remark with its text. Raises KeyError for a code or value that the catalogue and the remark do not share."""
    return worded(coded(code, **values))


def worded(one: Remark) -> Remark:
    """A remark with its text, and those of the remarks in its values. Raises KeyError as `remark` does."""
    values = {
        name: tuple(map(worded, value)) if isinstance(value, tuple) else value
        for name, value in one.values.items()
    }
    return one.model_copy(update={"values": values, "text": _filled(one, None)})


def kept(stored: str) -> Remark:
    """A remark that the database keeps as JSON, with its text; a sentence of a version before stands as it was."""
    if not stored.startswith("{"):
        return Remark(code="", text=stored)
    return worded(Remark.model_validate_json(stored))


def text(one: Remark, units: Units | None = None) -> str:
    """A remark for a reader, in their units; plainly in SI units where none are given."""
    try:
        return _filled(one, units)
    except KeyError:  # kept with a reservation or dossier of a version that told it otherwise
        return one.text


def _filled(one: Remark, units: Units | None) -> str:
    return _template(one).format(**{name: _shown(value, units) for name, value in one.values.items()})


def sentence(remarks: Iterable[Remark], units: Units | None = None) -> str:
    """Remarks one after the other."""
    return " ".join(text(one, units) for one in remarks)


def listed(remarks: Iterable[Remark]) -> str:
    """Remarks that are no sentences."""
    return "; ".join(map(text, remarks))


def _template(one: Remark) -> str:
    count = one.values.get("count")
    return spoken().text(f"remark.{one.code}", count.value if isinstance(count, Quantity) else None)


@dataclass(frozen=True)
class _Written:
    """A day that reads as its month where a sentence asks for that."""

    day: date

    def __format__(self, spec: str) -> str:
        return spoken().day(self.day, spec or "day")


def _shown(value: Value, units: Units | None) -> object:
    if isinstance(value, Day):
        return _Written(value.day)
    if isinstance(value, tuple):
        return ", ".join(text(one, units) for one in value)
    if isinstance(value, str):
        return value
    if value.unit == "year":
        return _years(value.value)
    if units is not None or value.unit == "1":
        return numbers.quantity(value, units or Units.METRIC)
    return spoken().written(str(value))


def _years(years: float) -> str:
    """A length of time: years, or months where it is less than one."""
    if years >= 0.95:
        return t("duration.years", years=years)
    return t("duration.months", count=max(round(years * 12), 1))


def sector_words(sectors: Iterable[Sector], joined: str | None = None) -> str:
    """Sectors in words; right and left together are the side, and all of them all round. joined: by "and" if not given."""
    there = {quarter for sector in sectors for quarter in sector.quarters}
    if len(there) == len(QUARTERS):
        return t("sectors.all")
    if there >= set(Sector.SIDE.quarters):
        there = there - set(Sector.SIDE.quarters) | {Sector.SIDE}
    return (joined or t("list.and")).join(t(f"sectors.{one}") for one in Sector if one in there)
