"""Moments about the main boom pivot, and the capacity that they leave.

    self moment   = g * sum(member mass * horizontal distance of its centre from the pivot)
    load moment   = g * load mass * (outreach_m - pivot_offset_m)
    utilisation   = 100 * (self moment + load moment) / moment allowed now
    capacity      = (moment allowed now - self moment) / (g * (outreach_m - pivot_offset_m))

The load includes everything below the boom tip: load, slings, hook block. Assumptions, since a crane type gives
lengths and masses only: each boom's centre of mass is at the middle of its length; an extension is as long as
the member that it slides in, lies fully inside it when run in, and rides on the extensions before it; extensions
run out in the order of their list. Static: no swinging, no acceleration, no wind.

`stability_limit_pct` of duty.stability is offered here too: the moment allowed belongs beside the moments.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import Boom, ChartPoint, CraneType, Extension, LoadChart, Sector, Spread
from domain.errors import InvalidInput
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import Floats, full_stroke_m, horizontals
from duty.stability import stability_limit_pct as stability_limit_pct

_KILO = 1000.0


def self_moment_kn_m(
    crane_type: CraneType,
    main_boom_deg: ArrayLike,
    knuckle_boom_deg: ArrayLike,
    extension_m: ArrayLike,
    jib_deg: ArrayLike | None = None,
    jib_extension_m: ArrayLike | None = None,
) -> Floats:
    """Moment of the booms alone about the main boom pivot [kN.m], positive away from the column.

    Parameters as in `duty.geometry.joints`; the jib's mass counts where `jib_deg` is given.
    """
    x = horizontals(crane_type, main_boom_deg, knuckle_boom_deg, extension_m, jib_deg, jib_extension_m)
    return self_moment_at(crane_type, x, extension_m, jib_extension_m)


def self_moment_at(
    crane_type: CraneType, joints_x_m: list[Floats], extension_m: ArrayLike, jib_extension_m: ArrayLike | None
) -> Floats:
    """`self_moment_kn_m` where the horizontal distances of the joints (`duty.geometry.horizontals`) are known."""
    x = [at - crane_type.pivot_offset_m for at in joints_x_m]
    knuckle, jib = crane_type.knuckle_boom, crane_type.jib
    mass_arm = crane_type.main_boom.mass_kg * (x[0] + x[1]) / 2
    mass_arm = mass_arm + _member_mass_arm(x[1], x[2], knuckle, crane_type.extensions, extension_m)
    if jib is not None and len(x) > 3:
        run_out = 0.0 if jib_extension_m is None else jib_extension_m
        mass_arm = mass_arm + _member_mass_arm(x[2], x[3], jib.boom, jib.extensions, run_out)
    return np.asarray(STANDARD_GRAVITY_M_S2 * mass_arm / _KILO)


def _member_mass_arm(
    root_x: Floats, tip_x: Floats, boom: Boom, extensions: tuple[Extension, ...], run_out_m: ArrayLike
) -> Floats:
    """Sum of mass times arm [kg.m] of a boom and of the extensions that slide in it."""
    run_out = np.asarray(run_out_m, float)
    moment, mass, before = np.zeros(run_out.shape), boom.mass_kg, 0.0
    for extension in extensions:
        before += extension.stroke_m
        # what this one and all before it have run out
        moment = moment + extension.mass_kg * np.minimum(run_out, before)
        mass += extension.mass_kg
    cosine = (tip_x - root_x) / (boom.length_m + run_out)
    return np.asarray(mass * root_x + cosine * (mass * boom.length_m / 2 + moment))


def load_moment_kn_m(crane_type: CraneType, mass_kg: ArrayLike, outreach_m: ArrayLike) -> Floats:
    """Moment of a hanging mass [kg] at an outreach [m] about the main boom pivot [kN.m]."""
    arm = np.asarray(outreach_m, float) - crane_type.pivot_offset_m
    return np.asarray(STANDARD_GRAVITY_M_S2 * np.asarray(mass_kg, float) * arm / _KILO)


def utilisation_pct(
    crane_type: CraneType, self_kn_m: ArrayLike, load_kn_m: ArrayLike, limit_pct: ArrayLike = 100.0
) -> Floats:
    """Moment of booms and load [kN.m] over the moment allowed now [%]; `limit_pct` is allowed over rated."""
    allowed = crane_type.rated_moment_kn_m * np.asarray(limit_pct, float) / 100.0
    return np.asarray(100.0 * (np.asarray(self_kn_m, float) + np.asarray(load_kn_m, float)) / allowed)


def capacity_kg(
    crane_type: CraneType, self_kn_m: ArrayLike, outreach_m: ArrayLike, limit_pct: ArrayLike = 100.0
) -> Floats:
    """Mass [kg] that brings the moment to what is allowed now, from the self moment [kN.m] at that pose.

    0 where the booms alone use up the allowed moment; NaN where the hook is not outside the pivot (no moment
    limits it there). It is the structural answer only: hook, rope, winch, jib and hydraulics may limit lower.
    """
    arm = np.asarray(outreach_m, float) - crane_type.pivot_offset_m
    spare = crane_type.rated_moment_kn_m * np.asarray(limit_pct, float) / 100.0 - np.asarray(self_kn_m, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        mass = _KILO * spare / (STANDARD_GRAVITY_M_S2 * arm)
    return np.where(arm > 0, np.maximum(mass, 0.0), np.nan)


def worst_self_moment_kn_m(
    crane_type: CraneType,
    outreach_m: ArrayLike,
    *,
    run_out_m: float | None = None,
    angle_steps: int = 91,
    extension_steps: int = 25,
) -> Floats:
    """Largest self moment [kN.m] over the poses without jib that reach each outreach [m]; NaN out of reach.

    Main boom angle and extension are sampled over their working ranges; the knuckle boom angle follows from
    the outreach. `run_out_m` fixes the extension [m], None tries all of them.
    """
    main, knuckle = crane_type.main_boom, crane_type.knuckle_boom
    stroke = full_stroke_m(crane_type.extensions)
    out = np.linspace(0.0, stroke, extension_steps) if run_out_m is None else np.array([run_out_m])
    # the horizontal main boom reaches farthest, so it is tried whatever the sampling step
    level = np.clip(0.0, main.lowest_deg, main.highest_deg)
    a = np.append(np.linspace(main.lowest_deg, main.highest_deg, angle_steps), level)[:, None]
    worst = []
    for x in np.atleast_1d(np.asarray(outreach_m, float)):
        dx = x - crane_type.pivot_offset_m - main.length_m * np.cos(np.radians(a))
        cosine = dx / (knuckle.length_m + out)
        # the farthest outreach itself would fall out by rounding
        cosine = np.where(np.abs(cosine) <= 1 + 1e-12, np.clip(cosine, -1.0, 1.0), np.nan)
        b = np.degrees(np.arccos(cosine))
        b = np.where(b <= knuckle.highest_deg, b, -b)
        b = np.where((b >= knuckle.lowest_deg) & (b <= knuckle.highest_deg), b, np.nan)
        own = self_moment_kn_m(crane_type, a, b, out)
        worst.append(np.nan if np.isnan(own).all() else float(np.nanmax(own)))
    return np.array(worst).reshape(np.shape(outreach_m))


def statics_chart(
    crane_type: CraneType,
    spread_left: Spread = Spread.FULL,
    spread_right: Spread = Spread.FULL,
    *,
    sector: Sector | None = None,
    stage: int | None = None,
    points: int = 16,
    largest_mass_kg: float | None = None,
    round_down_kg: float = 5.0,
) -> LoadChart:
    """Load chart without jib from statics: what the moments allow at the heaviest boom pose of each outreach.

    Parameters
    ----------
    spread_left, spread_right, sector
        the configuration; the stability estimate of `duty.stability` lowers the allowed moment, to the worst
        slewing angle of the sector (None: all round)
    stage
        extensions run out fully, in order; None tries every extension
    points
        rows, evenly spaced from 25 % to 100 % of the reach
    largest_mass_kg
        cap, such as the hook's rating [kg]
    round_down_kg
        capacities are rounded down to a multiple of this [kg]

    Returns a chart whose capacity never rises with outreach. Rows where less than one rounding step is left
    are dropped. Raises InvalidInput where fewer than two rows remain, or a stage does not exist.

    A chart made this way describes an invented crane for a simulator. For a real crane only the maker's chart holds.
    """
    if stage is not None and not 0 <= stage <= len(crane_type.extensions):
        raise InvalidInput(f"stage must lie in 0..{len(crane_type.extensions)}", field="stage")
    run_out = None if stage is None else full_stroke_m(crane_type.extensions[:stage])
    reach = _reach_m(crane_type, run_out)
    outreach = np.linspace(0.25 * reach, reach, points)
    allowed = float(np.min(stability_limit_pct(crane_type, slews_of(sector), spread_left, spread_right)))
    own = worst_self_moment_kn_m(crane_type, outreach, run_out_m=run_out)
    mass = capacity_kg(crane_type, own, outreach, allowed)
    if largest_mass_kg is not None:
        mass = np.minimum(mass, largest_mass_kg)
    usable = np.isfinite(mass)
    outreach, mass = outreach[usable], np.minimum.accumulate(mass[usable])
    mass = np.floor(mass / round_down_kg + 1e-9) * round_down_kg
    rows = tuple(
        # an outreach rounded up would promise a reach the boom has not got
        ChartPoint(outreach_m=float(np.floor(x * 1000) / 1000), capacity_kg=float(kg))
        for x, kg in zip(outreach, mass, strict=True)
        if kg > 0
    )
    if len(rows) < 2:
        raise InvalidInput(
            f"type {crane_type.name} carries no load with spread {spread_left}/{spread_right}: "
            "check rated_moment_kn_m, boom masses and vehicle",
            field="crane_type",
        )
    return LoadChart(
        spread_left=spread_left, spread_right=spread_right, sector=sector, stage=stage, points=rows
    )


def _reach_m(crane_type: CraneType, run_out_m: float | None) -> float:
    """Farthest outreach without jib [m]: each boom as near to the horizontal as its working angles allow."""
    out = full_stroke_m(crane_type.extensions) if run_out_m is None else run_out_m
    main, knuckle = crane_type.main_boom, crane_type.knuckle_boom
    a = float(np.clip(0.0, main.lowest_deg, main.highest_deg))
    b = float(np.clip(0.0, knuckle.lowest_deg, knuckle.highest_deg))
    return float(
        crane_type.pivot_offset_m
        + main.length_m * np.cos(np.radians(a))
        + (knuckle.length_m + out) * np.cos(np.radians(b))
    )


def slews_of(sector: Sector | None) -> Floats:
    """Slewing angles [deg] that a sector covers, in steps of a degree."""
    every = np.arange(-180.0, 180.0)
    return every if sector is None else every[np.isin(sector_of(every), sector.quarters)]


def sector_of(slew_deg: ArrayLike) -> NDArray[np.object_]:
    """Sector of each slewing angle [deg]: over the cab within 45 deg of 0, rear within 45 deg of 180, else right or left.

    The 45 deg are this project's convention (common practice, no source): charts name their own sectors.
    """
    turned = (np.asarray(slew_deg, float) + 180.0) % 360.0 - 180.0
    away = np.abs(turned)
    sectors = np.full(np.shape(away), Sector.RIGHT, dtype=object)
    sectors[turned < 0] = Sector.LEFT
    sectors[away <= 45.0] = Sector.OVER_CAB
    sectors[away >= 135.0] = Sector.REAR
    return sectors


HOLD_MS: Final = 10_000  # a gap of the limit no longer than this is bridged


def structural_pct(utilisation_pct: ArrayLike, limit_pct: ArrayLike | None) -> Floats:
    """Load moment over the full structural rating [%]: utilisation_pct * limit_pct / 100, from utilisation and the present limit [%].

    Near-limit figures use utilisation, cycles and life structural percent. They meet only here.

    A missing limit (None, or NaN in places) counts as 100: the load moment is then read too high where stability
    had lowered the limit, which is the safe side for life; say so beside the figure. NaN utilisation stays NaN.
    """
    utilisation = np.asarray(utilisation_pct, np.float64)
    if limit_pct is None:
        return utilisation.copy()
    limit = np.asarray(limit_pct, np.float64)
    return np.asarray(utilisation * (np.where(np.isnan(limit), 100.0, limit) / 100.0))


def held_limit(at_ms: NDArray[np.int64], limit_pct: NDArray[np.float32]) -> NDArray[np.float32]:
    """The limit [%] with its short gaps bridged, shape (n,) like at_ms, rising Unix times, and limit_pct, NaN where missing.

    A missing limit between two that are known and HOLD_MS apart at most is taken as the larger of them: structural
    percent is then no spike to 100 %, and errs to the safe side. Other gaps stay missing, those at the ends too.
    """
    known, missing = np.flatnonzero(~np.isnan(limit_pct)), np.flatnonzero(np.isnan(limit_pct))
    place = np.searchsorted(known, missing)
    inside = (place > 0) & (place < known.size)
    missing, before, after = missing[inside], known[place[inside] - 1], known[place[inside]]
    short = at_ms[after] - at_ms[before] <= HOLD_MS
    held = limit_pct.copy()
    held[missing[short]] = np.maximum(limit_pct[before[short]], limit_pct[after[short]])
    return held
