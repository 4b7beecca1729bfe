"""Does the forecast's range hold the day as often as it says? Invented fleets with seasons, growth and gaps.

    python benchmarks/forecast.py [--json] [--series 1000]

Each series is a record of weekly use, and the future that then really came, from one process with parameters of its own. The
range from the 10 % to the 90 % day has to hold the true day in four cases of five. An oracle knows the process with all its
parameters and only not the chance of weeks to come: how much wider our range is shows what not knowing costs. Kinds and
parameters stand here and nowhere else. Four constants of the forecast (duty/forecast.py) are choices that were held against them.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from duty.forecast import Forecast, forecast

Floats = NDArray[np.float64]
SERIES: Final = 1000  # of each kind
YEAR: Final = 365.25 / 7
FAR: Final = 5218  # weeks: a hundred years
START: Final = date(2026, 1, 5)
LENGTHS: Final = (13, 20, 26, 40, 52, 78, 104, 156)  # weeks of record
YEARS_TO_GO: Final = (1.0, 8.0)  # at the mean use of the record's time
ORACLE_FUTURES: Final = 200


@dataclass(frozen=True)
class Kind:
    """How one kind of fleet works; ranges are drawn from evenly for each series."""

    swing: tuple[float, float] = (0.0, 0.0)  # of the year's mean, up and down with the season
    growth: tuple[float, float] = (0.0, 0.0)  # a year
    spread: float = 0.7  # coefficient of variation of a week
    job_weeks: float = 1.0  # mean length of a job with a level of its own
    job_spread: float = 0.0  # coefficient of variation of these levels
    idle: float = 0.0  # share of weeks at rest, recorded
    gaps: float = 0.0  # share of weeks without a record
    gap_weeks: float = 1.0  # mean length of a gap


KINDS: Final[dict[str, Kind]] = {
    "steady": Kind(),
    "jobs": Kind(job_weeks=4.0, job_spread=0.6, idle=0.1),
    "season": Kind(swing=(0.2, 0.5)),
    "season with gaps": Kind(swing=(0.2, 0.5), gaps=0.25, gap_weeks=3.0),
    "growth": Kind(growth=(0.02, 0.08)),
    "decline": Kind(growth=(-0.08, -0.02)),
    "gaps": Kind(gaps=0.3, gap_weeks=4.0, idle=0.1),
    "all of it": Kind(swing=(0.1, 0.4), growth=(-0.05, 0.05), job_weeks=3.0, job_spread=0.4, idle=0.1, gaps=0.2, gap_weeks=3.0),
}  # fmt: skip


class Process:
    """One crane's work: its parameters, drawn once, and weeks from it."""

    def __init__(self, kind: Kind, rng: np.random.Generator) -> None:
        self.kind = kind
        self.swing = rng.uniform(*kind.swing)
        self.growth = rng.uniform(*kind.growth)
        self.phase = rng.uniform(0.0, 2 * np.pi)

    def weeks(self, first: int, count: int, rng: np.random.Generator, rows: int = 1) -> Floats:
        """Use of weeks, shape (rows, count), each row by chance of its own; the mean at week 0, the first to come, is 1."""
        kind, at, shape = self.kind, np.arange(first, first + count), (rows, count)
        level = np.exp(self.growth * at / YEAR) * (
            1 + self.swing * np.cos(2 * np.pi * at / YEAR + self.phase)
        )
        use = level * rng.gamma(1 / kind.spread**2, kind.spread**2, shape)
        if kind.job_spread:
            starts = np.cumsum(rng.random(shape) < 1 / kind.job_weeks, axis=1)
            levels = rng.gamma(1 / kind.job_spread**2, kind.job_spread**2, (rows, count + 1))
            use *= np.take_along_axis(levels, starts, axis=1)
        return np.where(rng.random(shape) < kind.idle, 0.0, use) if kind.idle else use


def reached(use: Floats, needed: float) -> Floats:
    """Weeks until the sum of each row comes to what is needed, evenly within a week; inf where it does not."""
    total = np.cumsum(use, axis=1)
    at = (total < needed).sum(axis=1)
    place = np.minimum(at, use.shape[1] - 1)[:, None]
    after, week = np.take_along_axis(total, place, 1)[:, 0], np.take_along_axis(use, place, 1)[:, 0]
    inside = 1 - (after - needed) / np.maximum(week, 1e-300)
    return np.where(at < use.shape[1], at + inside, np.inf)


