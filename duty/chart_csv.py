"""Load charts from CSV text, checked line by line. Text in, charts or problems out; nothing is repaired silently.

Columns, in any order, named with their unit:

    spread_left, spread_right    full, part, none
    outreach_m (or _ft)
    capacity_kg (or _t, _lb)
    hook_height_m (or _ft)       optional, for charts with rows by hook height
    sector                       optional: over_cab, right, rear, left; side for right and left alike; empty for all round
    jib                          optional: yes, no
    stage                        optional: extensions run out; empty for any

One line is one point. Lines of one configuration form one chart; in a row of a chart the outreach rises from line to
line; 0 or a dash for the capacity is a hole, from the point before it to the point after it. Comma, semicolon or tab
separates; with the latter two a decimal comma is read as well. Empty lines and lines that begin with # are passed over.
The rules that charts keep to are those of duty.chart_rules.
"""

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from domain.crane import ChartPoint, CraneType, LoadChart, Sector, Spread
from domain.units import KG_PER_LB, KG_PER_T, M_PER_FT
from duty.chart_rules import Point, Problem, Rows, Setup, doubtful, grouped, impossible, missing, row_problems

MOST_LINES: Final = 20_000
MOST_PROBLEMS: Final = 100

_UNITS: Final = {
    "outreach": {"m": 1.0, "ft": M_PER_FT},
    "hook_height": {"m": 1.0, "ft": M_PER_FT},
    "capacity": {"kg": 1.0, "t": KG_PER_T, "lb": KG_PER_LB},
}
_RANGES: Final = {
    "outreach": (0.0, 100.0, "m"),
    "hook_height": (-60.0, 120.0, "m"),
    "capacity": (0.0, 200_000.0, "kg"),
}
_WORDS: Final = ("spread_left", "spread_right", "sector", "jib", "stage")
_NEEDED: Final = ("spread_left", "spread_right", "outreach", "capacity")
NO_CAPACITY: Final = ("-", "\u2013", "\u2014")
"""How charts print that there is no capacity at an outreach, beside 0."""
_JIB: Final = {"": False, "no": False, "yes": True}


@dataclass(frozen=True, kw_only=True)
class ChartFile:
    """What a file holds. With any problem, `charts` is empty; warnings leave the charts usable."""

    charts: tuple[LoadChart, ...]
    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]


class _Column(NamedTuple):
    """What a column of the file holds: a quantity with the factor to its own unit, or a word."""

    name: str
    factor: float


def read_charts(text: str, crane_type: CraneType | None = None) -> ChartFile:
    """Read and check load charts.

    With `crane_type`, charts that its entry cannot have (a jib it does not have) are problems, and what the entry
    makes doubtful (beyond its reach, above its rated moment) is warned of.
    """
    problems: list[Problem] = []
    points = list(_points(text, problems))
    groups = grouped(points)
    for rows in groups.values():
        problems += row_problems(rows)
    warnings: list[Problem] = []
    if crane_type is not None:
        problems += impossible(points, crane_type)
        warnings += doubtful(points, crane_type)
    charts: list[LoadChart] = []
    if not problems:
        charts = [_chart(setup, rows) for setup, rows in groups.items()]
        warnings += missing(groups)
    problems.sort()
    return ChartFile(
        charts=tuple(charts), problems=tuple(problems[:MOST_PROBLEMS]), warnings=tuple(sorted(warnings))
    )


def _points(text: str, problems: list[Problem]) -> Iterator[Point]:
    """The points of the lines that can be read; what cannot is added to `problems`."""
    lines = [
        (number, line)
        for number, line in enumerate(text.lstrip("\ufeff").splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(lines) < 2 or len(lines) > MOST_LINES:
        problems.append(Problem(0, f"a file has a line of column names and 1 to {MOST_LINES - 1} points"))
        return
    separator = max(",;\t", key=lines[0][1].count)
    columns = _columns(lines[0], separator, problems)
    if columns is None:
        return
    for number, line in lines[1:]:
        cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator))]
        if len(cells) != len(columns):
            problems.append(
                Problem(
                    number, f"{len(cells)} values for {len(columns)} columns; a separator inside a value?"
                )
            )
            continue
        if (point := _point(number, columns, cells, separator != ",", problems)) is not None:
            yield point


