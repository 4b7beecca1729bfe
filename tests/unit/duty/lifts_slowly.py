"""The rule of lift finding read sample by sample in plain Python: what `duty.lifts` must agree with."""

from itertools import groupby
from typing import NamedTuple

import numpy as np

from duty.lift_signals import LiftSignals
from duty.lifts import LiftRule


class Sample(NamedTuple):
    """One judged sample; load and half are in whole units, None without pose."""

    at_ms: int
    step_ms: int
    utilisation: float
    load: int | None
    half: int
    whole: int  # tolerance of a full load at the pose
    arm: int
    weight: int
    structural: float
    outreach: float
    slew: float
    left: float


Cell = list[Sample]
Answer = tuple[int, int, int, tuple[float, ...], float | None]


def lifts_slowly(samples: LiftSignals, rule: LiftRule, posed: bool) -> list[Answer]:
    """(start_ms, end_ms, loaded_ms, extremes, mass) of each lift; extremes: largest utilisation, structural percent and outreach,
    narrowest left stabiliser, slewing travel.
    """
    judged = [one for i in range(samples.time_ms.size) if (one := _judged(samples, i, rule, posed))]
    cells = [list(group) for _, group in groupby(judged, key=lambda one: one.at_ms // rule.cell_ms)]
    before_record = 0 if posed else 33_000
    levels, level = [], before_record
    for cell in cells:
        interval = _interval(cell)
        if interval is not None:
            level = min(max(level, interval[0]), interval[1])
        levels.append(level)
    found = []
    for before, top, after in _tops([before_record, *levels]):
        # index k of the list with the level before the record is cell k - 1
        if posed and levels[top - 1] <= 0:
            continue
        moves = range(before + 1, (top if after is None else after) + 1)
        if posed and not any(_is_step(cells, levels, k - 1, rule) for k in moves):
            continue
        empty = _empty(cells, levels, before)
        if after is not None:
            empty = max(empty, _empty(cells, levels, after))
        steps = [before_record, *levels]
        rises = [k - 1 for k in moves if k < top and steps[k] > steps[k - 1] and _low(cells[k - 1]) > empty]
        falls = [k - 1 for k in moves if k > top and steps[k] < steps[k - 1]]
        back = [k for k in falls if _low(cells[k]) <= empty] or falls[-1:] or [len(cells)]
        found.append(_lift(cells, min([*rises, top - 1]), back[0], empty, rule))
    return found


def _judged(samples: LiftSignals, i: int, rule: LiftRule, posed: bool) -> Sample | None:
    u = float(samples.utilisation_pct[i])
    if np.isnan(u) or (samples.mode is not None and samples.mode[i] == 0):
        return None
    at = (int(samples.time_ms[i]), int(samples.step_ms[i]), u)
    names = ("structural_pct", "outreach_m", "slew_deg", "stabiliser_left_pct")
    others = [float(getattr(samples, name)[i]) for name in names]
    if not posed:
        t = rule.plain_tolerance_pct
        return Sample(*at, round(u * 1000), round(t * 1000), round(t * 1000), 1, 0, *others)
    base, k, arm = (float(getattr(samples, name)[i]) for name in ("base_pct", "kg_per_pct", "arm_m"))
    if np.isnan(base):
        return Sample(*at, None, 0, 0, 0, 0, *others)
    if arm < rule.least_arm_m:
        return None
    load, whole = (u - base) * k, rule.tolerance_pct * k
    half = (rule.light_share + (1.0 - rule.light_share) * min(max(u, 0.0), 100.0) / 100.0) * whole
    weight = round(max(u - base, 0.0) * 10)
    units = round(load * 1000), round(half * 1000), round(whole * 1000)
    return Sample(*at, *units, round(arm * 100), weight, *others)


def _tops(levels: list[int]) -> list[tuple[int, int, int | None]]:
    """(valley before, top, valley after) as indices, each the first of its plateau; None where the record ends on top."""
    turns: list[int] = [0]
    for i in range(1, len(levels)):
        if levels[i] == levels[turns[-1]]:
            continue
        if len(turns) > 1 and (levels[i] > levels[turns[-1]]) == (levels[turns[-1]] > levels[turns[-2]]):
            turns[-1] = i
        else:
            turns.append(i)
    return [
        (turns[k - 1], turns[k], turns[k + 1] if k + 1 < len(turns) else None)
        for k in range(1, len(turns))
        if levels[turns[k]] > levels[turns[k - 1]]
    ]


def _set_by(levels: list[int], valley: int) -> tuple[int, int] | None:
    """Cells [first, last) in which the hook was empty: those after the one that brought the level to the valley, up to the
    one before the next that moves it or the last; where there is none, that one itself.
    """
    if valley == 0:
        return None
    end = valley
    while end + 1 < len(levels) and levels[end + 1] == levels[valley]:
        end += 1
    return (valley, end - 1) if end - 1 > valley else (valley - 1, valley)


def _empty(cells: list[Cell], levels: list[int], valley: int) -> float:
    """Mean load in a valley; 0 before the record."""
    span = _set_by([0, *levels], valley)
    if span is None:
        return 0.0
    inside = [cell for cell in cells[span[0] : span[1]] if _interval(cell)]
    return _mean(inside or [cells[valley - 1]])


def _mean(cells: list[Cell]) -> float:
    arm = sum(one.arm for cell in cells for one in cell if one.load is not None)
    level = sum(one.arm * one.load for cell in cells for one in cell if one.load is not None)
    return level / arm if arm else 0.0


def _seconds(cell: Cell, name: str = "half") -> list[tuple[int, int]]:
    """Mean load and tolerance (`half`, or that of a full load, `whole`) of each second in which the load is known."""
    known = [one for one in cell if one.load is not None]
    groups = (list(group) for _, group in groupby(known, key=lambda one: one.at_ms // 1000))
    return [_level_and(name, group) for group in groups]


def _level_and(name: str, cell: Cell) -> tuple[int, int]:
    known = [(one.load, getattr(one, name)) for one in cell if one.load is not None]
    loads, others = zip(*known, strict=True)
    return round(sum(loads) / len(loads)), round(sum(others) / len(others))


def _interval(cell: Cell) -> tuple[int, int] | None:
    seconds = _seconds(cell)
    if not seconds:
        return None
    return min(load - half for load, half in seconds), max(load + half for load, half in seconds)


def _low(cell: Cell) -> int:
    interval = _interval(cell)
    return 10**12 if interval is None else interval[0]


def _is_step(cells: list[Cell], levels: list[int], k: int, rule: LiftRule) -> bool:
    """Whether cell k moved the level by more than a change of pose can."""
    earlier = levels[k - 1] if k else 0
    if levels[k] == earlier:
        return False
    level, whole = _level_and("whole", cells[k])
    capacity = 100.0 * whole / rule.tolerance_pct
    if k == 0:
        return levels[k] > earlier and level > (rule.zero_pct + rule.least_step_pct) / 100.0 * capacity
    seconds = _seconds(cells[k - 1], "whole")
    gap_ms = cells[k][0].at_ms - cells[k - 1][-1].at_ms
    if not seconds or 2 * rule.cell_ms < gap_ms <= 600_000:
        return True
    # of seconds alike the earliest
    sign = 1 if levels[k] > earlier else -1
    load, whole = min(seconds, key=lambda second: sign * second[0])
    change = sign * (level - load)
    moved = abs(capacity - 100.0 * whole / rule.tolerance_pct)
    return change > (rule.zero_pct * moved + rule.least_step_pct * capacity) / 100.0


def _share(cell: Cell, other: Cell) -> float | None:
    a, b = _interval(cell), _interval(other)
    if a is None or b is None or a[0] > b[1] or a[1] < b[0]:
        return None
    at = [load for load, _ in _seconds(cell)]
    if max(at) - min(at) <= _level_and("whole", cell)[1]:
        return None
    # weighed by the arm, the mean may lie outside what the seconds tell: then nothing can be said
    share = (_mean([cell]) - min(at)) / (max(at) - min(at))
    return share if share >= 0.0 else None


def _lift(cells: list[Cell], start: int, end: int, empty: float, rule: LiftRule) -> Answer:
    inner = cells[start:end]
    first_ms, last_ms = inner[0][0].at_ms, inner[-1][-1].at_ms
    loaded = sum(one.step_ms for cell in inner for one in cell)
    whole = [one for cell in inner for one in cell]
    weighing = inner
    number = [cell[0].at_ms // rule.cell_ms for cell in cells]
    within = _share(cells[end], cells[end]) if end < len(cells) else None
    if within is not None:
        recorded = sum(one.step_ms for one in cells[end])
        last_ms = cells[end][-1].at_ms - round((1.0 - within) * recorded)
        loaded += round(within * recorded)
        whole = [*whole, *cells[end]]
    elif end < len(cells) and number[end] == number[end - 1] + 1:
        share = _share(cells[end - 1], cells[end])
        if share is not None:
            recorded = sum(one.step_ms for one in cells[end - 1])
            last_ms -= round((1.0 - share) * recorded)
            loaded -= recorded - round(share * recorded)
            if any(one.weight for cell in inner[:-1] for one in cell):
                weighing = inner[:-1]
    if start > 0 and number[start] == number[start - 1] + 1:
        share = _share(cells[start - 1], cells[start])
        if share is not None:
            recorded = sum(one.step_ms for one in cells[start - 1])
            first_ms = cells[start - 1][0].at_ms + round((1.0 - share) * recorded)
            loaded += round(share * recorded)
            whole = [*cells[start - 1], *whole]
    weight = sum(one.weight for cell in weighing for one in cell)
    weighted = sum(one.weight * one.load for cell in weighing for one in cell if one.load is not None)
    mass = (weighted / weight - empty) / 1000.0 if weight and weighted / weight > empty else None
    slews = [one.slew for one in whole if not np.isnan(one.slew)]
    ways = [abs((b - a + 180.0) % 360.0 - 180.0) for a, b in zip(slews, slews[1:], strict=False)]
    extremes = (
        max(one.utilisation for one in whole),
        max(one.structural for one in whole),
        np.fmax.reduce([one.outreach for one in whole]),
        min(one.left for one in whole),
        sum(round(way * 1000) for way in ways) / 1000.0,
    )
    return first_ms, last_ms, loaded, extremes, mass
