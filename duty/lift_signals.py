"""What lift finding takes from a crane's channels: readings, and by statics what the booms alone cause at each pose."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import CraneType
from domain.errors import InvalidInput
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import horizontals, jib_run_out
from duty.statics import self_moment_at, structural_pct, utilisation_pct

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class LiftSignals(NamedTuple):
    """Samples in time order, one array each of the same length; None where the crane has no such reading."""

    time_ms: Ints  # Unix time [ms], rising
    step_ms: Ints  # time that each sample stands for
    utilisation_pct: Floats  # NaN for a missing reading
    structural_pct: Floats
    base_pct: Floats | None = None  # utilisation by the booms alone; not finite where the pose is not known
    kg_per_pct: Floats | None = None  # mass on the hook for one percent of utilisation, at the pose and limit
    arm_m: Floats | None = None  # of the load, about the main boom pivot
    outreach_m: NDArray[np.floating] | None = None
    slew_deg: NDArray[np.floating] | None = None
    mode: NDArray[np.floating] | None = None
    stabiliser_left_pct: NDArray[np.floating] | None = None
    stabiliser_right_pct: NDArray[np.floating] | None = None


def signals(
    crane_type: CraneType | None,
    time_ms: ArrayLike,
    channels: Mapping[str, NDArray[np.floating]],
    step_ms: ArrayLike | None = None,
) -> LiftSignals:
    """Signals of a crane's channels (names of `domain.channels`, equal length), with the booms' own utilisation and
    the load's arm by statics at every pose where the type and the angle channels allow.

    step_ms: time that each sample stands for [ms]; None takes the median step for all.
    Raises InvalidInput without the channel utilisation_pct.
    """
    if "utilisation_pct" not in channels:
        raise InvalidInput("lifts need the channel utilisation_pct", field="channels")
    time = np.asarray(time_ms, np.int64)
    if step_ms is None:
        step_ms = np.full(time.size, int(np.median(np.diff(time))) if time.size > 1 else 0)
    utilisation = np.asarray(channels["utilisation_pct"], np.float64)
    plain = LiftSignals(
        time,
        np.asarray(step_ms, np.int64),
        utilisation,
        structural_pct(utilisation, channels.get("limit_pct")),
        outreach_m=channels.get("outreach_m"),
        slew_deg=channels.get("slew_deg"),
        mode=channels.get("mode"),
        stabiliser_left_pct=channels.get("stabiliser_left_pct"),
        stabiliser_right_pct=channels.get("stabiliser_right_pct"),
    )
    angles = ("main_boom_deg", "knuckle_boom_deg", "extension_m")
    if crane_type is None or not all(name in channels for name in angles):
        return plain
    at = [np.asarray(channels[name], np.float64) for name in angles]
    if crane_type.jib is not None and "jib_deg" in channels:
        at += [np.asarray(channels["jib_deg"], np.float64), jib_run_out(crane_type.jib, channels, time.size)]
    limit = np.nan_to_num(
        np.asarray(channels.get("limit_pct", np.full(time.size, 100.0)), np.float64), nan=100.0
    )
    joints_x = horizontals(crane_type, *at)
    outreach = joints_x[-1]
    own = self_moment_at(crane_type, joints_x, at[2], at[4] if len(at) > 4 else None)
    with np.errstate(divide="ignore", invalid="ignore"):
        base = utilisation_pct(crane_type, own, 0.0, limit)
        arm = outreach - crane_type.pivot_offset_m
        mass = kg_per_pct(crane_type, arm, limit)
    return plain._replace(
        base_pct=base,
        kg_per_pct=mass,
        arm_m=arm,
        outreach_m=outreach if plain.outreach_m is None else plain.outreach_m,
    )


def kg_per_pct(crane_type: CraneType, arm_m: Floats, limit_pct: Floats) -> Floats:
    """Mass [kg] whose moment at an arm is one percent of the moment allowed now."""
    allowed_kn_m = crane_type.rated_moment_kn_m * limit_pct / 100.0
    return np.asarray(1000.0 * allowed_kn_m / 100.0 / (STANDARD_GRAVITY_M_S2 * arm_m))
