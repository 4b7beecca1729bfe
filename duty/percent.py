"""The two percents. Utilisation is of the moment allowed now; structural percent is of the full structural rating.

    structural_pct = utilisation_pct * limit_pct / 100

Near-limit figures use the first, cycles and life the second. They meet only here.
"""

import numpy as np
from numpy.typing import ArrayLike

from duty.geometry import Floats


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
