"""A catalogue of status codes from CSV text, checked line by line. Text in, rows or problems out.

    code,meaning[,advice]      a header line; comma, semicolon or tab between, other columns are passed over

One line is one code. Empty lines and lines that begin with # are passed over. A code may stand once.
"""

import csv
from dataclasses import dataclass
from typing import Final, NamedTuple

MOST_LINES: Final = 20_000
MOST_PROBLEMS: Final = 100
MOST_CODE: Final = 64  # as in a message
MOST_TEXT: Final = 1000


class StatusCode(NamedTuple):
    """One code, what it means, and what to do."""

    code: str
    meaning: str
    advice: str


class Problem(NamedTuple):
    """What is wrong, and in which line of the file, counted from 1; 0 where it is of the file as a whole."""

    line: int
    text: str


@dataclass(frozen=True, kw_only=True)
class CatalogueFile:
    """What a file holds. With any problem it is not to be used."""

    codes: tuple[StatusCode, ...]
    problems: tuple[Problem, ...]


def read_codes(text: str) -> CatalogueFile:
    """The codes of a file, or everything that is wrong with it, the first MOST_PROBLEMS."""
    lines = text.lstrip("\ufeff").splitlines()
    rows = [(i, line) for i, line in enumerate(lines, start=1) if line.strip() and not line.startswith("#")]
    if not rows or len(rows) > MOST_LINES:
        return _refused(f"give a header and 1 to {MOST_LINES - 1} lines")
    head = rows[0][1]
    between = next((mark for mark in (";", "\t") if mark in head), ",")
    names = [name.strip().lower() for name in _cells(head, between)]
    if missing := {"code", "meaning"} - set(names):
        return _refused(
            f"the first line must name the columns code and meaning: {', '.join(sorted(missing))} is missing"
        )
    codes: dict[str, StatusCode] = {}
    problems: list[Problem] = []
    for number, line in rows[1:]:
        cells = dict(zip(names, (cell.strip() for cell in _cells(line, between)), strict=False))
        row = StatusCode(cells.get("code", ""), cells.get("meaning", ""), cells.get("advice", ""))
        if wrong := _wrong(row, codes):
            problems.append(Problem(number, wrong))
        codes[row.code] = row
    if not codes and not problems:
        return _refused("there is no code in the file")
    return CatalogueFile(codes=tuple(codes.values()), problems=tuple(problems[:MOST_PROBLEMS]))


def _wrong(row: StatusCode, known: dict[str, StatusCode]) -> str:
    if not row.code:
        return "the code is empty"
    if len(row.code) > MOST_CODE:
        return f"the code is longer than {MOST_CODE} characters, as no message carries it"
    if not row.meaning:
        return f"the meaning of {row.code} is empty"
    if len(row.meaning) > MOST_TEXT or len(row.advice) > MOST_TEXT:
        return f"the text of {row.code} is longer than {MOST_TEXT} characters"
    if "\0" in row.code + row.meaning + row.advice:
        return "there is a NUL character in the line"
    return f"{row.code} stands there twice" if row.code in known else ""


def _cells(line: str, between: str) -> list[str]:
    return next(csv.reader([line], delimiter=between), [])


def _refused(why: str) -> CatalogueFile:
    return CatalogueFile(codes=(), problems=(Problem(0, why),))
