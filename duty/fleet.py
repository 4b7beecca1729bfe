"""A fleet laid out as arrays, once, so that a job is matched against all of it in a few passes.

Cranes that share a type and its charts are one variant and are computed once. A configuration is what can be set
up for a lift: stabiliser spread left and right, jib, stage of the extensions; it has one chart per sector.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from domain.crane import Crane, CraneType, LoadChart
from domain.units import STANDARD_GRAVITY_M_S2
from duty.capacity import SPREAD_RANK, ChartTable, Flags, Floats, Ints, chart_table
from duty.chart_pack import ALL_STAGES, Packed, pack
from duty.geometry import envelope, full_stroke_m
from duty.stability import spread_m
from duty.statics import worst_self_moment_kn_m

_OUTREACH_STEPS = 61
_MOST_STAGES = 21  # LoadChart.stage goes up to 20; -1 for any

Number = TypeVar("Number", np.float64, np.intp)


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Arrays by crane, by variant, by configuration and by geometry; see the module."""

    crane_variant: Ints
    types: tuple[CraneType, ...]  # by variant
    table: ChartTable
    configuration_first_chart: Ints
    configuration_variant: Ints
    configuration_geometry: Ints
    variant_first_configuration: Ints  # of the variants that have charts
    variant_with_charts: Ints
    wind_limit_m_s: Floats  # by crane, NaN where not entered
    slope_limit_deg: Floats
    rated_moment_kn_m: Floats  # by variant
    pivot_offset_m: Floats
    jib_rated_kg: Floats  # inf without a jib
    boom_mass_kg: Floats  # by geometry, with the jib where it is fitted
    step_m: Floats  # by geometry: outreach between two columns of the next arrays
    highest_m: Floats  # (geometry, outreach): largest hook height
    lowest_m: Floats  # (geometry, outreach): smallest hook height
    self_moment_kn_m: Floats  # (geometry, outreach): largest boom moment, read towards the higher neighbour
    vehicle_kg: Floats  # by variant
    vehicle_x_m: Floats  # its centre of mass, towards the cab from the slewing axis
    rear_x_m: Floats
    front_x_m: Floats
    half_track_m: Floats  # run-in stabiliser, taken as half track of the wheels too
    pad_area_m2: Floats
    pad_left_m: Floats  # by configuration: slewing axis to pad
    pad_right_m: Floats


def build(cranes: Sequence[Crane], charts: Sequence[Sequence[LoadChart]] | None = None) -> Fleet:
    """Lay out a fleet. `charts` are the charts in force crane by crane; None takes those of each crane's type.

    Cranes are one variant where both the type and the chart sequence are the same object, so share them.
    """
    chart_sets = [crane.type.charts for crane in cranes] if charts is None else list(charts)
    packed = {id(one): pack(one) for one in chart_sets}
    return lay_out(
        [crane.type for crane in cranes],
        [packed[id(one)] for one in chart_sets],
        wind_limit_m_s=[crane.wind_limit_m_s for crane in cranes],
        slope_limit_deg=[crane.slope_limit_deg for crane in cranes],
    )


