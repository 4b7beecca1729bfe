"""What a set-up has to pass before anything hangs on it: jib, sector, reach, hook height, capacity within the planning limit."""

from collections.abc import Callable
from enum import IntEnum
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.job import JibRule, LiftJob
from duty.capacity import SECTORS, Flags, Floats, Ints, read_table
from duty.fleet import Fleet, hook_heights_m, last_largest
from duty.sweep import Span

BELOW_TIP_M: Final = 0.5
"""How far a hook hangs below the boom tip, so that it may stand as much lower than the booms reach: own choice."""


class Ruling(IntEnum):
    """How far a crane comes through the conditions, tried in this order; only FIT passes them all."""

    NO_CHART = 0
    JIB = 1
    SPREAD = 2
    SECTOR = 3
    TOO_NEAR = 4
    TOO_FAR = 5
    HEIGHT = 6
    CAPACITY = 7
    TIPS = 8
    GROUND = 9
    WIND = 10
    SLOPE = 11
    FIT = 12


class Tried(NamedTuple):
    """Outcome by configuration, or by sector and configuration, before jib, spread, tipping and ground are looked at."""

    ruling: Ints  # SECTOR .. CAPACITY, or FIT
    capacity_kg: Floats

    def over(self, reduce: Callable[[NDArray[Any]], NDArray[Any]]) -> "Tried":
        """Both, reduced in one way."""
        return Tried(reduce(self.ruling), reduce(self.capacity_kg))

    def in_all(self, sectors: tuple[int, ...]) -> "Tried":
        """The worst of some sectors, by configuration."""
        if len(sectors) == 1:
            return self.over(lambda part: part[sectors[0]])
        return self.over(lambda part: part[list(sectors)].min(axis=0))


def try_sectors(fleet: Fleet, job: LiftJob, span: Span) -> Tried:
    """Sector, reach, height and capacity, by sector and configuration, over the rectangle of a span."""
    first = fleet.configuration_first_chart
    shape = (len(SECTORS), first.size)
    if not first.size:
        return Tried(np.zeros(shape, np.intp), np.zeros(shape))
    table = fleet.table
    reading = read_table(table, span.outreach_m, span.hook_height_m, any_height=span.any_height)
    by_chart = np.full(table.chart_variant.size, int(Ruling.CAPACITY))
    by_chart[reading.height_outside] = Ruling.HEIGHT
    by_chart[reading.too_far] = Ruling.TOO_FAR
    by_chart[reading.too_near] = Ruling.TOO_NEAR
    ruling, capacity = np.empty(shape, np.intp), np.empty(shape)
    for index in range(len(SECTORS)):
        holds = (table.sectors >> index) & 1 == 1
        worst = np.minimum.reduceat(np.where(holds, by_chart, Ruling.FIT), first)
        ruling[index] = np.where(worst == Ruling.FIT, Ruling.SECTOR, worst)
        capacity[index] = np.minimum.reduceat(np.where(holds, reading.capacity_kg, np.inf), first)
    if span.hook_height_m is not None:
        by_height = np.isfinite(table.height_low_m[first])
        lowest, highest = hook_heights_m(fleet, span.outreach_m)
        low, high = span.hook_height_m
        out_of_reach = ~by_height & ((highest < high) | (lowest - BELOW_TIP_M > low))
        ruling[(ruling == Ruling.CAPACITY) & out_of_reach] = Ruling.HEIGHT
    jib_rated = np.where(table.jib_fitted[first], fleet.jib_rated_kg[fleet.configuration_variant], np.inf)
    capacity = np.where(ruling == Ruling.CAPACITY, np.minimum(capacity, jib_rated), 0.0)
    # A capacity of 0 in a chart is a hole: nothing may hang there, however light.
    enough = (job.hook_load_kg <= capacity * job.planning_limit_pct / 100.0) & (capacity > 0)
    return Tried(np.where(enough, Ruling.FIT, ruling), capacity)


def jib_as_wanted(fleet: Fleet, job: LiftJob) -> Flags:
    """By configuration: whether the jib is as the job wants it."""
    fitted = fleet.table.jib_fitted[fleet.configuration_first_chart]
    if job.jib is JibRule.ANY:
        return np.ones(fitted.size, np.bool_)
    return np.asarray(fitted == (job.jib is JibRule.NEEDED), np.bool_)


def charted_sectors(fleet: Fleet, span: Span, allowed: Flags) -> Ints:
    """By variant, as bits: sectors in which the allowed set-up that covers most of the span's sectors has a chart."""
    first = fleet.configuration_first_chart
    if not first.size:
        return np.zeros(len(fleet.types), np.intp)
    bits = np.where(allowed, np.bitwise_or.reduceat(fleet.table.sectors, first), 0)
    needed = sum(1 << index for index in span.sectors)
    covered = sum((bits & needed) >> index & 1 for index in range(len(SECTORS)))
    best = last_largest(fleet, np.asarray(covered, float))
    return np.where(best >= 0, bits[best], 0)


def blocked_by_weather(fleet: Fleet, job: LiftJob) -> Ints:
    """By crane: WIND or SLOPE where what is entered is above the limit entered, else FIT. What is not entered decides nothing."""
    ruling = np.full(fleet.crane_variant.size, int(Ruling.FIT))
    for given, limits, ruled in (
        (job.slope_deg, fleet.slope_limit_deg, Ruling.SLOPE),
        (job.wind_m_s, fleet.wind_limit_m_s, Ruling.WIND),
    ):
        if given is not None:
            ruling = np.where(given > limits, ruled, ruling)
    return ruling
