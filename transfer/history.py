"""The life of cranes before their record: entered for many at once from CSV or rows, all of it or nothing.

    crane,manufactured_on,design_years,recorder_runs,prior_lifts,prior_kq,prior_f1,prior_years,prior_source

One line is one crane. A blank cell leaves what is on file. Comma, semicolon or tab between; other columns are passed
over; empty lines and lines that begin with # too.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, NamedTuple

from psycopg import Connection
from pydantic import ValidationError

from domain.answers import of_row
from domain.crane import Crane
from domain.errors import InvalidInput
from domain.history import COLUMNS, MOST_ENTRIES, PRIOR_COLUMNS, HistoryEntry, HistoryRow
from duty.life import contradictions, design_years, prior_years, unknown_share
from store import registration
from store.registration import History
from words.remarks import listed, text, worded

MOST_TOLD: Final = 10


class Placed(NamedTuple):
    """An entry with the line of the file that it stands in, counted from 1."""

    line: int
    entry: HistoryEntry


@dataclass(frozen=True, kw_only=True)
class HistoryFile:
    """What a file holds. With any problem it is not to be used."""

    entries: tuple[Placed, ...]
    problems: tuple[str, ...]


def read_csv(text: str) -> HistoryFile:
    """The entries of a file, or everything that is wrong with it."""
    lines = text.lstrip("\ufeff").splitlines()
    rows = [(i, line) for i, line in enumerate(lines, start=1) if line.strip() and not line.startswith("#")]
    if len(rows) < 2 or len(rows) > MOST_ENTRIES + 1:
        return HistoryFile(entries=(), problems=(f"give a header and 1 to {MOST_ENTRIES} lines",))
    between = next((mark for mark in (";", "\t") if mark in rows[0][1]), ",")
    names = [name.strip().lower() for name in _cells(rows[0][1], between)]
    if "crane" not in names or not set(names) & set(COLUMNS[1:]):
        told = f"the first line must name the column crane and some of {', '.join(COLUMNS[1:])}"
        return HistoryFile(entries=(), problems=(told,))
    entries: list[Placed] = []
    problems: list[str] = []
    for number, line in rows[1:]:
        cells = dict(zip(names, (cell.strip() for cell in _cells(line, between)), strict=False))
        try:
            entries.append(Placed(number, _entry(cells)))
        except ValidationError as problem:
            problems.append(f"line {number}: {_told(problem)}")
    return HistoryFile(entries=tuple(entries), problems=tuple(problems))


def enter(
    conn: Connection[Any],
    entries: Sequence[Placed],
    now: datetime,
    sites: Sequence[str] | None = None,
    *,
    check_only: bool = False,
) -> int:
    """Enter histories, in the transaction of the caller; how many cranes. now: entries about the past cannot lie after it.

    Raises InvalidInput with every problem: a crane that is not there or stands twice, entries that contradict each other or
    the record. Then nothing may be kept.
    """
    known = {one.name: one for one in registration.histories(conn, sites)}
    problems: list[str] = []
    seen: set[str] = set()
    for line, entry in entries:
        wrong = _wrong(entry, known.get(entry.crane), seen, now)
        problems += [
            f"line {line}, {entry.crane}: {one}" if line else f"{entry.crane}: {one}" for one in wrong
        ]
        seen.add(entry.crane)
    refuse(problems)
    if not check_only:
        for _, entry in entries:
            registration.enter(conn, entry.crane, entry.changes())
    return len(entries)


def refuse_contradictions(conn: Connection[Any], crane: Crane, now: datetime) -> None:
    """Raise InvalidInput where the entries of a crane do not fit each other, its record, or the day."""
    told = contradictions(crane, registration.recorded_from(conn, crane.name), _latest_day(now))
    if told:
        raise InvalidInput(listed(one.remark for one in told), field=f"crane.{told[0].field}")


def _latest_day(now: datetime) -> date:
    """The latest local day that it is anywhere."""
    return (now.astimezone(UTC) + timedelta(hours=14)).date()


def refuse(problems: Sequence[str]) -> None:
    """Raise InvalidInput with the first problems, if there is any."""
    if problems:
        more = len(problems) - MOST_TOLD
        told = "; ".join(problems[:MOST_TOLD]) + (f"; and {more} more" if more > 0 else "")
        raise InvalidInput(told, field="csv")


def history_row(of: History) -> HistoryRow:
    """What is entered of a crane, and what stays unknown."""
    crane = of.crane()
    first = None if of.first_at is None else of.first_at.date()
    unknown = 0.0 if first is None else prior_years(crane, first).unknown
    return of_row(
        HistoryRow,
        crane,
        crane=crane.name,
        recorded_from=first,
        unknown_years=unknown,
        assumed_share=unknown_share(unknown, design_years(crane).years),
        contradictions=tuple(worded(one.remark) for one in contradictions(crane, first)),
    )


def as_csv(rows: Sequence[HistoryRow]) -> str:
    """Histories in the form that `read_csv` takes, to be filled in."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for row in rows:
        prior = row.prior_duty
        writer.writerow(
            [
                row.crane,
                row.manufactured_on or "",
                row.design_years or "",
                row.recorder_runs,
                *(
                    ("",) * 5
                    if prior is None
                    else (prior.lifts, prior.kq, prior.f1, prior.years, prior.source)
                ),
            ]
        )
    return text.getvalue()


def _wrong(entry: HistoryEntry, on_file: History | None, seen: set[str], now: datetime) -> list[str]:
    if on_file is None:
        return ["no such crane that you may see, or it is still a draft: complete it first"]
    if entry.crane in seen:
        return ["stands there twice: keep one line"]
    spec = {**on_file.spec, **entry.changes(), "type": on_file.type_spec, "site": on_file.site}
    first = None if on_file.first_at is None else on_file.first_at.date()
    return [text(one.remark) for one in contradictions(Crane.model_validate(spec), first, _latest_day(now))]


def _entry(cells: dict[str, str]) -> HistoryEntry:
    given: dict[str, Any] = {
        name: cells[name] for name in COLUMNS if name not in PRIOR_COLUMNS and cells.get(name)
    }
    prior = {name.removeprefix("prior_"): cells[name] for name in PRIOR_COLUMNS if cells.get(name)}
    if prior:
        given["prior_duty"] = prior
    return HistoryEntry.model_validate(given)


def _told(problem: ValidationError) -> str:
    first = problem.errors()[0]
    place = "_".join(str(part) for part in first["loc"]).replace("prior_duty_", "prior_")
    words = str(first["msg"]).removeprefix("Value error, ")
    return f"{place}: {words}" if place else words


def _cells(line: str, between: str) -> list[str]:
    return next(csv.reader([line], delimiter=between), [])
