"""The two percents. Utilisation is of the moment allowed now; structural percent is of the full structural rating.

    structural_pct = utilisation_pct * limit_pct / 100

Near-limit figures use the first, cycles and life the second. They meet only here.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from duty.geometry import Floats

HOLD_MS: Final = 10_000  # a gap of the limit no longer than this is bridged


def structural_pct(utilisation_pct: ArrayLike, limit_pct: ArrayLike | None) -> Floats:
    """Load moment over the full structural rating [%] from utilisation and the present limit [%].

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
