"""Remarks in words: the sentence of their code in the catalogue, filled with their values.

one = remark("life.used", share=percent(0.42), parts=parts)     a remark with its English text
text(one, Units.US)                                             the same for a reader, in their units

`{due}` reads a day as 28 Jan 2028, `{due:month}` as January 2028. With `count` 1 the key that ends in `.one` is taken.
"""

from collections.abc import Iterable, Sequence
from datetime import date

from domain.remark import THIN, Day, Quantity, Remark, Value, rounded, written_day
from words import numbers
from words.numbers import Units
from words.texts import catalogue


def remark(code: str, **values: Quantity | date | str | Sequence[Remark]) -> Remark:
    """A remark with its English text. Raises KeyError for a code or value that the catalogue and the remark do not share."""
    held = {name: _held(value) for name, value in values.items()}
    made = Remark(code=code, values=held)
    return made.model_copy(update={"text": _filled(made, None)})


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
    """Remarks that are no sentences, in English."""
    return "; ".join(one.text for one in remarks)


def _template(one: Remark) -> str:
    texts, key = catalogue(), f"remark.{one.code}"
    count = one.values.get("count")
    alone = isinstance(count, Quantity) and count.value == 1 and f"{key}.one" in texts
    return texts[f"{key}.one" if alone else key]


def _held(value: Quantity | date | str | Sequence[Remark]) -> Value:
    if isinstance(value, date):
        return Day(day=value)
    return value if isinstance(value, Quantity | str) else tuple(value)


class _WrittenDay(str):
    """A day that reads as its month where a sentence asks for that."""

    day: date

    def __format__(self, spec: str) -> str:
        return f"{self.day:%B %Y}" if spec == "month" else str(self)


def _shown(value: Value, units: Units | None) -> str:
    if isinstance(value, Day):
        shown = _WrittenDay(written_day(value.day))
        shown.day = value.day
        return shown
    if isinstance(value, tuple):
        return ", ".join(text(one, units) for one in value)
    if isinstance(value, str):
        return value
    if value.unit == "year":
        return _years(value.value)
    if units is not None:
        return numbers.quantity(value, units)
    figure = f"{rounded(value.value, value.decimals, value.bound):,.{value.decimals}f}"
    return figure.replace(",", THIN) if value.unit == "1" else str(value)


def _years(years: float) -> str:
    """A length of time: years, or months where it is less than one."""
    months = max(round(years * 12), 1)
    name = "years" if years >= 0.95 else "months" if months > 1 else "month"
    return catalogue()[f"duration.{name}"].format(years=f"{years:.1f}", months=months)
