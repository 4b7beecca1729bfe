"""How many lifts are found, and how far their duty is right, on work as it is in the field.

python benchmarks/field.py --json        the last line is one line of JSON

worst_missed_pct             lifts not found, of the true ones: the worst of all cases and cranes with a pose
worst_extra_pct              lifts found that were none, of the true ones
worst_cube_error_pct         sum of the cubes of the lifts' peak structural shares against the true one, where pressure sensor and
                             boom masses are right; used share errs by the same
worst_biased_cube_error_pct  the same where one of them is not right, or the readings are noisy
bites_missed_pct             light bites of a grab not found, the worst crane; in none of the keys above
light_missed_pct             loads of 200 to 600 kg close in not found, the worst crane; in none of the keys above
light_cube_error_pct         what these do to the sum of cubes
plain_worst_missed_pct       as worst_missed_pct without a pose: percent and limit alone
plain_worst_extra_pct        as worst_extra_pct without a pose
rows                         every case on every crane: with or without pose, true, found, extra, missed, errors

The work and its truth come from a plan (benchmarks/field_work.py), six hours each; all of it is invented. A found lift belongs to
a true one where they overlap in time, one to one. Of a lift cut by a lost stretch of record only the recorded part counts;
one of which less than six seconds were recorded is neither true nor extra.
"""

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray

from analytics import day
from analytics.counting import CountingSettings
from analytics.samples import DaySamples, LocalDay
from benchmarks.field_work import HZ, Floats, Rig, Truth, Work, channels, rigs, truth
from domain.crane import DesignClass, Edition
from duty import lifts
from duty.life import share_of_design
from duty.lifts import FoundLift

START_MS: Final = 1_772_434_800_000  # 2026-03-02 07:00 UTC
DAY: Final = LocalDay(date(2026, 3, 2), ZoneInfo("UTC"))
LEAST_RECORDED_S: Final = 6.0
DESIGN: Final = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q3")
QUANTUM_PCT: Final = 0.1  # of what a box sends


@dataclass(frozen=True, kw_only=True)
class Case:
    """What differs from a bare hook and a sensor that is right."""

    work: Work = field(default_factory=Work)
    heavier: float = 1.0  # true boom masses over those of the type
    zero_pct: float = 0.0
    drift_pct: float = 0.0  # of the zero, over the record
    noise_pct: float = 0.15
    swing: float = 0.0
    spikes_per_h: float = 0.0
    missing_share: float = 0.0
    drop_outs: int = 0
    step: int = 1  # of ten samples a second, every how many is sent

    @property
    def biased(self) -> bool:
        """Whether sensor or masses are not right."""
        return bool(self.zero_pct or self.drift_pct or self.heavier != 1.0 or self.noise_pct > 0.5)


def _tool(*changes: tuple[float, float]) -> Work:
    return Work(attachment=changes)


CASES: Final[dict[str, Case]] = {
    "clean": Case(),
    "clean, 2 Hz": Case(step=5),
    "clean, 1 Hz": Case(step=10),
    "attachment 55 kg": Case(work=_tool((0, 55))),
    "attachment 150 kg": Case(work=_tool((0, 150))),
    "attachment 350 kg": Case(work=_tool((0, 350))),
    "attachment 350 kg, 1 Hz": Case(work=_tool((0, 350)), step=10),
    "attachment 500 kg": Case(work=_tool((0, 500))),
    "attachment 350 kg at half time": Case(work=_tool((3.2, 350))),
    "attachment changed": Case(work=_tool((0, 150), (1.0, 350), (2.0, 55), (3.5, 250), (4.5, 150))),
    "zero +3 %": Case(zero_pct=3.0),
    "zero +5 %": Case(zero_pct=5.0),
    "zero -3 %": Case(zero_pct=-3.0),
    "zero drifting 5 %": Case(drift_pct=5.0),
    "booms 10 % heavier": Case(heavier=1.1),
    "booms 10 % lighter": Case(heavier=0.9),
    "noise 1 %": Case(noise_pct=1.0),
    "swinging 15 %": Case(swing=0.15),
    "spikes": Case(spikes_per_h=3.5),
    "30 % missing": Case(missing_share=0.3),
    "drop-outs of minutes": Case(drop_outs=7),
    "combined": Case(
        work=_tool((0, 250)), zero_pct=2.0, heavier=1.05, drift_pct=2.0, noise_pct=0.6, spikes_per_h=3.5
    ),
    "combined, 2 Hz": Case(
        work=_tool((0, 250)), zero_pct=2.0, heavier=1.05, drift_pct=2.0, noise_pct=0.6, step=5
    ),
}
BITES: Final = Case(work=Work(attachment=((0.2, 300),), loads="bites"))
LIGHT: Final = Case(work=Work(loads="light"))
APART: Final = {"bites of a grab": BITES, "light loads close in": LIGHT}


