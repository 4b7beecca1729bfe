"""How sure a used share and a damage are, and what matters most: each influence alone at its ends, then together.

    low  = value - sqrt( sum of (value - value with one influence at its low end)^2 ),  at least 0
    high = value + sqrt( sum of (value with one influence at its high end - value)^2 )

Influences are taken as independent, and their ends as those of an 80 % range. What errs to the safe side already (f1, unknown
years, what was carried) has no high end: without it the figure would be lower, never higher. The defaults are this project's
choices, but for the scatter of S-N curves; an entry replaces each, and calibrations the pressure bias, each for its time.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from itertools import zip_longest
from math import hypot
from typing import Final, NamedTuple

from domain.crane import Crane
from domain.life_record import Calibration
from duty.life import UsedShare

PRESSURE_BIAS_PCT: Final = 5.0  # of the structural percent
LIFT_RULE_PCT: Final = (
    5.0  # of the sum of cubes: how far the finding of lifts is right, see benchmarks/field.py
)
MPA_PER_PCT_PCT: Final = 10.0  # of the stress per percent
SN_SCATTER_LOG10: Final = (
    0.2  # standard deviation of the logarithm of cycles to failure (unverified, a usual figure for welds)
)
NORMAL_80: Final = 1.2816  # standard deviations to the ends of an 80 % range


class Source(StrEnum):
    """What makes a figure unsure."""

    PRESSURE_BIAS = "pressure_bias"
    LIFT_RULE = "lift_rule"
    COVERAGE = "coverage"
    PRIOR_ENTRY = "prior_entry"
    UNKNOWN_YEARS = "unknown_years"
    UNRECORDED = "unrecorded"
    MPA_PER_PCT = "mpa_per_pct"
    SN_SCATTER = "sn_scatter"
    NOT_COUNTED = "not_counted"


class Influence(NamedTuple):
    """The figure with one influence at its ends; `assumed`: by a default, not by an entry or by what was counted."""

    source: Source
    low: float
    high: float
    assumed: bool

    @property
    def width(self) -> float:
        """How far it moves the figure."""
        return self.high - self.low


class Unsure(NamedTuple):
    """The range of a figure, and what makes it: what matters most first."""

    low: float
    high: float
    influences: tuple[Influence, ...]


def together(value: float, influences: Sequence[Influence]) -> Unsure:
    """The range from independent influences; those that move nothing are left out."""
    telling = [one for one in influences if one.width > 0]
    low = value - hypot(*(value - one.low for one in telling))
    high = value + hypot(*(one.high - value for one in telling))
    ranked = sorted(telling, key=lambda one: -one.width)
    return Unsure(max(low, 0.0), high, tuple(ranked))


class BiasPart(NamedTuple):
    """How far the structural percent may be off in a part of the counted duty."""

    share: float  # of the sum of cubes
    bias_pct: float  # of the reading
    assumed: bool


def off_pct(found_error_pct: float) -> float:
    """How far the truth lies from a reading, in percent of the reading; found_error_pct: reading less truth, of the truth.

    A reading that was half of the truth (-50) was off by all of itself: 100 * e / (100 - e) of one that is e too low.
    """
    off = abs(found_error_pct)
    return 100 * off / (100 - off) if found_error_pct < 0 else off


def damage_times(bias_pct: float) -> float:
    """How many times as much duty a reading may stand for that may be so much too low: the cube of its size."""
    return float((1 + bias_pct / 100) ** 3)


def lowered(bias_pct: float) -> float:
    """Factor on a reading that may be so much too high: never below a hundredth, since there is no reading of nothing."""
    return max(1 - bias_pct / 100, 0.01)


def found_low(one: Calibration) -> bool:
    """Whether a calibration proved readings too low: by more than it left, its own uncertainty included."""
    return one.found_error_pct is not None and -one.found_error_pct > one.left_error_pct


def raised(calibrations: Sequence[Calibration], weeks: Mapping[date, float]) -> dict[date, float]:
    """Duty by week, taken as many times as the calibration that comes next proved readings too low before it; else as it is.

    calibrations: in time order; weeks: sum of cubes by the Monday of its week. A week with a
    calibration in it is before it and after it: the larger of both.
    """
    before = [date.min, *(one.day for one in calibrations)]  # from where each tells of the readings
    found = {}
    for monday, use in weeks.items():
        sunday = monday + timedelta(days=6)
        telling = [
            one
            for one, since in zip(calibrations, before, strict=False)
            if since <= sunday and monday < one.day and found_low(one)
        ]
        times = max((damage_times(off_pct(one.found_error_pct or 0.0)) for one in telling), default=1.0)
        found[monday] = use * times
    return found


def bias_parts(
    crane: Crane, calibrations: Sequence[Calibration], weeks: Mapping[date, float], *, taken: bool = False
) -> tuple[BiasPart, ...]:
    """The pressure bias by parts of the counted duty.

    Before the first calibration it is what that one found, where it says so, and at least what is entered of the crane; else the
    entry or the default. After a calibration it is what that one left, and at least what the next one found. A week with a
    calibration in it has the larger of both. calibrations: in time order; weeks: sum of cubes by the Monday of its week.
    taken: what a calibration proved too low is in the figure (`raised`), so before it what it left is in doubt.
    """

    def off(one: Calibration | None) -> float:
        if one is None:
            return 0.0
        return one.left_error_pct if taken and found_low(one) else off_pct(one.found_error_pct or 0.0)

    entered = crane.pressure_bias_pct
    spans: list[tuple[date, float, bool]] = []  # first day, bias, assumed
    found = calibrations[0].found_error_pct if calibrations else None
    if found is None:
        spans.append((date.min, PRESSURE_BIAS_PCT if entered is None else entered, entered is None))
    else:
        spans.append((date.min, max(off(calibrations[0]), entered or 0.0), False))
    for one, after in zip_longest(calibrations, calibrations[1:]):
        spans.append((one.day, max(one.left_error_pct, off(after)), False))

    def of_week(monday: date) -> tuple[float, bool]:
        sunday = monday + timedelta(days=6)
        begun = [span for span in spans if span[0] <= sunday]
        before = [span for span in begun if span[0] <= monday][-1:]
        within = [span for span in begun if span[0] > monday]
        return max(((bias, assumed) for _, bias, assumed in (*before, *within)), key=lambda one: one[0])

    total = sum(weeks.values())
    if total <= 0:
        return (BiasPart(1.0, *spans[-1][1:]),)
    shares: dict[tuple[float, bool], float] = {}
    for monday, use in weeks.items():
        shares[of_week(monday)] = shares.get(of_week(monday), 0.0) + use / total
    return tuple(BiasPart(share, *part) for part, share in shares.items())


def of_used_share(crane: Crane, used: UsedShare, f1: float, bias: Sequence[BiasPart] | None = None) -> Unsure:
    """Range of a used share. f1: the factor in its counted part; bias: of `bias_parts`, without calibrations where left out."""
    total = used.total
    recorded = used.counted + used.unrecorded
    parts = bias_parts(crane, (), {}) if bias is None else bias
    lower = sum(one.share * (lowered(one.bias_pct) ** 3 - 1) for one in parts)
    higher = sum(one.share * (damage_times(one.bias_pct) - 1) for one in parts)
    lifts = (LIFT_RULE_PCT if crane.lift_rule_pct is None else crane.lift_rule_pct) / 100
    prior_f1 = crane.prior_duty.f1 if crane.prior_duty is not None else 1.0

    def moved(low: float, high: float = 0.0) -> tuple[float, float]:
        return total + low, total + high

    return together(
        total,
        (
            Influence(
                Source.PRESSURE_BIAS,
                *moved(recorded * lower, recorded * higher),
                any(one.assumed for one in parts if one.share > 0),
            ),
            Influence(
                Source.LIFT_RULE,
                *moved(-used.counted * lifts, used.counted * lifts),
                crane.lift_rule_pct is None,
            ),
            Influence(Source.COVERAGE, *moved(-used.counted * (1 - 1 / f1)), assumed=False),
            Influence(Source.PRIOR_ENTRY, *moved(-used.prior_entered * (1 - 1 / prior_f1)), assumed=False),
            Influence(Source.UNKNOWN_YEARS, *moved(-used.prior_unknown), assumed=True),
            Influence(Source.UNRECORDED, *moved(-used.unrecorded), assumed=True),
        ),
    )


def of_damage(
    crane: Crane,
    counted_at: Callable[[float], float],
    carried: float,
    f1: float,
    mpa_error_pct: float | None = None,
    scatter_log10: float | None = None,
    bias: Sequence[BiasPart] | None = None,
) -> Unsure:
    """Range of a Miner sum.

    counted_at: the counted sum with every stress range times a factor; the sum itself at 1. carried: what was added for what
    was not counted, without a high end. bias: of `bias_parts`; the largest holds for the whole sum. f1 is not in the sum: it is
    the high end of what the record may have missed.
    """
    counted = counted_at(1.0)
    total = counted + carried
    worst = max(bias_parts(crane, (), {}) if bias is None else bias, key=lambda one: one.bias_pct)
    stress_pct = MPA_PER_PCT_PCT if mpa_error_pct is None else mpa_error_pct
    factor = 10 ** (NORMAL_80 * (SN_SCATTER_LOG10 if scatter_log10 is None else scatter_log10))

    def with_ranges(off_pct: float) -> tuple[float, float]:
        return counted_at(lowered(off_pct)) + carried, counted_at(1 + off_pct / 100) + carried

    return together(
        total,
        (
            Influence(Source.PRESSURE_BIAS, *with_ranges(worst.bias_pct), worst.assumed),
            Influence(Source.MPA_PER_PCT, *with_ranges(stress_pct), mpa_error_pct is None),
            Influence(Source.SN_SCATTER, counted / factor + carried, counted * factor + carried, scatter_log10 is None),
            Influence(Source.COVERAGE, total, counted * f1 + carried, assumed=False),
            Influence(Source.NOT_COUNTED, counted, total, assumed=True),
        ),
    )  # fmt: skip
