"""Where the booms are: forward kinematics of a loader crane, its inverse, and the envelope of the hook.

Plane of the booms: x is the horizontal distance from the slewing axis, y the height above ground. Angles are
measured to the horizontal, positive up, as the channels are. NaN in gives NaN out.

    x = pivot_offset_m + main*cos(a) + (knuckle + extension)*cos(b) + (jib + jib_extension)*cos(c)
    y = pivot_height_m + main*sin(a) + (knuckle + extension)*sin(b) + (jib + jib_extension)*sin(c)

Deflection of the booms, slope of the truck and the rope or hook block below the boom tip are left out.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.crane import CraneType, Extension, Jib
from domain.errors import InvalidInput

Floats = NDArray[np.float64]


class Pose(NamedTuple):
    """Where the hook is: arrays of the broadcast shape of the inputs."""

    outreach_m: Floats
    hook_height_m: Floats


class Envelope(NamedTuple):
    """Lowest and highest hook height [m] at each outreach [m]; NaN where nothing reaches."""

    outreach_m: Floats
    lowest_m: Floats
    highest_m: Floats


def full_stroke_m(extensions: tuple[Extension, ...]) -> float:
    """Sum of the strokes [m]; 0 without extensions."""
    return float(sum(extension.stroke_m for extension in extensions))


def jib_run_out(jib: Jib, channels: Mapping[str, ArrayLike], samples: int) -> Floats:
    """Extension of a fitted jib [m], shape (samples,): as sent, else 0 where it cannot extend and NaN where nobody knows."""
    sent = channels.get("jib_extension_m", np.full(samples, np.nan if jib.extensions else 0.0))
    return np.asarray(sent, np.float64)


def joints(
    crane_type: CraneType,
    main_boom_deg: ArrayLike,
    knuckle_boom_deg: ArrayLike,
    extension_m: ArrayLike,
    jib_deg: ArrayLike | None = None,
    jib_extension_m: ArrayLike | None = None,
) -> Floats:
    """Polyline of the crane in the plane of its booms, for drawing.

    Parameters broadcast against each other; see the module for the convention [deg, m]. `jib_deg` None means
    that no jib is fitted; a missing `jib_extension_m` counts as 0.

    Returns an array of shape (..., points, 2): foot of the column, top of the column, main boom pivot,
    knuckle joint, tip of the knuckle boom's extensions, and with a jib its tip; the last point is the hook.

    Raises InvalidInput where a jib angle is given for a type without a jib.
    """
    angles, lengths = _members(
        crane_type, main_boom_deg, knuckle_boom_deg, extension_m, jib_deg, jib_extension_m
    )
    x = _chained(crane_type.pivot_offset_m, np.cos, angles, lengths)
    y = _chained(crane_type.pivot_height_m, np.sin, angles, lengths)
    shape = np.broadcast_shapes(*(part.shape for part in (*angles, *lengths)))
    points = np.empty((*shape, 2 + len(x), 2))
    points[..., 0, :] = (0.0, 0.0)
    points[..., 1, :] = (0.0, crane_type.pivot_height_m)
    for index, (across, up) in enumerate(zip(x, y, strict=True), start=2):
        points[..., index, 0], points[..., index, 1] = across, up
    return points


def pose(
    crane_type: CraneType,
    main_boom_deg: ArrayLike,
    knuckle_boom_deg: ArrayLike,
    extension_m: ArrayLike,
    jib_deg: ArrayLike | None = None,
    jib_extension_m: ArrayLike | None = None,
) -> Pose:
    """Outreach and hook height [m] from joint angles [deg] and extensions [m]; parameters as in `joints`."""
    angles, lengths = _members(
        crane_type, main_boom_deg, knuckle_boom_deg, extension_m, jib_deg, jib_extension_m
    )
    x = _chained(crane_type.pivot_offset_m, np.cos, angles, lengths)[-1]
    y = _chained(crane_type.pivot_height_m, np.sin, angles, lengths)[-1]
    return Pose(x, y)


def horizontals(
    crane_type: CraneType,
    main_boom_deg: ArrayLike,
    knuckle_boom_deg: ArrayLike,
    extension_m: ArrayLike,
    jib_deg: ArrayLike | None = None,
    jib_extension_m: ArrayLike | None = None,
) -> list[Floats]:
    """Horizontal distance [m] of pivot, knuckle joint, tip and jib tip from the slewing axis; as in `joints`."""
    return _chained(
        crane_type.pivot_offset_m,
        np.cos,
        *_members(crane_type, main_boom_deg, knuckle_boom_deg, extension_m, jib_deg, jib_extension_m),
    )


def _members(
    crane_type: CraneType,
    main_boom_deg: ArrayLike,
    knuckle_boom_deg: ArrayLike,
    extension_m: ArrayLike,
    jib_deg: ArrayLike | None,
    jib_extension_m: ArrayLike | None,
) -> tuple[list[Floats], list[Floats]]:
    """Angles [rad] and lengths [m] of the members from the pivot outwards."""
    if jib_deg is not None and crane_type.jib is None:
        raise InvalidInput(f"type {crane_type.name} has no jib: leave jib_deg out", field="jib_deg")
    angles = [np.radians(np.asarray(angle, float)) for angle in (main_boom_deg, knuckle_boom_deg)]
    lengths = [
        np.asarray(crane_type.main_boom.length_m),
        np.asarray(crane_type.knuckle_boom.length_m + np.asarray(extension_m, float)),
    ]
    if jib_deg is not None and crane_type.jib is not None:
        run_out = np.asarray(0.0 if jib_extension_m is None else jib_extension_m, float)
        angles.append(np.radians(np.asarray(jib_deg, float)))
        lengths.append(np.asarray(crane_type.jib.boom.length_m + run_out))
    return angles, lengths


def _chained(start: float, component: np.ufunc, angles: list[Floats], lengths: list[Floats]) -> list[Floats]:
    """One coordinate of the joints: `start`, then one member after the other."""
    at = [np.asarray(start)]
    for angle, length in zip(angles, lengths, strict=True):
        at.append(np.asarray(at[-1] + length * component(angle)))
    return at


def angles_for(
    crane_type: CraneType, outreach_m: ArrayLike, hook_height_m: ArrayLike, extension_m: ArrayLike
) -> tuple[Floats, Floats]:
    """Main and knuckle boom angles [deg] that put the hook at a point, without a jib, knuckle joint above.

    The law of cosines on the triangle pivot, knuckle joint, hook. NaN where the point is out of reach or an
    angle would leave its working range. Inputs [m] broadcast.
    """
    x = np.asarray(outreach_m, float) - crane_type.pivot_offset_m
    y = np.asarray(hook_height_m, float) - crane_type.pivot_height_m
    main = crane_type.main_boom.length_m
    outer = crane_type.knuckle_boom.length_m + np.asarray(extension_m, float)
    distance = np.hypot(x, y)
    with np.errstate(invalid="ignore", divide="ignore"):
        at_pivot = np.arccos((main**2 + distance**2 - outer**2) / (2 * main * distance))
    main_rad = np.arctan2(y, x) + at_pivot
    knuckle_rad = np.arctan2(y - main * np.sin(main_rad), x - main * np.cos(main_rad))
    main_deg, knuckle_deg = np.degrees(main_rad), np.degrees(knuckle_rad)
    slack = 1e-9  # a pose exactly at a working-angle limit is reachable
    inside = (
        (main_deg >= crane_type.main_boom.lowest_deg - slack)
        & (main_deg <= crane_type.main_boom.highest_deg + slack)
        & (knuckle_deg >= crane_type.knuckle_boom.lowest_deg - slack)
        & (knuckle_deg <= crane_type.knuckle_boom.highest_deg + slack)
    )
    return np.where(inside, main_deg, np.nan), np.where(inside, knuckle_deg, np.nan)


def envelope(
    crane_type: CraneType, *, with_jib: bool = False, outreach_points: int = 121, angle_steps: int = 181
) -> Envelope:
    """Lowest and highest hook height at each outreach, over all working angles and extensions.

    The members before the last are sampled (`angle_steps` angles a member, five extensions before a jib), the
    last member is solved exactly, so heights err by less than member length * step**2 / 8 (below 1 mm for a
    5 m boom and 181 steps over 90 degrees). Points inside an inner hole of the working area are not marked.

    Raises InvalidInput for `with_jib` on a type without a jib.
    """
    if with_jib and crane_type.jib is None:
        raise InvalidInput(f"type {crane_type.name} has no jib: ask without it", field="with_jib")
    main, knuckle = crane_type.main_boom, crane_type.knuckle_boom
    a = np.linspace(main.lowest_deg, main.highest_deg, angle_steps)
    stroke = full_stroke_m(crane_type.extensions)
    if with_jib and crane_type.jib is not None:
        steps = max(angle_steps // 3, 2)
        b = np.linspace(knuckle.lowest_deg, knuckle.highest_deg, steps)
        out = np.linspace(0.0, stroke, 5)
        roots = pose(crane_type, a[::3, None, None], b[:, None], out)
        last, reach = crane_type.jib.boom, full_stroke_m(crane_type.jib.extensions)
    else:
        roots = Pose(*joints(crane_type, a, 0.0, 0.0)[:, 3].T)
        last, reach = knuckle, stroke
    root_x, root_y = roots.outreach_m.ravel(), roots.hook_height_m.ravel()
    outreach = np.linspace(0.0, float(root_x.max()) + last.length_m + reach, outreach_points)
    lowest, highest = np.full(outreach.size, np.nan), np.full(outreach.size, np.nan)
    for index, x in enumerate(outreach):
        low, high = _sector_heights(
            x - root_x, last.length_m, last.length_m + reach, last.lowest_deg, last.highest_deg
        )
        if np.isfinite(high).any():
            lowest[index] = np.min(root_y + low)
            highest[index] = np.max(root_y + high)
    return Envelope(outreach, lowest, highest)


def _sector_heights(
    dx: Floats, inner: float, outer: float, lowest_deg: float, highest_deg: float
) -> tuple[Floats, Floats]:
    """Lowest and highest y at horizontal distance dx inside an annular sector about the origin; NaN outside.

    On a vertical line the extremes lie on an arc or on one of the two rays that bound the sector, so those
    six crossings are tried.
    """
    low, high = np.radians(lowest_deg), np.radians(highest_deg)
    slack = 1e-9
    candidates = []
    for radius in (inner, outer):
        with np.errstate(invalid="ignore"):
            height = np.sqrt(radius**2 - dx**2)
        for y in (height, -height):
            angle = np.arctan2(y, dx)
            candidates.append(np.where((angle >= low - slack) & (angle <= high + slack), y, np.nan))
    for limit in (low, high):
        with np.errstate(divide="ignore", invalid="ignore"):
            radius_at = dx / np.cos(limit)
        on_ray = (radius_at >= inner - slack) & (radius_at <= outer + slack)
        candidates.append(np.where(on_ray, dx * np.tan(limit), np.nan))
    stacked = np.stack(candidates)
    return (
        np.where(np.isnan(stacked), np.inf, stacked).min(axis=0),
        np.where(np.isnan(stacked), -np.inf, stacked).max(axis=0),
    )
