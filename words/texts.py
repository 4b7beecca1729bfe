"""Every word on the screens, from one catalogue a language: a translation is one more file beside catalogue/en.toml.

t("fleet.context", count=12)      fills {count}; with count=1 the key "fleet.context.one" is taken if it exists

Which forms of a word a language has for counts (`.one`, `.few`, `.many`; the key alone is for all others), its decimal sign and
its names of days and months are those of Unicode's CLDR, by Babel. What a catalogue lacks is said in English.
"""

import re
import tomllib
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

from babel import Locale, UnknownLocaleError
from babel.dates import format_date

from domain.remark import THIN

_FOLDER: Final = Path(__file__).parent / "catalogue"
_ENGLISH: Final = "en"
_PLURAL: Final = re.compile(r"\.(?:zero|one|two|few|many)$")


class Language:
    """The words of one language, and how it writes counts, decimals and days."""

    def __init__(self, name: str, folder: Path = _FOLDER) -> None:
        """Raises ValueError for a language without a catalogue or unknown to CLDR."""
        try:
            self.locale = Locale.parse(name, sep="-")
            self.texts: dict[str, str] = tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))
        except (OSError, UnknownLocaleError, ValueError) as problem:
            known = ", ".join(sorted(path.stem for path in folder.glob("*.toml")))
            raise ValueError(f"no words in the language {name}; there are {known}") from problem
        self.name = name
        self._fallback = None if name == _ENGLISH else english()
        self.decimal: str = self.locale.number_symbols["latn"]["decimal"]

    def missing(self) -> list[str]:
        """Keys that are said in English for want of words. A language has plural forms of its own, so those are not compared."""
        keys = self._fallback.texts if self._fallback else {}
        forms = {key for key in keys if _PLURAL.search(key) and _PLURAL.sub("", key) in keys}
        return sorted(set(keys) - set(self.texts) - forms)

    def text(self, key: str, count: object = None) -> str:
        """The text of a key in the form for a count. Raises KeyError for a key that English has not either."""
        if key not in self.texts and self._fallback:
            return self._fallback.text(key, count)
        if isinstance(count, int | float):
            whole = int(count) if count == int(count) else count  # to CLDR 1.0 is not the same as 1
            form = f"{key}.{self.locale.plural_form(whole)}"
            return self.texts.get(form) or self.texts[key]
        return self.texts[key]

    def day(self, when: date, form: str = "day") -> str:
        """A calendar day in one of the forms `format.*` of the catalogue."""
        return format_date(when, self.text(f"format.{form}"), locale=self.locale)

    def written(self, figure: str) -> str:
        """A figure with the decimal sign of the language, and a narrow space for a comma between thousands."""
        if self._fallback is None:
            return figure
        return figure.replace(",", THIN).replace(".", self.decimal)


@cache
def english() -> Language:
    """The language in which every key has words."""
    return Language(_ENGLISH)


_spoken = english()


def speak(language: Language) -> None:
    """Say everything in this process in a language, from now on."""
    global _spoken
    _spoken = language


def spoken() -> Language:
    """The language of this process."""
    return _spoken


class _Figure:
    """A number that a text writes as its language does."""

    def __init__(self, number: float) -> None:
        self._number = number

    def __format__(self, spec: str) -> str:
        return _spoken.written(format(self._number, spec))


def t(key: str, **values: Any) -> str:
    """The text of a key with its values filled in. An unknown key is a mistake in the program: KeyError."""
    text = _spoken.text(key, values.get("count"))
    if not values:
        return text
    return text.format(
        **{
            name: _Figure(one) if isinstance(one, int | float) and not isinstance(one, bool) else one
            for name, one in values.items()
        }
    )


_CAUTIONS: Final = {
    "duty": ("telemetry", "logging", "pressure", "miner"),
    "dispatch": ("headroom", "decides"),
    "dossier": ("telemetry", "logging", "pressure", "miner", "no_guarantee", "computed"),
    "sheet": ("headroom", "decides", "sheet"),
}


def cautions(about: Literal["duty", "dispatch", "dossier", "sheet"]) -> tuple[str, ...]:
    """What every answer or document about something says of its limits."""
    return tuple(t(f"caution.{name}") for name in _CAUTIONS[about])
