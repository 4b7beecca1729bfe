"""Invented status codes: which break down when, and for how long. Not the code list of any crane."""

from datetime import date, timedelta
from typing import Final, NamedTuple

import numpy as np

from simulator.shift import Purpose, stream, works_on
from simulator.yard import YardCrane


class Code(NamedTuple):
    """A status code of the invented cranes, and how many days it may stay open."""

    code: str
    text: str
    days: tuple[int, ...]


CODES: Final = (
    Code("B-104", "Main boom angle sensor: reading jumps", (0, 0, 1, 2)),
    Code("B-117", "Extension sensor: no plausible length", (0, 1, 3)),
    Code("H-210", "Hydraulic oil: filter near its limit", (0, 2, 5, 9)),
    Code("H-233", "Hydraulic oil: temperature above working range", (0,)),
    Code("L-301", "Pressure sensor: difference between both channels", (0, 1, 4)),
    Code("R-402", "Hand-held controller: radio link interrupted", (0,)),
    Code("R-415", "Hand-held controller: battery low", (0,)),
    Code("S-506", "Stabiliser left: position switch does not answer", (0, 1, 2)),
)
_LOOK_BACK_DAYS: Final = 21


class Outage(NamedTuple):
    """A status code from the day on which it is raised to the working day on which it is cleared."""

    code: Code
    raised_on: date
    days: int
    share: float  # where in the working time it is raised, and cleared on its own day


def raised_on(crane: YardCrane, day: date, seed: int) -> list[Outage]:
    """Codes that a crane raises on a day; none on an idle one."""
    if not works_on(crane, day, seed):
        return []
    rng = stream(seed, crane, day, Purpose.CODES)
    number = int(rng.poisson(crane.faults.codes_per_day))
    weights = np.array([20.0 if code.code == crane.faults.usual_code else 1.0 for code in CODES])
    chosen = rng.choice(len(CODES), size=min(number, len(CODES)), replace=False, p=weights / weights.sum())
    return [
        Outage(CODES[k], day, int(rng.choice(CODES[k].days)), float(rng.uniform(0.05, 0.8))) for k in chosen
    ]


def cleared_on(crane: YardCrane, day: date, seed: int) -> list[Outage]:
    """Codes of earlier days that are cleared on a working day: the first one after their time is up."""
    earlier = (day - timedelta(days=back) for back in range(1, _LOOK_BACK_DAYS + 1))
    return [
        outage
        for then in earlier
        for outage in raised_on(crane, then, seed)
        if outage.days > 0 and _clearing_day(crane, outage, seed) == day
    ]


def _clearing_day(crane: YardCrane, outage: Outage, seed: int) -> date | None:
    """None where the crane stands idle for so long that the code is never seen to clear."""
    for days in range(outage.days, _LOOK_BACK_DAYS + 1):
        day = outage.raised_on + timedelta(days=days)
        if works_on(crane, day, seed):
            return day
    return None


def moment_in(share: float, starts_ms: np.ndarray, lengths_s: np.ndarray) -> int:
    """The time [ms] at a share of the summed working time of a day's sessions."""
    ends = np.cumsum(lengths_s)
    at = share * float(ends[-1])
    index = int(np.searchsorted(ends, at))
    return int(starts_ms[index] + (at - (ends[index] - lengths_s[index])) * 1000)
