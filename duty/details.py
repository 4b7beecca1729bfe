"""The weld detail by which cranes are compared while none is entered."""

from typing import Final

from duty.damage import Detail
from duty.sn import en_1993_1_9

COMPARISON: Final = Detail(
    name="comparison weld, assumed: 1 MPa per percent, EN 1993-1-9 category 71",
    mpa_per_pct=1.0,
    curve=en_1993_1_9(71.0),
)
"""Stress per percent and category are assumed, the same for every crane: its damage says nothing about any crane's welds."""