def with_gaps(use: Floats, kind: Kind, rng: np.random.Generator) -> Floats:
    """The record with weeks missing in gaps; its last week is kept."""
    if not kind.gaps:
        return use
    found = use.copy()
    goal = round(kind.gaps * use.size)
    while np.isnan(found).sum() < goal:
        begins = int(rng.integers(0, use.size - 1))
        found[begins : min(begins + 1 + rng.poisson(kind.gap_weeks - 1), use.size - 1)] = np.nan
    return found


@dataclass(frozen=True)
class Outcome:
    """One series: whether the day lay in the range, and the widths of ours and of the oracle's [weeks]."""

    covered: bool
    early: bool  # the day came before the range
    width: float
    oracle_width: float


def one(kind: Kind, seed: Sequence[int]) -> Outcome | None:
    """One record, its forecast, the day that really came; None where no date is given."""
    rng = np.random.default_rng(list(seed))
    process = Process(kind, rng)
    n = int(rng.choice(LENGTHS))
    record = with_gaps(process.weeks(-n, n, rng)[0], kind, rng)
    mean = 1 - kind.idle
    needed = rng.uniform(*YEARS_TO_GO) * YEAR * mean
    made = forecast(record, 0.0, needed, START)
    if not isinstance(made, Forecast):
        return None
    came = float(reached(process.weeks(0, FAR, rng), needed)[0])
    futures = reached(process.weeks(0, int(2.5 * needed / mean) + 52, rng, ORACLE_FUTURES), needed)
    low, high = np.quantile(futures, [0.1, 0.9])
    early = (made.early_on - START) / timedelta(weeks=1)
    late = float("inf") if made.late_on is None else (made.late_on - START) / timedelta(weeks=1)
    # days are whole: the true moment lies in the day that it falls on
    day = np.floor(came * 7) / 7
    return Outcome(early <= day <= late, day < early, late - early, float(high - low))


def measure(series: int, say: Callable[[str], None]) -> dict[str, object]:
    """Coverage and width of every kind and of all together."""
    found: dict[str, list[Outcome]] = {}
    for place, (name, kind) in enumerate(KINDS.items()):
        made = [one(kind, (12_482, place, number)) for number in range(series)]
        found[name] = [outcome for outcome in made if outcome is not None]
        say(f"{name:18} {_line(found[name])}, no date for {series - len(found[name])}")
    every = [outcome for outcomes in found.values() for outcome in outcomes]
    say(f"{'over all':18} {_line(every)}")
    covered = {name: round(100 * _share(outcomes), 1) for name, outcomes in found.items()}
    return {
        "series_of_a_kind": series,
        "covered_80_pct": round(100 * _share(every), 1),
        "worst_kind_covered_80_pct": min(covered.values()),
        "came_before_the_range_pct": round(100 * float(np.mean([one.early for one in every])), 1),
        "width_over_oracle": round(_ratio(every), 2),
        "least_width_days": round(7 * min(one.width for one in every), 1),
        "covered_80_pct_by_kind": covered,
        "width_over_oracle_by_kind": {name: round(_ratio(outcomes), 2) for name, outcomes in found.items()},
    }


def _share(outcomes: Sequence[Outcome]) -> float:
    return float(np.mean([outcome.covered for outcome in outcomes]))


def _ratio(outcomes: Sequence[Outcome]) -> float:
    return float(np.median([outcome.width / outcome.oracle_width for outcome in outcomes]))


def _line(outcomes: Sequence[Outcome]) -> str:
    early = 100 * float(np.mean([outcome.early for outcome in outcomes]))
    return (
        f"covered {100 * _share(outcomes):5.1f} %, came before it {early:4.1f} %, "
        f"width {_ratio(outcomes):5.1f} times the oracle's"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true", help="one line of JSON alone")
    parser.add_argument("--series", type=int, default=SERIES)
    asked = parser.parse_args()
    began = time.perf_counter()
    found = measure(asked.series, lambda text: print(text, file=sys.stderr, flush=True))
    found["seconds"] = round(time.perf_counter() - began, 1)
    print(json.dumps(found) if asked.json else json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