def lay_out(
    crane_types: Sequence[CraneType],
    charts: Sequence[Packed],
    *,
    wind_limit_m_s: Sequence[float | None],
    slope_limit_deg: Sequence[float | None],
) -> Fleet:
    """Lay out a fleet from the type and the packed charts of each crane; equal objects are shared, as in `build`.

    The limits are those entered for each crane, None where they are not.
    """
    pairs = [(id(one), id(chart_set)) for one, chart_set in zip(crane_types, charts, strict=True)]
    variants = {pair: index for index, pair in enumerate(dict.fromkeys(pairs))}
    of_variant = dict(zip(pairs, zip(crane_types, charts, strict=True), strict=True))
    types = [of_variant[pair][0] for pair in variants]
    table = chart_table([of_variant[pair][1] for pair in variants])
    kinds = {id(one): one for one in types}
    kind_index = {key: index for index, key in enumerate(kinds)}
    kind = np.array([kind_index[id(one)] for one in types], np.intp)
    keys = np.column_stack(
        [table.chart_variant, table.spread_left, table.spread_right, table.jib_fitted, table.stage]
    )
    is_first = np.ones(len(keys), np.bool_)
    is_first[1:] = (keys[1:] != keys[:-1]).any(axis=1)
    first = np.flatnonzero(is_first)
    variant = table.chart_variant[first]
    starts = np.flatnonzero(np.diff(variant, prepend=-1))
    geometries, geometry = _geometries(
        list(kinds.values()), kind[variant], table.jib_fitted[first], table.stage[first]
    )
    spreads = _spreads_m(list(kinds.values()))[kind[variant]]
    row = np.arange(first.size)

    def by_variant(value: Callable[[CraneType], float]) -> Floats:
        return np.array([value(one) for one in kinds.values()], float)[kind]

    return Fleet(
        crane_variant=np.array([variants[pair] for pair in pairs], np.intp),
        types=tuple(types),
        table=table,
        configuration_first_chart=first,
        configuration_variant=variant,
        configuration_geometry=geometry,
        variant_first_configuration=starts,
        variant_with_charts=variant[starts],
        wind_limit_m_s=np.array(wind_limit_m_s, float),
        slope_limit_deg=np.array(slope_limit_deg, float),
        rated_moment_kn_m=by_variant(lambda one: one.rated_moment_kn_m),
        pivot_offset_m=by_variant(lambda one: one.pivot_offset_m),
        jib_rated_kg=by_variant(lambda one: one.jib.rated_capacity_kg if one.jib else np.inf),
        boom_mass_kg=np.array([one.boom_mass_kg for one in geometries]),
        step_m=np.array([one.step_m for one in geometries]),
        highest_m=np.array([one.highest_m for one in geometries]).reshape(-1, _OUTREACH_STEPS),
        lowest_m=np.array([one.lowest_m for one in geometries]).reshape(-1, _OUTREACH_STEPS),
        self_moment_kn_m=np.array([one.self_moment_kn_m for one in geometries]).reshape(-1, _OUTREACH_STEPS),
        vehicle_kg=by_variant(lambda one: one.vehicle.mass_kg),
        vehicle_x_m=by_variant(lambda one: one.vehicle.centre_of_mass_x_m),
        rear_x_m=by_variant(lambda one: one.vehicle.rear_support_x_m),
        front_x_m=by_variant(lambda one: one.vehicle.front_support_x_m),
        half_track_m=by_variant(lambda one: one.vehicle.stabiliser_spread_none_m),
        pad_area_m2=by_variant(lambda one: one.vehicle.pad_area_m2),
        pad_left_m=spreads[row, table.spread_left[first]],
        pad_right_m=spreads[row, table.spread_right[first]],
    )


def _spreads_m(types: Sequence[CraneType]) -> Floats:
    """(type, spread rank): slewing axis to pad [m]."""
    return np.array(
        [[spread_m(one.vehicle, spread) for spread in SPREAD_RANK] for one in types], float
    ).reshape(-1, len(SPREAD_RANK))


class _Geometry(NamedTuple):
    """Envelope and boom moment of a type with or without jib, in one stage."""

    boom_mass_kg: float
    step_m: float
    highest_m: Floats
    lowest_m: Floats
    self_moment_kn_m: Floats


def _geometries(
    types: Sequence[CraneType], kind: Ints, jib_fitted: Flags, stage: Ints
) -> tuple[list[_Geometry], Ints]:
    """One geometry for each type, jib and stage that occurs, and its index by configuration."""
    code = (kind * 2 + jib_fitted) * (_MOST_STAGES + 1) + stage - ALL_STAGES
    found, index = np.unique(code, return_inverse=True)
    geometries = []
    for one in found.tolist():
        rest, stages = divmod(one, _MOST_STAGES + 1)
        which, jib = divmod(rest, 2)
        # What a geometry does not depend on is taken out, so that a renamed type or new charts find it again.
        plain = types[which].model_copy(update={"name": "any", "title": "", "charts": ()})
        geometries.append(_geometry(plain, bool(jib) and plain.jib is not None, stages + ALL_STAGES))
    return geometries, np.asarray(index, np.intp).reshape(-1)


