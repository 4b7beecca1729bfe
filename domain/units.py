"""Exact unit conversions and standard gravity. Stored values are SI; t, lb and ft are for screens."""

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


def kg_to_t(mass_kg: float) -> float:
    """Mass [kg] to tonnes [t]."""
    return mass_kg / KG_PER_T


def kg_to_lb(mass_kg: float) -> float:
    """Mass [kg] to avoirdupois pounds [lb]."""
    return mass_kg / KG_PER_LB


def m_to_ft(length_m: float) -> float:
    """Length [m] to international feet [ft]."""
    return length_m / M_PER_FT