class Record(NamedTuple):
    """What the box sent."""

    time_ms: NDArray[np.int64]
    channels: dict[str, Floats]


class Row(NamedTuple):
    """One case on one crane."""

    case: str
    crane: str
    pose: bool
    true: int
    found: int
    extra: int
    missed: int
    cube_error_pct: float
    used_share_error_pct: float
    mass_error_pct: float | None  # median of the lifts found; None without a pose


def recorded(rng: np.random.Generator, rig: Rig, case: Case, true: Truth) -> Record:
    """The record that the case makes of what happened."""
    size = true.at_s.size
    structural = true.structural_pct + case.zero_pct + case.drift_pct * true.at_s / true.at_s[-1]
    structural = structural + rng.normal(0.0, case.noise_pct, size)
    utilisation = structural * 100.0 / true.limit_pct
    spikes = rng.choice(size, int(case.spikes_per_h * true.at_s[-1] / 3600), replace=False)
    utilisation[spikes] = rng.uniform(120, 250, spikes.size)
    utilisation = QUANTUM_PCT * np.round(utilisation / QUANTUM_PCT)
    sent = channels(rng, rig, true, utilisation)
    keep = np.zeros(size, bool)
    keep[:: case.step] = True
    keep &= ~_lost(rng, case, true)
    return Record(
        START_MS + np.rint(1000 * true.at_s[keep]).astype(np.int64),
        {name: values[keep] for name, values in sent.items()},
    )


def _lost(rng: np.random.Generator, case: Case, true: Truth) -> NDArray[np.bool_]:
    """Samples that never arrived: short runs of half a second in the mean, and minutes."""
    size = true.at_s.size
    lost = np.zeros(size, bool)
    if case.missing_share:
        turns = rng.geometric([0.2, 0.2 * case.missing_share / (1 - case.missing_share)], (size, 2)).ravel()
        lost = np.tile([True, False], size).repeat(turns)[:size]
    for start in rng.uniform(0, true.at_s[-1], case.drop_outs):
        first = int(start * HZ)
        lost[first : first + int(rng.uniform(100, 330) * HZ)] = True
    return lost


def expected(true: Truth, record: Record) -> tuple[Floats, Floats, Floats]:
    """Of each true lift: (start [ms], end [ms], mass [kg]), recorded time [s], peak structural share while recorded."""
    at_ms = START_MS + np.rint(1000 * true.at_s).astype(np.int64)
    there = np.zeros(at_ms.size, bool)
    # a drop-out is a gap of more than a minute; shorter losses hide nothing
    edges = np.flatnonzero(np.diff(record.time_ms, prepend=record.time_ms[0]) > 60_000)
    for first, last in zip([0, *edges], [*(edges - 1), record.time_ms.size - 1], strict=True):
        there |= (at_ms >= record.time_ms[first]) & (at_ms <= record.time_ms[last])
    ends, seen, peaks = [], [], []
    for lift in true.lifts:
        inside = (true.at_s >= lift.start_s) & (true.at_s <= lift.end_s) & there
        ends.append((START_MS + 1000 * lift.start_s, START_MS + 1000 * lift.end_s, lift.mass_kg))
        seen.append(np.count_nonzero(inside) / HZ)
        peaks.append(np.max(true.structural_pct[inside], initial=0.0) / 100)
    return np.array(ends), np.array(seen), np.array(peaks)


