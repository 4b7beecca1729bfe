"""Exact unit conversions and standard gravity. Stored values are SI; t, lb and ft are for screens."""

import math
from typing import Final

KG_PER_T: Final = 1000.0
KG_PER_LB: Final = 0.45359237  # exact, international yard and pound agreement 1959
M_PER_FT: Final = 0.3048  # exact, same agreement
STANDARD_GRAVITY_M_S2: Final = 9.80665  # exact, CGPM 1901
KN_PER_LBF: Final = (
    KG_PER_LB * STANDARD_GRAVITY_M_S2 / 1000
)  # exact: the weight of a pound in standard gravity
M2_PER_FT2: Final = M_PER_FT**2
KPA_PER_PSF: Final = KN_PER_LBF / M2_PER_FT2
M_S_PER_MPH: Final = 0.44704  # exact: 1609.344 m in 3600 s
MS_PER_S: Final = 1000
S_PER_MIN: Final = 60
S_PER_H: Final = 3600
S_PER_DAY: Final = 86_400
US_PER_MS: Final = 1000
MS_PER_MIN: Final = MS_PER_S * S_PER_MIN
MS_PER_DAY: Final = MS_PER_S * S_PER_DAY
MIN_PER_DAY: Final = S_PER_DAY // S_PER_MIN
H_PER_DAY: Final = S_PER_DAY // S_PER_H
BYTES_PER_MB: Final = 1_000_000
DAYS_PER_YEAR: Final = 365.25  # a Julian year
DAYS_PER_WEEK: Final = 7
WEEKS_PER_YEAR: Final = DAYS_PER_YEAR / DAYS_PER_WEEK
DAYS_PER_MONTH: Final = DAYS_PER_YEAR / 12

SI_PER: Final[dict[str, float]] = {
    "kg": 1.0,
    "t": KG_PER_T,
    "lb": KG_PER_LB,
    "m": 1.0,
    "ft": M_PER_FT,
    "m2": 1.0,
    "ft2": M2_PER_FT2,
    "kN": 1.0,
    "lbf": KN_PER_LBF,
    "kPa": 1.0,
    "psf": KPA_PER_PSF,
    "m/s": 1.0,
    "mph": M_S_PER_MPH,
}
"""How much one of each unit is in the unit that is stored: kg, m, m2, kN, kPa, m/s."""


DEGREES_PER_RADIAN: Final = math.degrees(1.0)
TO_CHANNEL: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "%": {"%": (1, 0), "1": (100, 0)},
    "deg": {"deg": (1, 0), "rad": (DEGREES_PER_RADIAN, 0)},
    "m": {"m": (1, 0), "cm": (0.01, 0), "mm": (0.001, 0), "ft": (M_PER_FT, 0), "in": (M_PER_FT / 12, 0)},
    "degC": {"degC": (1, 0), "K": (1, -273.15), "degF": (5 / 9, -160 / 9)},
    "h": {"h": (1, 0), "s": (1 / S_PER_H, 0)},
    "1": {"1": (1, 0)},
}
"""(factor, offset) from each unit that a file may have to the unit of a channel."""


def ms_to_s(time_ms: float) -> float:
    """Time [ms] to seconds [s]."""
    return time_ms / MS_PER_S


def ms_to_h(time_ms: float) -> float:
    """Time [ms] to hours [h]."""
    return time_ms / MS_PER_S / S_PER_H


def s_to_h(time_s: float) -> float:
    """Time [s] to hours [h]."""
    return time_s / S_PER_H


def s_to_min(time_s: float) -> float:
    """Time [s] to minutes [min]."""
    return time_s / S_PER_MIN
