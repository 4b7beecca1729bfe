"""Load charts of an invented type, computed from its own statics and stability: never for a real crane."""

from functools import cache
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.crane import ChartPoint, CraneType, LoadChart, Sector, Spread
from domain.errors import InvalidInput
from duty.geometry import full_stroke_m, pose
from duty.statics import capacity_kg, self_moment_kn_m, slews_of, stability_limit_pct, statics_chart

_ROUND_KG: Final = 5.0
_POINTS: Final = 16


def charts_of(crane_type: CraneType, largest_mass_kg: float) -> tuple[LoadChart, ...]:
    """One chart for every pair of stabiliser spreads and every sector in which the crane carries anything at all.

    With equal spreads the two sides are alike and share one chart, as makers print them.
    """
    charts = []
    for left, right, sector in product(Spread, Spread, Sector):
        if sector in ((Sector.RIGHT, Sector.LEFT) if left is right else (Sector.SIDE,)):
            continue
        try:
            if crane_type.jib is None:
                chart = statics_chart(crane_type, left, right, sector=sector, largest_mass_kg=largest_mass_kg)
            else:
                chart = _jib_chart(crane_type, left, right, sector, largest_mass_kg)
        except InvalidInput:
            continue
        charts.append(chart)
    return tuple(charts)


def _jib_chart(
    crane_type: CraneType, left: Spread, right: Spread, sector: Sector, largest_mass_kg: float
) -> LoadChart:
    """Chart with the jib in use: at each outreach the heaviest boom pose that gets there or farther."""
    outreach, own = _worst_jib_moments(crane_type)
    allowed = float(np.min(stability_limit_pct(crane_type, slews_of(sector), left, right)))
    mass = np.minimum(capacity_kg(crane_type, own, outreach, allowed), largest_mass_kg)
    mass = np.floor(np.minimum.accumulate(mass) / _ROUND_KG) * _ROUND_KG
    points = tuple(
        ChartPoint(outreach_m=round(float(x), 3), capacity_kg=float(kg))
        for x, kg in zip(outreach, mass, strict=True)
        if kg > 0
    )
    if len(points) < 2:
        raise InvalidInput(f"type {crane_type.name} carries nothing with spread {left}/{right} over {sector}")
    return LoadChart(spread_left=left, spread_right=right, sector=sector, jib_fitted=True, points=points)


@cache
def _worst_jib_moments(crane_type: CraneType) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Outreaches [m] from 25 % to 100 % of the reach, and the largest self moment [kN.m] of poses near each.

    Poses are sampled over the working range; near means half a step to either side, which errs to the safe side.
    """
    jib = crane_type.jib
    if jib is None:
        raise InvalidInput(f"type {crane_type.name} has no jib", field="jib")
    joints = np.meshgrid(
        np.append(np.linspace(crane_type.main_boom.lowest_deg, crane_type.main_boom.highest_deg, 12), 0.0),
        np.append(
            np.linspace(crane_type.knuckle_boom.lowest_deg, crane_type.knuckle_boom.highest_deg, 12), 0.0
        ),
        np.linspace(0.0, full_stroke_m(crane_type.extensions), 9),
        np.append(np.linspace(jib.boom.lowest_deg, jib.boom.highest_deg, 9), 0.0),
        np.linspace(0.0, full_stroke_m(jib.extensions), 4),
        indexing="ij",
    )
    flat = [values.ravel() for values in joints]
    at = pose(crane_type, *flat).outreach_m
    own = self_moment_kn_m(crane_type, *flat)
    reach = float(at.max())
    outreach = np.floor(np.linspace(0.25 * reach, reach, _POINTS) * 1000) / 1000
    half = 0.375 * reach / (_POINTS - 1)
    worst = [own[np.abs(at - x) <= half].max() for x in outreach]
    return outreach, np.array(worst)