def found_lifts(rig: Rig, record: Record, *, with_pose: bool) -> Sequence[FoundLift]:
    """The lifts of a record, counted as the analytics worker counts a crane-day."""
    sent: Mapping[str, Floats] = record.channels
    if not with_pose:
        sent = {name: sent[name] for name in ("utilisation_pct", "limit_pct", "mode") if name in sent}
    time_ms = record.time_ms
    samples = DaySamples(
        at_ms=time_ms,
        step_ms=np.diff(time_ms, append=time_ms[-1] + 1000 // HZ).clip(max=1000),
        channels={name: values.astype(np.float32) for name, values in sent.items()},
        message_start_ms=time_ms[:1],
        message_end_ms=time_ms[-1:],
        boot=np.ones(1, np.int64),
        seq=np.ones(1, np.int64),
        received_ms=time_ms[-1:],
    )
    counted = day.count(DAY, rig.type, samples, [], frozenset, CountingSettings(), turned=False)
    return lifts.lifts(lifts.from_bytes(counted.lift_part))


def matched(ends: Floats, found: Sequence[FoundLift]) -> list[tuple[int, int]]:
    """Pairs (true, found) that overlap, each once; as many as there can be, since neither kind overlaps itself."""
    pairs, i, j = [], 0, 0
    while i < len(ends) and j < len(found):
        if ends[i, 0] < found[j].end_ms and found[j].start_ms < ends[i, 1]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif ends[i, 1] <= found[j].end_ms:
            i += 1
        else:
            j += 1
    return pairs


def judged(name: str, crane: str, rig: Rig, true: Truth, record: Record, *, with_pose: bool) -> Row:
    """One row: what was found against what was planned."""
    found = found_lifts(rig, record, with_pose=with_pose)
    ends, seen_s, peaks = expected(true, record)
    counted = ends[seen_s >= LEAST_RECORDED_S]
    pairs = matched(counted, found)
    undecided = ends[seen_s < LEAST_RECORDED_S]
    extra = {*range(len(found))} - {j for _, j in pairs} - {j for _, j in matched(undecided, found)}
    cubes = float(np.sum(peaks[seen_s > 0] ** 3))
    got = float(sum((lift.peak_structural_pct / 100) ** 3 for lift in found))
    share = share_of_design(DESIGN, cubes)
    errors = [abs(mass / counted[i, 2] - 1) for i, j in pairs if (mass := found[j].mass_kg) is not None]
    return Row(
        name,
        crane,
        with_pose,
        true=len(counted),
        found=len(found),
        extra=len(extra),
        missed=len(counted) - len(pairs),
        cube_error_pct=100 * (got / cubes - 1),
        used_share_error_pct=100 * (share_of_design(DESIGN, got) / share - 1),
        mass_error_pct=100 * float(np.median(errors)) if errors else None,
    )


def rows_of(case_name: str, crane: str) -> list[Row]:
    """A case on a crane, with a pose and without. The same every time."""
    case, rig = (CASES | APART)[case_name], rigs()[crane]
    rng = np.random.default_rng([sum(case_name.encode()), sum(crane.encode()), 20])
    true = truth(rng, rig, case.work, heavier=case.heavier, swing=case.swing)
    record = recorded(rng, rig, case, true)
    return [judged(case_name, crane, rig, true, record, with_pose=each) for each in (True, False)]


def worst(rows: Iterable[Row], figure: Callable[[Row], float]) -> float:
    """The largest figure of rows; 0 without rows."""
    return max((figure(row) for row in rows), default=0.0)


def missed_pct(row: Row) -> float:
    """Missed lifts, of the true ones."""
    return 100 * row.missed / row.true


def extra_pct(row: Row) -> float:
    """Extra lifts, of the true ones."""
    return 100 * row.extra / row.true


def cube_error_pct(row: Row) -> float:
    """Size of the error of the sum of cubes."""
    return abs(row.cube_error_pct)


def summary(rows: Sequence[Row]) -> dict[str, float]:
    """The keys of the benchmark."""
    posed = [row for row in rows if row.pose and row.case in CASES]
    plain = [row for row in rows if not row.pose and row.case in CASES]
    bites = [row for row in rows if row.pose and row.case == "bites of a grab"]
    light = [row for row in rows if row.pose and row.case == "light loads close in"]
    return {
        "worst_missed_pct": worst(posed, missed_pct),
        "worst_extra_pct": worst(posed, extra_pct),
        "worst_cube_error_pct": worst((row for row in posed if not CASES[row.case].biased), cube_error_pct),
        "worst_biased_cube_error_pct": worst(
            (row for row in posed if CASES[row.case].biased), cube_error_pct
        ),
        "bites_missed_pct": worst(bites, missed_pct),
        "light_missed_pct": worst(light, missed_pct),
        "light_cube_error_pct": worst(light, cube_error_pct),
        "plain_worst_missed_pct": worst(plain, missed_pct),
        "plain_worst_extra_pct": worst(plain, extra_pct),
    }


def main() -> None:
    """Run the cases, print the table and, if asked, the JSON."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="end with one line of JSON")
    parser.add_argument("--case", action="append", choices=[*CASES, *APART], help="only this case")
    parser.add_argument("--crane", action="append", choices=list(rigs()), help="only this crane")
    chosen = parser.parse_args()
    rows: list[Row] = []
    print(
        f"{'case':32}{'crane':8}{'pose':6}{'true':>5}{'found':>6}{'extra':>6}{'missed':>7}{'cubes %':>9}{'mass %':>8}"
    )
    for case_name in chosen.case or [*CASES, *APART]:
        for crane in chosen.crane or rigs():
            for row in rows_of(case_name, crane):
                rows.append(row)
                mass = "" if row.mass_error_pct is None else f"{row.mass_error_pct:8.1f}"
                print(
                    f"{row.case:32}{row.crane:8}{'yes' if row.pose else 'no':6}{row.true:5}{row.found:6}"
                    f"{row.extra:6}{row.missed:7}{row.cube_error_pct:9.1f}{mass}"
                )
    found: dict[str, Any] = dict(summary(rows))
    for key, value in found.items():
        print(f"{key:28} {value:8.2f}")
    if chosen.json:
        rounded = [
            {
                key: round(value, 3) if isinstance(value, float) else value
                for key, value in row._asdict().items()
            }
            for row in rows
        ]
        print(json.dumps({key: round(value, 3) for key, value in found.items()} | {"rows": rounded}))


if __name__ == "__main__":
    main()
