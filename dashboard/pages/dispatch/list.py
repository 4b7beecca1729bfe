"""The jobs of a day's list as text: as they stand in the address, and as a person types or pastes them."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from dashboard.pages.dispatch.question import clock_time, problems_by_field
from dashboard.parts import form
from dashboard.parts.form import Unreadable
from domain.dispatch_answers import DispatchQuestion
from domain.job import Window
from domain.job_answers import ListedJob
from domain.units import SI_PER
from words import numbers
from words.numbers import Units
from words.texts import t

COLUMNS: Final = (
    "title", "from", "to", "travel_min", "mass_kg", "rigging_kg", "outreach_m", "hook_height_m", "sector",
    "pick_outreach_m", "pick_hook_height_m", "pick_sector", "spread_left", "spread_right",
)  # fmt: skip
"""A job of the list as it stands in the address, in SI units."""
_WORDS: Final = ("sector", "pick_sector", "spread_left", "spread_right")
_MAY_BE_EMPTY: Final = ("travel_min", "hook_height_m", "pick_outreach_m", "pick_hook_height_m")
_TYPED_IN: Final = {"kg": ("kg", "t", "lb"), "m": ("m", "ft")}
MOST_JOBS: Final = 200


class Line(NamedTuple):
    """One job of the list: as it was typed, and as it is asked."""

    text: str
    asked: ListedJob


def read_list(
    typed: Sequence[str], day: date, zone: ZoneInfo, units: Units = Units.METRIC
) -> tuple[list[Line], list[str]]:
    """The jobs of a list, one a line in the order of COLUMNS; what cannot be read is told with its line, ranges in the units given."""
    lines, problems = [], []
    for number, text in enumerate(typed[:MOST_JOBS], start=1):
        cells = [cell.strip() for cell in text.split(";")]
        try:
            _refuse_surplus(cells, COLUMNS)
            lines.append(
                Line(text.strip(), read_job(dict(zip(COLUMNS, cells, strict=False)), day, zone, units))
            )
        except Unreadable as problem:
            words = "; ".join(_named(name, said) for name, said in problem.problems.items())
            problems.append(t("dispatch.day.line", number=number, text=words))
    if len(typed) > MOST_JOBS:
        problems.append(t("dispatch.day.too_many", most=MOST_JOBS))
    return lines, problems


def _refuse_surplus(cells: Sequence[str], columns: Sequence[str]) -> None:
    """Raises Unreadable for a line with something beyond the last column, which would be lost, or have pushed the rest aside."""
    if any(cells[len(columns) :]):
        raise Unreadable({"jobs": t("dispatch.day.surplus", count=len(cells), columns=len(columns))})


def _named(name: str, said: str) -> str:
    """What is wrong, after the field as the form calls it."""
    return f"{t(f'form.day_job.{name}')}: {said}" if name in COLUMNS else said


def read_job(cells: Mapping[str, str], day: date, zone: ZoneInfo, units: Units = Units.METRIC) -> ListedJob:
    figures: dict[str, float] = {}
    problems: dict[str, str] = {}
    for name in COLUMNS[3:]:
        word = cells.get(name, "")
        if name in _WORDS or (not word and name in _MAY_BE_EMPTY):
            continue
        try:
            figures[name] = float(word)
        except ValueError:
            problems[name] = t("dispatch.no_number")
    times = {}
    for name in ("from", "to"):
        try:
            times[name] = clock_time(day.isoformat(), cells.get(name, ""), zone, latest=name == "to")
        except ValueError:
            problems[name] = t("dispatch.day.clock")
    if problems:
        raise Unreadable(problems)
    travel = figures.pop("travel_min", 0.0)
    window = form.read(Window, {"starts_at": times["from"], "ends_at": times["to"]})
    words = {name: cells.get(name, "").lower() or None for name in _WORDS}
    pick_sector = words.pop("pick_sector")
    pick: dict[str, Any] = {
        name.removeprefix("pick_"): figures.pop(name) for name in list(figures) if name.startswith("pick_")
    }
    if pick or pick_sector:
        pick["sector"] = pick_sector
    try:
        job = DispatchQuestion.model_validate({**figures, **words, "pick": pick or None, "window": window})
    except ValidationError as problem:
        raise Unreadable(problems_by_field(problem, units)) from problem
    return form.read(ListedJob, {"title": cells["title"], "job": job, "travel_minutes": travel})


def column_names(units: Units) -> list[str]:
    """The columns of a list as a person types it, each with its unit."""
    units_of = {"kg": numbers.mass_unit(units), "m": numbers.length_unit(units)}
    parts = [name.rpartition("_") for name in COLUMNS]
    return [
        f"{quantity}_{units_of[unit]}" if unit in units_of else name
        for name, (quantity, _, unit) in zip(COLUMNS, parts, strict=True)
    ]


def shown(lines: Sequence[str], units: Units) -> list[str]:
    """Lines of the address in the units of a person; what is no number stays as it is."""
    return [
        ";".join(
            _times(cell, 1 / SI_PER[typed.rpartition("_")[2]]) if typed != name else cell
            for cell, name, typed in zip(line.split(";"), COLUMNS, column_names(units), strict=False)
        )
        for line in lines
    ]


def read_pasted(lines: Sequence[str], units: Units) -> list[str]:
    """Lines as a person pastes them, as they stand in the address: SI units, the columns in their order.

    A first line that begins with `title` names the columns, each figure with its unit; without one the columns have
    the order of `column_names` and the units of the form. Raises Unreadable for a column that is not known or named twice, and
    for lines with more cells than columns.
    """
    rows = [
        (number, [cell.strip() for cell in line.replace("\t", ";").split(";")])
        for number, line in enumerate(lines, start=1)
        if line.strip()
    ]
    names = column_names(units)
    if rows and rows[0][1][0].lower() == COLUMNS[0]:
        names, rows = [name.lower() for name in rows[0][1]], rows[1:]
    factors: dict[str, tuple[str, float]] = {}
    for name in names:
        quantity, _, unit = name.rpartition("_")
        found = [si for si, allowed in _TYPED_IN.items() if unit in allowed and f"{quantity}_{si}" in COLUMNS]
        if not found and name not in COLUMNS:
            known = ", ".join(column_names(units))
            raise Unreadable({"jobs": t("dispatch.day.column", name=name, known=known)})
        column, factor = (f"{quantity}_{found[0]}", SI_PER[unit]) if found else (name, 1.0)
        if any(column == known for known, _ in factors.values()):
            raise Unreadable({"jobs": t("dispatch.day.column_twice", name=name)})
        factors[name] = column, factor
    listed, problems = [], []
    for number, row in rows:
        try:
            _refuse_surplus(row, names)
        except Unreadable as problem:
            problems.append(t("dispatch.day.line", number=number, text=problem.problems["jobs"]))
        cells = {
            factors[name][0]: _times(cell, factors[name][1]) for name, cell in zip(names, row, strict=False)
        }
        listed.append(";".join(cells.get(name, "") for name in COLUMNS).rstrip(";"))
    if problems:
        raise Unreadable({"jobs": "; ".join(problems)})
    return listed


def _times(cell: str, factor: float) -> str:
    """A figure times a factor; what is no number stays as it is, to be told on the page."""
    try:
        return cell if factor == 1.0 else f"{float(cell) * factor:.6g}"
    except ValueError:
        return cell
