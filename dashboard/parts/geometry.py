"""From what the api says of a crane's figure and position to the props of its drawings. Nothing is computed here."""

from typing import Any

from domain.drawing_answers import Corners, Drawn, Figure


def geometry_of(figure: Figure) -> dict[str, Any]:
    """Lengths [m] that `SideView` draws with."""
    return {
        "pivot_height_m": figure.pivot_height_m,
        "knuckle_m": figure.knuckle_m,
        "strokes_m": list(figure.strokes_m),
        "jib_m": figure.jib_m,
        "jib_strokes_m": list(figure.jib_strokes_m),
    }


def carrier_of(figure: Figure) -> dict[str, float]:
    """The carrier seen from above [m] for `TopView`."""
    return {"rear_m": figure.rear_m, "front_m": figure.front_m}


def position_of(drawn: Drawn | None) -> dict[str, float] | None:
    """A position for both views, flat, so that each figure can move; None where it is not known."""
    if drawn is None:
        return None
    flat = joints_of(drawn.joints_m) | {
        "extension_m": drawn.extension_m,
        "jib_extension_m": drawn.jib_extension_m,
        "rated_kg": drawn.rated_kg,
    }
    more = {
        "outreach_m": drawn.outreach_m,
        "slew_deg": drawn.slew_deg,
        "left_m": drawn.left_m,
        "right_m": drawn.right_m,
    }
    return flat | {name: value for name, value in more.items() if value is not None}


def joints_of(joints: Corners) -> dict[str, float]:
    """Joints as x0, y0, x1, y1 and so on [m]."""
    return {
        f"{axis}{index}": point[place]
        for index, point in enumerate(joints)
        for place, axis in enumerate("xy")
    }


def lines(corners: Corners) -> list[list[float]]:
    """Corners as plain lists."""
    return [list(corner) for corner in corners]
