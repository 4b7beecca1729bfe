"""The load spectrum of a crane against its design as a drawing, in millimetres."""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from domain.answers import SpectrumAnswer

WIDTH_MM: Final = 140.0
HEIGHT_MM: Final = 62.0
LEAST_TOP_PCT: Final = 110.0
LEVEL_STEP_PCT: Final = 20

Points = list[tuple[float, float]]


def spectrum_drawing(spectrum: SpectrumAnswer) -> dict[str, Any] | None:
    """Lifts at or above a peak, over the logarithm of their number, with the design as a rectangle; None without a lift.

    Each step is drawn at its upper edge, so that the line never lies below the true one.
    """
    steps = sorted(spectrum.lift_peaks, key=lambda one: -one.low_pct)
    if not steps or not spectrum.lifts:
        return None
    design = spectrum.design_cycles
    decades = math.ceil(math.log10(max(spectrum.lifts, design or 1.0, 10.0)))
    top_pct = max(LEAST_TOP_PCT, steps[0].high_pct)
    x, y = WIDTH_MM / decades, HEIGHT_MM / top_pct

    def drawn(points: Sequence[tuple[float, float]]) -> Points:
        return [(round(x * math.log10(max(count, 1.0)), 2), round(y * level, 2)) for count, level in points]

    rectangles = [("record", float(spectrum.lifts), spectrum.kq), ("design", design, spectrum.design_kq)]
    highest = max(kq or 0.0 for _, _, kq in rectangles)
    return {
        "width": WIDTH_MM,
        "height": HEIGHT_MM,
        "x_ticks": [{"at": round(x * power, 2), "label": f"{10**power:,}"} for power in range(decades + 1)],
        "y_ticks": [
            {"at": round(y * level, 2), "label": f"{level:g}"}
            for level in np.arange(0, top_pct + 1, LEVEL_STEP_PCT).tolist()
        ],
        "line": drawn(_staircase([(one.high_pct, one.value) for one in steps])),
        "rectangles": [
            {
                "points": drawn([(1, level), (cycles, level), (cycles, 0)]),
                "label": f"{name}: {cycles:,.0f} lifts at {level:.0f} %",
                "above": kq
                == highest,  # the label of the higher one stands above its line, that of the other below
                "beside": math.log10(cycles) < decades / 2,
            }
            for name, cycles, kq in rectangles
            if cycles is not None and kq
            for level in [100 * float(np.cbrt(kq))]
        ],
        "alt": (
            f"Load spectrum: {spectrum.lifts:,} lifts of the record by their peak structural percent, the highest up to "
            f"{steps[0].high_pct:g} %"
            + (
                f"; the design allows {design:,.0f} lifts at kQ {spectrum.design_kq:.3g}."
                if design
                else "; no design class is entered."
            )
        ),
        "caption": (
            "Line: lifts of the record whose peak reaches a structural percent or more. Dashed: rectangles of the same sum of cubes"
            " (level = cube root of kQ), of the record and of the design class. Lifts before the record are not in the line."
        ),
    }


def _staircase(steps: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Corners from the highest peak down. steps: (upper edge, lifts), the highest first."""
    corners, count = [(1.0, steps[0][0])], 0.0
    for place, (level, lifts) in enumerate(steps):
        count += lifts
        below = steps[place + 1][0] if place + 1 < len(steps) else 0.0
        corners += [(count, level), (count, below)]
    return corners
