"""What every document is made with: the typesetting into PDF/UA, figures and moments as text, bars."""

import json
import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any, Final
from zoneinfo import ZoneInfo

import typst

from domain.units import s_to_h
from words.texts import english, spoken, t

BAR_MM: Final = 90.0  # the longest bar

Pairs = list[tuple[str, str]]
"""What a document shows as name and value, line by line."""


def pdf(layout: str, data: Mapping[str, Any], at: datetime) -> bytes:
    """The document; the same data and time give the same bytes. CPU work: run it in a thread.

    A character that the document's fonts lack (of a name in another script, say) stands as its number, [U+691C]: PDF/UA takes no
    empty box, and nobody's entry may cost everybody the document.
    layout: name of a file in `reports/layouts/`, without its ending. at: the date that the document carries.
    """
    words = {key.removeprefix("layout."): t(key) for key in english().texts if key.startswith("layout.")}
    data = {**data, "words": words, "language": spoken().locale.language}
    while True:
        try:
            made: bytes = typst.compile(
                files(__package__).joinpath(f"layouts/{layout}.typ").read_bytes(),
                format="pdf",
                ignore_system_fonts=True,
                pdf_standards=["ua-1"],
                timestamp=int(at.timestamp()),
                sys_inputs={"data": json.dumps(data)},
            )
            return made
        except typst.TypstError as problem:
            before, data = data, _numbered(data, _lacking(problem.diagnostic))
            if data == before:
                raise


_LACKING: Final = re.compile(r'`"(.*)"` could not')
_ESCAPED: Final = re.compile(r"\\u\{([0-9a-f]+)\}")


def _lacking(diagnostic: str) -> set[str]:
    """Characters that the typesetting could not display, as it tells."""
    texts = (_ESCAPED.sub(lambda one: chr(int(one[1], 16)), text) for text in _LACKING.findall(diagnostic))
    # A letter of ours that stands below a foreign accent is no cause.
    return {one for text in texts for one in text if not (one.isascii() and one.isprintable())}


def _numbered(value: Any, characters: set[str]) -> Any:
    """The same data, the characters in its texts as numbers."""
    if isinstance(value, str):
        return "".join(f"[U+{ord(one):04X}]" if one in characters else one for one in value)
    if isinstance(value, Mapping):
        return {name: _numbered(one, characters) for name, one in value.items()}
    return [_numbered(one, characters) for one in value] if isinstance(value, list | tuple) else value


def bars(values: Sequence[tuple[str, float]], *, logarithmic: bool = False) -> list[dict[str, Any]]:
    """Rows with a bar each, the longest BAR_MM."""
    sizes = [math.log10(1 + value) if logarithmic else value for _, value in values]
    longest = max(sizes, default=0.0) or 1.0
    return [
        {"label": label, "value": number(value), "width": round(BAR_MM * size / longest, 2)}
        for (label, value), size in zip(values, sizes, strict=True)
    ]


def number(value: float | None) -> str:
    """Three figures, or whole thousands; a dash for None."""
    if value is None:
        return "–"
    return spoken().written(f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}")


def percent(share: float | None) -> str:
    """A share as percent; a dash for None."""
    return "–" if share is None else spoken().written(f"{100 * share:.3g} %")


def hours(seconds: float) -> str:
    """Hours out of seconds, with their unit."""
    return spoken().written(f"{s_to_h(seconds):,.1f} h")


def or_dash(value: object) -> str:
    """A value as text; a dash for None."""
    return "–" if value is None else str(value)


def moment(at: datetime | None, time_zone: str) -> str:
    """A moment in a zone; a dash for None."""
    return "–" if at is None else f"{at.astimezone(ZoneInfo(time_zone)):%Y-%m-%d %H:%M}"