def _columns(head: tuple[int, str], separator: str, problems: list[Problem]) -> list[_Column] | None:
    number, line = head
    found: list[_Column] = []
    before = len(problems)
    for cell in next(csv.reader([line], delimiter=separator)):
        name = cell.strip().lower()
        quantity, _, unit = name.rpartition("_")
        if name in _WORDS:
            found.append(_Column(name, 1.0))
        elif quantity in _UNITS and unit in _UNITS[quantity]:
            found.append(_Column(quantity, _UNITS[quantity][unit]))
        elif (meant := name if name in _UNITS else quantity) in _UNITS:
            units = ", ".join(f"{meant}_{one}" for one in _UNITS[meant])
            problems.append(Problem(number, f"column {name!r}: the unit is not known; use {units}"))
        else:
            problems.append(Problem(number, f"column {name!r} is not known"))
    names = [column.name for column in found]
    problems += [
        Problem(number, f"column {name} stands there {names.count(name)} times")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]
    for name in _NEEDED:
        if name not in names and len(problems) == before:
            problems.append(Problem(number, f"column {name}{_unit_hint(name)} is missing"))
    return found if len(problems) == before else None


def _unit_hint(name: str) -> str:
    return f"_{next(iter(_UNITS[name]))}" if name in _UNITS else ""


def _point(
    line: int, columns: list[_Column], cells: list[str], decimal_comma: bool, problems: list[Problem]
) -> Point | None:
    before = len(problems)
    numbers: dict[str, float | None] = {"hook_height": None}
    words = dict.fromkeys(_WORDS, "")
    for column, cell in zip(columns, cells, strict=True):
        if column.name in _UNITS:
            numbers[column.name] = _number(line, column, cell, decimal_comma, problems)
        else:
            words[column.name] = cell.lower()
    setup = _setup(line, words, problems)
    outreach, capacity = numbers["outreach"], numbers["capacity"]
    if len(problems) > before or setup is None or outreach is None or capacity is None:
        return None
    return Point(line, setup, outreach, capacity, numbers["hook_height"])


def _number(
    line: int, column: _Column, cell: str, decimal_comma: bool, problems: list[Problem]
) -> float | None:
    if not cell and column.name == "hook_height":
        return None
    low, high, unit = _RANGES[column.name]
    if column.name == "capacity" and cell in NO_CAPACITY:
        return 0.0
    try:
        value = float(cell.replace(",", ".") if decimal_comma else cell) * column.factor
    except ValueError:
        problems.append(Problem(line, f"{column.name}: {cell!r} is not a number"))
        return None
    # A capacity of nothing is a hole in the chart; an outreach of nothing is none.
    if not (math.isfinite(value) and low <= value <= high and (value > low or column.name != "outreach")):
        problems.append(
            Problem(line, f"{column.name}: {cell} is outside {low:g} to {high:g} {unit}; is the unit right?")
        )
        return None
    return value


def _setup(line: int, words: dict[str, str], problems: list[Problem]) -> Setup | None:
    before = len(problems)
    for name, allowed in (
        ("spread_left", tuple(Spread)),
        ("spread_right", tuple(Spread)),
        ("sector", ("", *Sector)),
        ("jib", tuple(_JIB)),
    ):
        if words[name] not in allowed:
            known = ", ".join(word or "empty" for word in allowed)
            problems.append(Problem(line, f"{name}: {words[name]!r} is none of {known}"))
    stage = words["stage"]
    if stage and not (stage.isdecimal() and int(stage) <= 20):
        problems.append(Problem(line, f"stage: {stage!r} is not a whole number from 0 to 20, or empty"))
    if len(problems) > before:
        return None
    return Setup(
        Spread(words["spread_left"]),
        Spread(words["spread_right"]),
        Sector(words["sector"]) if words["sector"] else None,
        _JIB[words["jib"]],
        int(stage) if stage else None,
    )


def _chart(setup: Setup, rows: Rows) -> LoadChart:
    return LoadChart(
        spread_left=setup.spread_left,
        spread_right=setup.spread_right,
        sector=setup.sector,
        jib_fitted=setup.jib,
        stage=setup.stage,
        points=tuple(
            ChartPoint(
                outreach_m=point.outreach_m, capacity_kg=point.capacity_kg, hook_height_m=point.hook_height_m
            )
            for row in rows.values()
            for point in row
        ),
    )


def write_charts(charts: tuple[LoadChart, ...]) -> str:
    """The same charts as CSV text that `read_charts` reads back, in SI units."""
    lines = ["spread_left,spread_right,sector,jib,stage,hook_height_m,outreach_m,capacity_kg"]
    for chart in charts:
        setup = (
            chart.spread_left,
            chart.spread_right,
            chart.sector or "",
            "yes" if chart.jib_fitted else "no",
            "" if chart.stage is None else str(chart.stage),
        )
        for point in chart.points:
            height = "" if point.hook_height_m is None else repr(point.hook_height_m)
            lines.append(",".join((*setup, height, repr(point.outreach_m), repr(point.capacity_kg))))
    return "\n".join(lines) + "\n"
