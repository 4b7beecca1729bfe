"""Weld details as plain values, for storage, entry forms and exports; and the detail used while none is entered."""

import math
from typing import Any, Final

from domain.errors import InvalidInput
from duty.damage import Detail
from duty.sn import SnCurve, en_1993_1_9

COMPARISON: Final = Detail(
    name="comparison weld, assumed: 1 MPa per percent, EN 1993-1-9 category 71",
    mpa_per_pct=1.0,
    curve=en_1993_1_9(71.0),
)
"""Stands in while no detail is entered, so that cranes can be compared. Both numbers are assumed; its damage says
nothing about any crane's welds."""


def to_spec(detail: Detail) -> dict[str, Any]:
    """The detail without its name as JSON values; a branch without end has null cycles."""
    return {
        "mpa_per_pct": detail.mpa_per_pct,
        "offset_mpa": detail.offset_mpa,
        "gamma_mf": detail.gamma_mf,
        "direction": detail.direction,
        "curve": {
            "name": detail.curve.name,
            "reference_mpa": detail.curve.reference_mpa,
            "branches": [[m, None if math.isinf(end) else end] for m, end in detail.curve.branches],
            "source": detail.curve.source,
        },
    }


def from_spec(name: str, spec: dict[str, Any]) -> Detail:
    """The detail that to_spec wrote. Raises InvalidInput where something is missing or out of range."""
    try:
        curve = spec["curve"]
        return Detail(
            name=name,
            mpa_per_pct=float(spec["mpa_per_pct"]),
            offset_mpa=float(spec.get("offset_mpa", 0.0)),
            gamma_mf=float(spec.get("gamma_mf", 1.25)),
            direction=_direction(spec.get("direction", "none")),
            curve=SnCurve(
                str(curve["name"]),
                float(curve["reference_mpa"]),
                tuple((float(m), math.inf if end is None else float(end)) for m, end in curve["branches"]),
                str(curve.get("source", "")),
            ),
        )
    except (KeyError, TypeError, ValueError) as problem:
        if isinstance(problem, InvalidInput):
            raise
        raise InvalidInput(f"weld detail {name!r} cannot be read: {problem}", field="spec") from problem


def _direction(value: Any) -> Any:
    return value if isinstance(value, str) else float(value)
