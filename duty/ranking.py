"""The order of the cranes for a lift: points by visible weights, so that every place in the list can be explained."""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from domain.job import Weights
from duty.capacity import Flags, Floats, Ints
from duty.damage import Detail, miner
from duty.dispatch import Matches

EARTH_RADIUS_KM: Final = 6371.0088  # mean radius of the GRS80 ellipsoid, (2a + b) / 3
LEAST_REMAINING_SHARE: Final = 0.001  # a spent crane costs much, not infinitely much
LOAD_EXPONENT: Final = 3.0  # life goes with the cube of the load share, as kQ does


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What ranking needs beside the match; arrays by crane."""

    free: Flags
    open_faults: Ints
    forbidding_faults: (
        Ints  # open faults that cost points: those of codes that the question does not tolerate
    )
    assessment_overdue: Flags  # the special assessment is due by the day of the job
    findings: Flags  # readings that cannot be true: what was counted is doubtful
    never_heard: Flags  # the crane has sent nothing: faults, hours and life are not known
    service_overdue: Flags
    life_ppm: Floats  # millionths of the remaining life that this lift takes; NaN where not known
    distance_km: Floats  # NaN where a position is not known

    @cached_property
    def needs_override(self) -> Flags:
        """What is not to be used unless somebody entitled says so, with a reason; the same for everyone who asks."""
        return np.asarray((self.open_faults > 0) | self.assessment_overdue, np.bool_)


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """Cranes in order, and the points behind it."""

    order: Ints  # indices: the fit ones by points, then the others, nearest to fitting first
    points: Floats
    terms: dict[str, Floats]  # points by the name of the weight


def rank(matches: Matches, facts: Facts, weights: Weights) -> Ranking:
    """Order the cranes of a match. Ties keep the order of the fleet, so the answer is the same every time."""
    life = np.minimum(weights.life_per_ppm * facts.life_ppm, weights.life_most)
    terms = {
        "not_free": np.where(facts.free, 0.0, weights.not_free),
        "forbidding_fault": np.where(facts.forbidding_faults > 0, weights.forbidding_fault, 0.0),
        "assessment_overdue": np.where(facts.assessment_overdue, weights.assessment_overdue, 0.0),
        "findings": np.where(facts.findings, weights.findings, 0.0),
        "never_heard": np.where(facts.never_heard, weights.never_heard, 0.0),
        "service_overdue": np.where(facts.service_overdue, weights.service_overdue, 0.0),
        "life": np.where(np.isnan(facts.life_ppm), weights.life_unknown, life),
        "distance": weights.distance_per_km * np.nan_to_num(facts.distance_km),
    }
    points = np.sum(list(terms.values()), axis=0)
    nearness = np.where(np.isfinite(matches.headroom_pct), matches.headroom_pct, -1e9)
    order = np.lexsort((np.where(matches.fit, points, -nearness), -matches.ruling))
    return Ranking(order=order, points=points, terms=terms)


def lift_life_share(structural_pct: ArrayLike, design_lifts: ArrayLike, design_kq: ArrayLike) -> Floats:
    """Share of the design working period that one lift takes: (structural / 100)^3 / (design lifts * design kQ).

    The share of the lift in the sum behind the used share (see nomenclature): a lift at the full structural rating
    counts one, at half of it one eighth. NaN in gives NaN out.
    """
    cubed = (np.asarray(structural_pct, float) / 100.0) ** LOAD_EXPONENT
    return np.asarray(cubed / (np.asarray(design_lifts, float) * np.asarray(design_kq, float)))


def remaining_life_ppm(life_share: ArrayLike, f1: ArrayLike, used_share: ArrayLike) -> Floats:
    """Millionths of the remaining life that one lift takes; `f1` is the factor on counted duty, used_share 1 is spent."""
    left = np.maximum(1.0 - np.asarray(used_share, float), LEAST_REMAINING_SHARE)
    return np.asarray(1e6 * np.asarray(f1, float) * np.asarray(life_share, float) / left)


def detail_life_ppm(structural_pct: ArrayLike, detail: Detail, damage: ArrayLike) -> Floats:
    """Millionths of the remaining Miner sum of a weld detail that one lift takes: D of one cycle from 0 to its peak.

    What remains is the detail's allowed sum less the damage so far; it compares cranes and predicts nothing. NaN in gives
    NaN out.
    """
    peak = np.asarray(structural_pct, float)
    known = np.where(np.isfinite(peak), peak, 0.0)
    one = miner(detail.range_mpa(known), np.ones_like(known), detail.curve, detail.gamma_mf)
    left = np.maximum(detail.allowed_sum - np.asarray(damage, float), LEAST_REMAINING_SHARE)
    return np.where(np.isfinite(peak), 1e6 * one / left, np.nan)


def distance_km(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, to_latitude_deg: float, to_longitude_deg: float
) -> Floats:
    """Great-circle distance [km] by the haversine formula on a sphere; roads are longer. NaN in gives NaN out.

    Formula: R. W. Sinnott, Virtues of the Haversine, Sky and Telescope 68 (1984) 159 (from memory).
    """
    lat, lon = np.radians(np.asarray(latitude_deg, float)), np.radians(np.asarray(longitude_deg, float))
    to_lat, to_lon = np.radians(to_latitude_deg), np.radians(to_longitude_deg)
    half = np.sin((to_lat - lat) / 2) ** 2 + np.cos(lat) * np.cos(to_lat) * np.sin((to_lon - lon) / 2) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.minimum(np.sqrt(half), 1.0)))