@lru_cache(maxsize=4096)
def _geometry(crane_type: CraneType, with_jib: bool, stage: int) -> _Geometry:
    run_out = crane_type.extensions if stage == ALL_STAGES else crane_type.extensions[:stage]
    reached = envelope(
        crane_type.model_copy(update={"extensions": run_out}),
        with_jib=with_jib,
        outreach_points=_OUTREACH_STEPS,
        angle_steps=91,
    )
    booms = _boom_mass_kg(crane_type, with_jib=False)
    own = worst_self_moment_kn_m(
        crane_type,
        reached.outreach_m,
        run_out_m=None if stage == ALL_STAGES else full_stroke_m(run_out),
        angle_steps=46,
        extension_steps=13,
    )
    bound = booms * np.max(reached.outreach_m) * STANDARD_GRAVITY_M_S2 / 1000.0
    most = np.nanmax(own) if np.isfinite(own).any() else bound
    if with_jib:
        # The boom tip may stand anywhere while the jib works, and no part of the jib is farther out than the reach.
        jib_mass = _boom_mass_kg(crane_type, with_jib=True) - booms
        own = most + jib_mass * STANDARD_GRAVITY_M_S2 / 1000.0 * reached.outreach_m
    return _Geometry(
        boom_mass_kg=_boom_mass_kg(crane_type, with_jib),
        step_m=float(reached.outreach_m[1]),
        # Where the sampled envelope has nothing (the very tip), the straight boom at pivot height is what is left.
        highest_m=np.where(np.isfinite(reached.highest_m), reached.highest_m, crane_type.pivot_height_m),
        lowest_m=np.where(np.isfinite(reached.lowest_m), reached.lowest_m, crane_type.pivot_height_m),
        self_moment_kn_m=np.where(np.isfinite(own), own, most),
    )


def _boom_mass_kg(crane_type: CraneType, with_jib: bool) -> float:
    members = [crane_type.main_boom.mass_kg, crane_type.knuckle_boom.mass_kg]
    members += [extension.mass_kg for extension in crane_type.extensions]
    if with_jib and crane_type.jib is not None:
        members.append(crane_type.jib.boom.mass_kg)
        members += [extension.mass_kg for extension in crane_type.jib.extensions]
    return sum(members)


def hook_heights_m(fleet: Fleet, outreach_m: tuple[float, float]) -> tuple[Floats, Floats]:
    """Hook heights [m], by configuration, between which the booms reach at every outreach of a span [m].

    Read off the grid of the envelope on the safe side: the top towards the lower neighbour; the bottom, which bends
    down between two points of the grid, on the chord between them.
    """
    if not fleet.highest_m.size:
        return np.zeros(0), np.zeros(0)
    near, far = outreach_m
    column = np.arange(_OUTREACH_STEPS)
    at = column * fleet.step_m[:, None]
    touched = (at > near - fleet.step_m[:, None]) & (at < far + fleet.step_m[:, None])
    touched[:, -1] |= ~touched.any(
        axis=1
    )  # beyond the reach the last column stands in: the chart decides there
    top = np.where(touched, fleet.highest_m, np.inf).min(axis=1)
    bottom = np.where((at >= near) & (at <= far), fleet.lowest_m, -np.inf).max(axis=1)
    for end_m in outreach_m:
        before, after = _neighbours(fleet.lowest_m, fleet.step_m, end_m)
        part = np.clip(end_m / fleet.step_m - np.floor(end_m / fleet.step_m), 0.0, 1.0)
        bottom = np.maximum(bottom, before + (after - before) * part)
    return bottom[fleet.configuration_geometry], top[fleet.configuration_geometry]


def boom_moment_kn_m(fleet: Fleet, outreach_m: float) -> Floats:
    """Largest boom moment [kN.m] at an outreach [m], by configuration, towards the higher neighbour of the grid."""
    left, right = _neighbours(fleet.self_moment_kn_m, fleet.step_m, outreach_m)
    return np.maximum(left, right)[fleet.configuration_geometry]


def _neighbours(grid: Floats, step_m: Floats, outreach_m: float) -> tuple[Floats, Floats]:
    if not grid.size:
        return np.zeros(0), np.zeros(0)
    last = grid.shape[1] - 1
    below = np.clip(np.floor(outreach_m / step_m).astype(np.intp), 0, last)
    rows = np.arange(len(grid))
    return grid[rows, below], grid[rows, np.minimum(below + 1, last)]


def largest_by_variant(fleet: Fleet, by_configuration: NDArray[Number], empty: float = 0) -> NDArray[Number]:
    """Largest value over the configurations of each variant, `empty` without charts."""
    found = np.full(len(fleet.types), empty, by_configuration.dtype)
    if by_configuration.size:
        found[fleet.variant_with_charts] = np.maximum.reduceat(
            by_configuration, fleet.variant_first_configuration
        )
    return found


def last_largest(fleet: Fleet, by_configuration: Floats) -> Ints:
    """Index of each variant's last configuration with its largest value; -1 where no value is above 0."""
    largest = largest_by_variant(fleet, by_configuration)[fleet.configuration_variant]
    hit = (by_configuration == largest) & (largest > 0)
    return largest_by_variant(fleet, np.where(hit, np.arange(hit.size), -1), empty=-1)
