"""Rows of loaded runs: summed from samples, joined, and cleared of noise. The inner part of `duty.lifts`.

Every sum is an integer and every other value a maximum or an end, so rows can be joined in any grouping.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from duty.geometry import Floats

Ints = NDArray[np.int64]
Runs = NDArray[np.void]
_LARGEST_MASS_KG = 200_000.0  # more is a broken pose; it also keeps the integer sums far from overflow


class LiftSignals(NamedTuple):
    """Samples in time order, one array each of the same length; None where the crane has no such reading."""

    time_ms: Ints  # Unix time [ms], rising
    utilisation_pct: Floats  # NaN for a missing reading
    structural_pct: Floats
    base_pct: Floats | None = None  # utilisation by the booms alone; NaN falls back to the plain thresholds
    capacity_kg: Floats | None = None  # rated capacity at the pose and the limit of that moment
    outreach_m: Floats | None = None
    slew_deg: Floats | None = None
    mode: Floats | None = None
    stabiliser_left_pct: Floats | None = None
    stabiliser_right_pct: Floats | None = None


OLD_RUN: Final = np.dtype(
    [
        ("start_ms", "<i8"),
        ("end_ms", "<i8"),
        ("peak_utilisation_pct", "<f8"),
        ("peak_structural_pct", "<f8"),
        ("peak_outreach_m", "<f8"),  # NaN where never known
        ("mass_weighted", "<i8"),  # sum of mass [g] * load part of utilisation [0.1 %]
        ("mass_weight", "<i8"),
        ("travel_mdeg", "<i8"),
        ("first_slew_deg", "<f8"),
        ("last_slew_deg", "<f8"),
    ]
)
"""As version 1 of the bytes wrote it: before stabilisers were kept."""

RUN: Final = np.dtype(
    [
        *((name, OLD_RUN[name]) for name in OLD_RUN.names or ()),
        ("least_left_pct", "<f8"),  # narrowest spread of the left stabiliser; NaN where never known
        ("least_right_pct", "<f8"),
    ]
)
_UNKNOWN: Final = ("peak_outreach_m", "first_slew_deg", "last_slew_deg", "least_left_pct", "least_right_pct")


def summed(samples: LiftSignals, starts: Ints, ends: Ints) -> Runs:
    """One row for each stretch of samples start..end, both included."""
    rows = np.zeros(starts.size, RUN)
    for name in _UNKNOWN:
        rows[name] = np.nan
    if not starts.size:
        return rows
    # reduceat on start, stop pairs: every second result is a stretch; one element of padding lets a stop stand at the end
    pairs = np.column_stack([starts, ends + 1]).ravel()

    def reduce(how: np.ufunc, values: NDArray[np.generic]) -> NDArray[np.generic]:
        return how.reduceat(np.append(values, values[-1:]), pairs)[::2]

    rows["start_ms"], rows["end_ms"] = samples.time_ms[starts], samples.time_ms[ends]
    rows["peak_utilisation_pct"] = reduce(np.maximum, samples.utilisation_pct)
    rows["peak_structural_pct"] = reduce(np.fmax, samples.structural_pct)
    if samples.outreach_m is not None:
        rows["peak_outreach_m"] = reduce(np.fmax, samples.outreach_m)
    if samples.stabiliser_left_pct is not None:
        rows["least_left_pct"] = reduce(np.fmin, samples.stabiliser_left_pct)
    if samples.stabiliser_right_pct is not None:
        rows["least_right_pct"] = reduce(np.fmin, samples.stabiliser_right_pct)
    if samples.base_pct is not None and samples.capacity_kg is not None:
        mass_g, weight = _masses(samples.utilisation_pct, samples.base_pct, samples.capacity_kg)
        rows["mass_weighted"], rows["mass_weight"] = reduce(np.add, mass_g * weight), reduce(np.add, weight)
    if samples.slew_deg is not None:
        rows["first_slew_deg"], rows["last_slew_deg"] = samples.slew_deg[starts], samples.slew_deg[ends]
        turned = np.append(0, _turned_mdeg(samples.slew_deg[:-1], samples.slew_deg[1:]))
        turned[starts] = 0  # the way to the first sample of a stretch is not part of it
        rows["travel_mdeg"] = reduce(np.add, turned)
    return rows


def _masses(utilisation: Floats, base: Floats, capacity: Floats) -> tuple[Ints, Ints]:
    """Mass [g] of each sample and its weight, the load part of utilisation [0.1 %]; weight 0 where unknown."""
    load = utilisation - base
    spare = 100.0 - base
    with np.errstate(divide="ignore", invalid="ignore"):
        mass = load / spare * capacity
    usable = np.isfinite(mass) & (spare > 0) & (load > 0) & (mass < _LARGEST_MASS_KG)
    weight = np.where(usable, np.rint(load * 10.0), 0.0).astype(np.int64)
    return np.where(usable, np.rint(mass * 1000.0), 0.0).astype(np.int64), weight


def _turned_mdeg(before: Floats, after: Floats) -> Ints:
    """Shorter way round between two slewing angles [0.001 deg]; 0 where one is missing."""
    way = np.abs((after - before + 180.0) % 360.0 - 180.0)
    return np.rint(np.nan_to_num(way) * 1000.0).astype(np.int64)


def joined(runs: Runs, release_ms: int) -> Runs:
    """Runs less than release_ms apart made one."""
    if runs.size < 2:
        return runs
    apart = runs["start_ms"][1:] - runs["end_ms"][:-1] >= release_ms
    return _grouped(runs, np.flatnonzero(np.concatenate(([True], apart))))


def folded(runs: Runs) -> Runs:
    """All rows made one; none stay none."""
    return _grouped(runs, np.array([0])) if runs.size else runs


def _grouped(runs: Runs, firsts: Ints) -> Runs:
    """Rows from each first up to before the next made one."""
    lasts = np.append(firsts[1:], runs.size) - 1
    rows: Runs = runs[firsts]
    rows["end_ms"], rows["last_slew_deg"] = runs["end_ms"][lasts], runs["last_slew_deg"][lasts]
    for name in ("peak_utilisation_pct", "peak_structural_pct", "peak_outreach_m"):
        rows[name] = np.fmax.reduceat(runs[name], firsts)
    for name in ("least_left_pct", "least_right_pct"):
        rows[name] = np.fmin.reduceat(runs[name], firsts)
    for name in ("mass_weighted", "mass_weight"):
        rows[name] = np.add.reduceat(runs[name], firsts)
    across = np.append(0, _turned_mdeg(runs["last_slew_deg"][:-1], runs["first_slew_deg"][1:]))
    across[firsts] = 0
    rows["travel_mdeg"] = np.add.reduceat(runs["travel_mdeg"] + across, firsts)
    return rows


def from_old(runs: Runs) -> Runs:
    """Rows of OLD_RUN as rows of RUN, stabilisers not known."""
    rows = np.zeros(runs.size, RUN)
    for name in OLD_RUN.names or ():
        rows[name] = runs[name]
    rows["least_left_pct"] = rows["least_right_pct"] = np.nan
    return rows


def without_noise(runs: Runs, hold_ms: int) -> Runs:
    """Drop what is too short, except the first and the last, which a neighbour may yet lengthen."""
    keep = runs["end_ms"] - runs["start_ms"] >= hold_ms
    keep[:1] = keep[-1:] = True
    kept: Runs = runs[keep]
    return kept
