"""What a set of load charts has to keep to, whichever way it comes in: as CSV, as JSON, in the file of a crane.

A point is named by the number of its line; charts that come as JSON are named by their place in the set. A chart may
have a hole: a point of 0 kg says that there is no capacity from the point before it to the point after it.
"""

import math
import statistics
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from domain.crane import QUARTERS, CraneType, LoadChart, Sector, Spread
from domain.errors import InvalidInput
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import envelope

HOLE_STEPS: Final = 2.5
"""A step in outreach of more than this many times the row's usual (median) step is a hole: own choice."""


class Problem(NamedTuple):
    """What is wrong, and in which line of the file, counted from 1; 0 where it is of the file as a whole."""

    line: int
    text: str


class Setup(NamedTuple):
    """What makes lines one chart."""

    spread_left: Spread
    spread_right: Spread
    sector: Sector | None
    jib: bool
    stage: int | None


class Point(NamedTuple):
    line: int
    setup: Setup
    outreach_m: float
    capacity_kg: float
    hook_height_m: float | None


Rows = dict[float | None, list[Point]]


def grouped(points: list[Point]) -> dict[Setup, Rows]:
    """Points by configuration and hook height, in the order of the file."""
    groups: dict[Setup, Rows] = {}
    for point in points:
        groups.setdefault(point.setup, {}).setdefault(point.hook_height_m, []).append(point)
    return groups


def row_problems(rows: Rows) -> Iterator[Problem]:
    """What is wrong between the points of one chart: order, doubles, rises, holes, too few, heights mixed."""
    if None in rows and len(rows) > 1:
        yield Problem(
            rows[None][0].line, "hook_height: empty here, but given in other lines of this configuration"
        )
    for row in rows.values():
        if len(row) < 2:
            yield Problem(row[0].line, "the only point of its row: a row has two points or more")
        steps = [far.outreach_m - near.outreach_m for near, far in zip(row, row[1:], strict=False)]
        usual = statistics.median(steps) if steps else 0.0
        for near, far, step in zip(row, row[1:], steps, strict=False):
            if step == 0:
                yield Problem(far.line, f"outreach {far.outreach_m:g} m stands in line {near.line} already")
            elif step < 0:
                yield Problem(
                    far.line,
                    f"outreach {far.outreach_m:g} m after {near.outreach_m:g} m: it must rise within a configuration",
                )
            elif step > HOLE_STEPS * usual > 0 and near.capacity_kg and far.capacity_kg:
                yield Problem(
                    far.line,
                    f"hole: nothing between {near.outreach_m:g} m and {far.outreach_m:g} m, where the usual step is"
                    f" {usual:g} m; a line missing? If there is no capacity, say so with a point of 0",
                )
        carrying = [point for point in row if point.capacity_kg]
        for near, far in zip(carrying, carrying[1:], strict=False):
            if far.outreach_m > near.outreach_m and far.capacity_kg > near.capacity_kg:
                yield Problem(
                    far.line,
                    f"capacity {far.capacity_kg:g} kg is above the {near.capacity_kg:g} kg of line {near.line}"
                    f" nearer in: it must not rise with outreach",
                )


def impossible(points: list[Point], crane_type: CraneType) -> Iterator[Problem]:
    for point in points:
        if point.setup.jib and crane_type.jib is None:
            yield Problem(point.line, f"jib: type {crane_type.name} has none")
        stages = len(crane_type.extensions)
        if point.setup.stage is not None and point.setup.stage > stages:
            yield Problem(point.line, f"stage: type {crane_type.name} has {stages} extensions")


def doubtful(points: list[Point], crane_type: CraneType) -> Iterator[Problem]:
    """What the entry of the type makes doubtful; the chart of the maker still holds."""
    reach = {False: float(envelope(crane_type, angle_steps=31).outreach_m[-1])}
    if crane_type.jib is not None:
        reach[True] = float(envelope(crane_type, with_jib=True, angle_steps=31).outreach_m[-1])
    for point in points:
        farthest = reach.get(point.setup.jib, math.inf)
        if point.outreach_m > farthest + 0.05:
            yield Problem(
                point.line,
                f"outreach {point.outreach_m:g} m lies beyond the {farthest:.2f} m of the type's entry",
            )
        arm = point.outreach_m - crane_type.pivot_offset_m
        moment = point.capacity_kg * STANDARD_GRAVITY_M_S2 * arm / 1000.0
        if moment > crane_type.rated_moment_kn_m:
            yield Problem(
                point.line,
                f"load moment {moment:.0f} kN.m is above the rated {crane_type.rated_moment_kn_m:g} kN.m of the type's"
                " entry, without the booms",
            )


def missing(groups: dict[Setup, Rows]) -> Iterator[Problem]:
    """Configurations that dispatch will look for and not find."""
    if not any(setup.spread_left is Spread.FULL and setup.spread_right is Spread.FULL for setup in groups):
        yield Problem(0, "no chart for full spread on both sides")
    sides: dict[tuple[Spread, Spread, bool, int | None], set[Sector | None]] = {}
    for setup in groups:
        sides.setdefault(setup[:2] + setup[3:], set()).add(setup.sector)
    for (left, right, _, _), sectors in sides.items():
        covered = {quarter for sector in sectors if sector is not None for quarter in sector.quarters}
        absent = [sector for sector in QUARTERS if sector not in covered]
        if absent and None not in sectors:
            yield Problem(
                0, f"spread {left}/{right}: no chart for {', '.join(absent)}; there the crane has no capacity"
            )


def check_charts(charts: Sequence[LoadChart], crane_type: CraneType) -> list[Problem]:
    """Problems of charts that did not come as lines; numbers count the charts from 1. Empty where there are none."""
    found: list[Problem] = []
    known: dict[tuple[Setup, object], int] = {}
    for number, chart in enumerate(charts, start=1):
        setup = Setup(chart.spread_left, chart.spread_right, chart.sector, chart.jib_fitted, chart.stage)
        points = [
            Point(number, setup, one.outreach_m, one.capacity_kg, one.hook_height_m) for one in chart.points
        ]
        same = known.setdefault((setup, chart.valid_from), number)
        if same != number:
            found.append(Problem(number, f"the same set-up as chart {same}: keep the one that holds"))
        for rows in grouped(points).values():
            found += row_problems(rows)
        found += impossible(points[:1], crane_type)
    return found


def refuse_charts(crane_type: CraneType) -> None:
    """Raise InvalidInput with every problem of a type's charts, if there is any."""
    problems = check_charts(crane_type.charts, crane_type)
    if problems:
        told = "; ".join(f"chart {one.line}: {one.text}" for one in problems)
        raise InvalidInput(f"load charts of {crane_type.name}: {told}", field="crane.type.charts")
