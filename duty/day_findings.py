"""What is wrong with the readings of one crane-day, judged from its statistics: no sample is read again.

What only several days can tell stands in `duty.findings`. Thresholds and their reasons: docs/method.md.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np

from domain.crane import Boom, CraneType
from domain.findings import FindingCode, Thresholds
from duty import movement
from duty.gaps import SHORTEST_HOLE_MS
from duty.geometry import full_stroke_m
from duty.minutes import BOOMS, CHANNELS, EXTREMES, FRACTION_PCT, POSE_LEAST
from duty.plausibility import FIT_PCT, HEAVY_PCT, MISFITS_M, OWN_PCT, STEPS_MS, Ints, Plausibility

HOUR_MS: Final = 3_600_000
MINUTE_MS: Final = 60_000
LEAST_MS: Final = 10 * MINUTE_MS  # less of a day tells nothing of what is missing
STEP_CLASS: Final = 2  # of STEPS_MS: steps beyond 3 s
FINE_MINUTES: Final = (
    10  # in so many the largest reading is no multiple of a quarter: the sensor resolves tenths
)
# Of a sensor that resolves no tenths, and at COARSE_FROM_PCT or more: so many times the minutes, and a share of those in which it moved.
COARSE_TIMES: Final = 3
COARSE_SHARE: Final = 0.2
COARSE_FROM_PCT: Final = 90.0
GAPS_TIMES: Final = 4  # so many times as often as by the time at that level
COARSE_BELOW_PCT: Final = (
    5  # peaks spread: under the largest reading so many percents are as common, but where it is an end
)
COARSE_OFTEN: Final = 2  # so many times the minutes that end there, whatever the height
LEAST_CHANGES: Final = 30
SOON_SHARE: Final = 0.1  # of the changes of a reading, within SOON_MS: fewer, and a reading stands for long
QUICK_CLASS: Final = 6  # of movement.SHARES: three fifths of a minute's range within QUICK_MS
LEAST_SWUNG: Final = 30  # minutes
QUICK_SHARE: Final = 0.1  # of them
LEAST_LIMIT_STEPS: Final = 20
SLEW_RAD: Final = 6.4  # a turn in radians and some slack
JOINTS: Final = (*POSE_LEAST, "jib_deg", "jib_extension_m")
LEAST_SECONDS: Final = 120  # of a class of the booms' own part: fewer tell no empty hook
LEAST_CLASSES: Final = 4  # so many tell of one that is off
LEAST_APART_PCT: Final = 8.0  # between the classes that are compared
LOW_LIMIT_PCT: Final = 2.0  # one that stays below it is a fraction or none
NEGATIVE_SHARE: Final = 0.25  # of the time, below NEGATIVE_PCT: its sign is turned round
_EXPLAIN: Final = frozenset(  # what makes the fit of the booms' own part tell nothing of the scale
    (
        *(FindingCode.FRACTION_FOR_PERCENT, FindingCode.RADIANS_FOR_DEGREES, FindingCode.LENGTH_UNIT),
        *(FindingCode.ANGLE_OUT_OF_GEOMETRY, FindingCode.EXTENSION_OUT_OF_STROKE, FindingCode.SENSOR_STUCK),
        *(
            FindingCode.OUTREACH_MISFIT,
            FindingCode.LIMIT_LOW,
            FindingCode.LIMIT_ZERO,
            FindingCode.LIMIT_MISFIT,
        ),
    )
)
MISFIT_CLASS: Final = MISFITS_M.index(1.0) + 1


class RefusedReadings(NamedTuple):
    """Readings of one channel and day that were out of its range, or under a name that is no channel, and so are missing.

    Times are Unix time [ms].
    """

    channel: str
    readings: int
    first_ms: int
    last_ms: int
    known: bool = True  # the name is that of a channel


@dataclass(frozen=True, kw_only=True, slots=True)
class DayFacts:
    """What judging knows of one recorded day. Times are Unix time [ms]."""

    day: date
    first_ms: int
    past_ms: int
    statistics: Plausibility
    lifts: int = 0
    spikes: int = 0
    largest_spike_pct: float = 0.0
    sensor_gap_ms: int = 0
    hole_ms: int = 0
    uncounted_ms: int = 0
    came_on: date | None = None  # local day on which the newest of its messages came
    refused: tuple[RefusedReadings, ...] = ()
    first: tuple[int, int] | None = None  # boot and number of the first message
    last: tuple[int, int] | None = None


class DayFinding(NamedTuple):
    """One finding of one day, or of the week that ends with it. Size in the unit of its code."""

    day: date
    code: FindingCode
    channel: str
    from_ms: int
    to_ms: int
    size: float
    noticed_on: date | None = None  # local day on which it came, where its clock says another


def of_day(crane_type: CraneType, facts: DayFacts, at: Thresholds) -> Iterator[DayFinding]:
    """Findings of one day, in no order."""
    whole = facts.first_ms, facts.past_ms

    def told(code: FindingCode, size: float, channel: str = "", span: tuple[int, int] = whole) -> DayFinding:
        noticed_on = facts.came_on if code is FindingCode.CLOCK_BEHIND else None
        return DayFinding(facts.day, code, channel, *span, float(size), noticed_on)

    found = [told(*each) for each in _times(facts, at)]
    found += [told(*each) for each in _stuck(crane_type, facts.statistics, at)]
    found += [told(*each) for each in _units(crane_type, facts.statistics, at)]
    found += [told(*each) for each in _movement(facts.statistics, at)]
    yield from found
    if not _EXPLAIN.intersection(each.code for each in found):
        yield from (told(*each) for each in _scale(facts.statistics, at))


def set_aside(day: date, messages: int, first_ms: int, last_ms: int) -> DayFinding:
    """The finding of messages that could not be read, of the local day on which they came."""
    span = first_ms, max(last_ms, first_ms + MINUTE_MS)
    return DayFinding(day, FindingCode.MESSAGES_REFUSED, "", *span, float(messages))


Told = (
    tuple[FindingCode, float]
    | tuple[FindingCode, float, str]
    | tuple[FindingCode, float, str, tuple[int, int]]
)


def _times(facts: DayFacts, at: Thresholds) -> Iterator[Told]:
    """What sums of time and counts say."""
    of = facts.statistics.sum
    recorded = max(of("recorded_ms"), 1)
    enough = recorded >= LEAST_MS
    for name, code in (
        ("overlap_ms", FindingCode.BOOTS_OVERLAP),
        ("set_back_ms", FindingCode.CLOCK_SET_BACK),
        ("behind_ms", FindingCode.CLOCK_BEHIND),
        ("ahead_ms", FindingCode.CLOCK_AHEAD),
    ):
        if of(name):
            yield code, of(name) / HOUR_MS
    if facts.hole_ms >= max(SHORTEST_HOLE_MS, at.hole_share * (recorded + facts.hole_ms)):
        yield FindingCode.TIME_HOLE, facts.hole_ms / HOUR_MS
    if facts.uncounted_ms >= at.hole_share * recorded:
        yield FindingCode.SEQ_REPEATED, facts.uncounted_ms / HOUR_MS
    if facts.spikes >= at.spikes_a_day:
        yield FindingCode.SPIKES, facts.largest_spike_pct, "utilisation_pct"
    if of("limit_zero_ms") >= at.limit_zero_min * MINUTE_MS:
        yield FindingCode.LIMIT_ZERO, of("limit_zero_ms") / HOUR_MS, "limit_pct"
    if enough and of("limit_missing_ms") >= at.limit_missing_share * recorded:
        yield FindingCode.LIMIT_MISSING, of("limit_missing_ms") / HOUR_MS, "limit_pct"
    if enough and of("pose_missing_ms") >= at.pose_missing_share * recorded:
        yield FindingCode.POSE_MISSING, of("pose_missing_ms") / HOUR_MS
    seldom = sum(of(f"step_{number}_ms") for number in range(STEP_CLASS, len(STEPS_MS) + 1))
    if of("transport_minutes") >= at.transport_min:
        yield FindingCode.MODE_STUCK, of("transport_minutes"), "mode"
    if seldom >= at.seldom_share * recorded:
        yield FindingCode.SAMPLES_TOO_SELDOM, seldom / HOUR_MS
    strange = any(not each.known for each in facts.refused)
    unread = strange and not facts.statistics.channel("utilisation_pct")["minutes"]
    if facts.sensor_gap_ms >= at.sensor_gap_min * MINUTE_MS and not unread:
        yield FindingCode.SENSOR_GAP, facts.sensor_gap_ms / HOUR_MS, "utilisation_pct"
    heavy = max((_gaps_from(facts.statistics, level) for level in HEAVY_PCT[1:]), default=0)
    if heavy >= at.gaps_under_load:
        yield FindingCode.GAPS_UNDER_LOAD, heavy, "utilisation_pct"
    for each in facts.refused:
        if each.readings >= at.refused_readings:
            # a minute at least: something to look at
            span = each.first_ms, max(each.last_ms, each.first_ms + MINUTE_MS)
            code = FindingCode.READINGS_REFUSED if each.known else FindingCode.UNKNOWN_CHANNEL
            yield code, each.readings, each.channel, span
    misfits = [of(f"misfit_{number}") for number in range(len(MISFITS_M) + 1)]
    if sum(misfits) >= 60 and sum(misfits[MISFIT_CLASS:]) >= at.misfit_share * sum(misfits):
        largest = max(number for number, samples in enumerate(misfits) if samples)
        yield FindingCode.OUTREACH_MISFIT, MISFITS_M[largest - 1], "outreach_m"


def load_factor(statistics: Plausibility) -> float:
    """Share of the booms' own part of utilisation that is read with an empty hook: 1 for a sensor that is right; NaN unknown.

    In each class of the booms' own part the lower fifth of the load part is the empty hook. From the least class to the
    largest it stays where it is, but falls by what is not read of the booms. A zero that is too low is in both; an
    attachment, or a load that hangs all the time, only raises it. Booms that rest on their support are in the least class and
    hide a scale, so from LEAST_CLASSES on the median of all pairs holds too: the smaller of both.
    """
    width = OWN_PCT[2]
    known = np.flatnonzero(statistics.fit.sum(axis=1) >= LEAST_SECONDS)
    if not known.size or (known[-1] - known[0]) * width < LEAST_APART_PCT:
        return np.nan
    empty = [_lower_fifth(statistics.fit[place]) for place in known]
    shares = {
        (i, j): 1.0 + (empty[j] - min(empty[i], 0.0)) / ((known[j] - known[i]) * width)
        for i, j in combinations(range(known.size), 2)
        if (known[j] - known[i]) * width >= LEAST_APART_PCT
    }
    ends = shares[0, known.size - 1]
    return float(ends if known.size < LEAST_CLASSES else min(ends, np.median([*shares.values()])))


def _lower_fifth(counts: Ints) -> float:
    place = int(np.searchsorted(np.cumsum(counts), 0.2 * int(counts.sum())))
    return FIT_PCT[0] + FIT_PCT[2] * (place + 0.5)


def _gaps_from(statistics: Plausibility, level_pct: int) -> int:
    """Gaps that begin at a utilisation from a level on, where they are most of all and the time there does not explain them."""
    gaps, time = statistics.sum(f"gaps_above_{level_pct}"), statistics.sum(f"above_{level_pct}_ms")
    gaps_of_all, time_of_all = statistics.sum("gaps_above_0"), statistics.sum("above_0_ms")
    most = 2 * gaps >= gaps_of_all and gaps * time_of_all >= GAPS_TIMES * time * gaps_of_all
    return gaps if most else 0


def _stuck(crane_type: CraneType, statistics: Plausibility, at: Thresholds) -> Iterator[Told]:
    """Readings that stood still to the last bit while others moved."""
    told = False
    strokes = {"extension_m": full_stroke_m(crane_type.extensions)}
    if crane_type.jib is not None:
        strokes["jib_extension_m"] = full_stroke_m(crane_type.jib.extensions)
    for name in CHANNELS:
        run = statistics.channel(name)["longest"]
        value, minutes = float(run["value"]), int(run["minutes"])
        least = at.stuck_min
        if name == "limit_pct" or minutes == 0:
            continue  # a limit stands still whenever stability does not govern
        if name in strokes and not 0.05 < value < strokes[name] - 0.05:
            least = 16 * at.stuck_min  # run in or out is where it rests
        held = name == "utilisation_pct" and value >= 20.0 and minutes >= at.still_min
        if held or run["others"] >= least:
            span = int(run["first"]) * MINUTE_MS, (int(run["last"]) + 1) * MINUTE_MS
            told |= name == "utilisation_pct"
            yield FindingCode.SENSOR_STUCK, minutes, name, span

    still, row = statistics.sum("still_minutes"), statistics.channel("utilisation_pct")
    if not told and still >= at.stuck_min * (1 if row["fine"] >= FINE_MINUTES else COARSE_TIMES):
        yield FindingCode.SENSOR_STUCK, still, "utilisation_pct"
    run = statistics.channel(BOOMS)["longest"]
    if run["others"] >= at.frozen_min:
        span = int(run["first"]) * MINUTE_MS, (int(run["last"]) + 1) * MINUTE_MS
        for name in ("main_boom_deg", "knuckle_boom_deg"):
            yield FindingCode.SENSOR_STUCK, int(run["minutes"]), name, span


def _scale(statistics: Plausibility, at: Thresholds) -> Iterator[Told]:
    """A utilisation that reads too little of what the booms cause, or what pulls them up."""
    factor, recorded = load_factor(statistics), max(statistics.sum("recorded_ms"), 1)
    if factor <= 1.0 - at.scale_off:
        yield FindingCode.SCALE_WRONG, 100.0 * factor, "utilisation_pct"
    elif recorded >= LEAST_MS and statistics.sum("negative_ms") >= NEGATIVE_SHARE * recorded:
        yield FindingCode.SCALE_WRONG, -100.0, "utilisation_pct"


def _movement(statistics: Plausibility, at: Thresholds) -> Iterator[Told]:
    """A utilisation that is renewed too seldom, made smooth, or of another limit than the one that is sent."""
    hours, changes = statistics.sum("recorded_ms") / HOUR_MS, statistics.sum("changes")
    seldom = sum(statistics.sum(f"step_{number}_ms") for number in range(STEP_CLASS, len(STEPS_MS) + 1))
    if seldom >= at.seldom_share * statistics.sum("recorded_ms"):
        return  # told as that
    if changes >= LEAST_CHANGES and statistics.sum("changes_soon") < SOON_SHARE * changes:
        yield FindingCode.READINGS_REPEATED, hours, "utilisation_pct"
        return  # whatever else it is, it follows
    quickest = [statistics.sum(f"quickest_{number}") for number in range(movement.SHARES)]
    if sum(quickest) >= LEAST_SWUNG and sum(quickest[QUICK_CLASS:]) < QUICK_SHARE * sum(quickest):
        yield FindingCode.READINGS_SMOOTHED, hours, "utilisation_pct"
        return
    if statistics.sum("limit_steps") >= LEAST_LIMIT_STEPS:
        followed = -statistics.sum("limit_step_product") / statistics.sum("limit_step_square")
        if followed < at.limit_followed:
            yield FindingCode.LIMIT_MISFIT, 100.0 * followed, "limit_pct"


def _units(crane_type: CraneType, statistics: Plausibility, at: Thresholds) -> Iterator[Told]:
    """Readings in another unit, or where no crane of this type can be."""
    others = max(int(statistics.channel(name)["moved"]) for name in CHANNELS)
    radians = False
    for name, boom in _angles(crane_type):
        low, high = _ends(statistics, name)
        moving = high > low and _worked(statistics, name, at) and int(statistics.channel(name)["moved"]) <= 1
        if moving and low >= -3.2 and high <= 3.2 and high - low >= 0.1:
            radians = True
            yield FindingCode.RADIANS_FOR_DEGREES, max(abs(low), abs(high)), name
        elif not np.isnan(low):
            beyond = max(boom.lowest_deg - low, high - boom.highest_deg)
            if beyond > at.angle_slack_deg:
                yield FindingCode.ANGLE_OUT_OF_GEOMETRY, beyond, name
    low, high = _ends(statistics, "slew_deg")
    if radians and high - low >= 0.5 and low >= -SLEW_RAD and high <= SLEW_RAD:
        yield FindingCode.RADIANS_FOR_DEGREES, max(abs(low), abs(high)), "slew_deg"
    low, high = _ends(statistics, "utilisation_pct")
    whole = others >= at.stuck_min and 0.2 <= high <= 2.0 and high - low >= 0.1
    if whole or statistics.sum("fraction_minutes") >= at.stuck_min:
        yield FindingCode.FRACTION_FOR_PERCENT, min(high, FRACTION_PCT), "utilisation_pct"
    lowest, limit = _ends(statistics, "limit_pct")
    part = statistics.sum("limit_fraction_minutes") >= at.stuck_min
    if high > 2.0 and (part or 0.2 <= limit <= 2.0):  # every structural percent is a hundredth then
        yield FindingCode.FRACTION_FOR_PERCENT, min(limit, FRACTION_PCT), "limit_pct"
    row = statistics.channel("utilisation_pct")
    if LOW_LIMIT_PCT < limit < at.limit_low_pct and limit - lowest < 1.0 and row["moved"] >= at.stuck_min:
        yield FindingCode.LIMIT_LOW, limit, "limit_pct"
    if _saturated(statistics, at):
        yield FindingCode.SENSOR_SATURATED, high, "utilisation_pct"
    if row["minutes"] and row["high"][0] >= at.overload_pct:  # one is enough
        yield FindingCode.OVERLOAD, row["high"][0], "utilisation_pct"
    yield from _lengths(crane_type, statistics, at)


def _saturated(statistics: Plausibility, at: Thresholds) -> bool:
    """Whether the largest reading comes too often: of tenths a few times; of whole percents, which repeat, where it is high, or
    where few minutes end just below it."""
    row = statistics.channel("utilisation_pct")
    if row["fine"] >= FINE_MINUTES:
        return bool(row["tops"] >= at.saturated_min)
    top = int(row["high"][0]) if row["tops"] else 0
    if COARSE_BELOW_PCT <= top < movement.HIGHEST_PCT:
        ends = [statistics.sum(f"high_{level}") for level in range(top - COARSE_BELOW_PCT, top + 1)]
        if ends[-1] >= max(COARSE_TIMES * at.saturated_min, COARSE_OFTEN * sum(ends[:-1])):
            return True
    often = max(COARSE_TIMES * at.saturated_min, COARSE_SHARE * row["moved"])
    return bool(row["high"][0] >= COARSE_FROM_PCT and row["tops"] >= often)


def _worked(statistics: Plausibility, name: str, at: Thresholds) -> bool:
    """Whether a boom that hardly moves is doubtful: others moved, and it is not only slewed about, lying flat.

    A slewing angle beyond a turn in radians is in degrees, and the sender most likely knows them: then other booms must have moved.
    """
    low, high = _ends(statistics, "slew_deg")
    slew_in_degrees = low < -SLEW_RAD or high > SLEW_RAD  # neither where it is not sent
    of = JOINTS if slew_in_degrees else CHANNELS
    return max(int(statistics.channel(each)["moved"]) for each in of if each != name) >= at.stuck_min


def _lengths(crane_type: CraneType, statistics: Plausibility, at: Thresholds) -> Iterator[Told]:
    found = [("extension_m", full_stroke_m(crane_type.extensions))]
    if crane_type.jib is not None:
        found.append(("jib_extension_m", full_stroke_m(crane_type.jib.extensions)))
    for name, stroke_m in found:
        _, high = _ends(statistics, name)
        if high > stroke_m + at.length_slack_m:
            unit = stroke_m > 0 and high > 2.0 * stroke_m
            yield FindingCode.LENGTH_UNIT if unit else FindingCode.EXTENSION_OUT_OF_STROKE, high, name


def _angles(crane_type: CraneType) -> list[tuple[str, Boom]]:
    found = [("main_boom_deg", crane_type.main_boom), ("knuckle_boom_deg", crane_type.knuckle_boom)]
    return found if crane_type.jib is None else [*found, ("jib_deg", crane_type.jib.boom)]


def _ends(statistics: Plausibility, name: str) -> tuple[float, float]:
    """Range of a channel that was reached in EXTREMES minutes at each end; NaN where it has not so many."""
    row = statistics.channel(name)
    if row["minutes"] < EXTREMES:
        return np.nan, np.nan
    return float(row["low"][-1]), float(row["high"][-1])
