"""Under what circumstances a crane comes near its limit: reach and height, stabilisers, hour of the day.

Every count is integer milliseconds of samples, so parts of a history add up exactly, in any order. The near-limit
half answers "how does it come near the limit?"; set it against the all-time half, which says how it works at all.
Slewing sector, level and mode are in duty.levels.
"""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.channels import CHANNEL_BY_NAME
from domain.errors import InvalidInput
from duty.kernels import compiled
from duty.levels import NEAR_LIMIT_PCT
from duty.packing import pack, unpack

Ints = NDArray[np.int64]
Floats32 = NDArray[np.float32]

# Edges, 1 m apart, as far as the wire takes a reading; outreach behind the slewing axis counts in the first metre.
OUTREACH_M: Final = np.arange(0.0, CHANNEL_BY_NAME["outreach_m"].high + 1)
HEIGHT_M: Final = np.arange(CHANNEL_BY_NAME["hook_height_m"].low, CHANNEL_BY_NAME["hook_height_m"].high + 1)
LOWEST_M: Final = float(HEIGHT_M[0])
REACH_CELLS: Final = OUTREACH_M.size - 1
HEIGHT_CELLS: Final = HEIGHT_M.size - 1
CHANNELS: Final = ("outreach_m", "hook_height_m", "stabiliser_left_pct", "stabiliser_right_pct")
SPREADS: Final = ("none", "part", "full", "unknown")
SPREAD_NONE_PCT: Final = 5.0  # at or below it a stabiliser counts as run in; our choice, no source
SPREAD_FULL_PCT: Final = 95.0  # at or above it as fully spread; our choice, no source
_KIND: Final = b"circ"
_VERSION: Final = 2
_OLD_VERSION: Final = 1  # outreach 0 to 40 m by height -10 to 40 m


@dataclass(frozen=True, kw_only=True, eq=False)
class Circumstances:
    """Milliseconds by cell; the first axis is 0 for all time and 1 for time near the limit (at or above 90 %).

    Samples without a reading of the pose are in no cell of reach and height; outside the edges they count at the end.
    """

    reach_ms: Ints  # shape (2, REACH_CELLS, HEIGHT_CELLS), by outreach and hook height
    spread_ms: Ints  # shape (2, 4, 4), left by right, in the order of SPREADS
    hour_ms: Ints  # shape (2, 24), by hour of the local day

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Circumstances) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]


_SHAPES: Final = {
    "reach_ms": (2, REACH_CELLS, HEIGHT_CELLS),
    "spread_ms": (2, len(SPREADS), len(SPREADS)),
    "hour_ms": (2, 24),
}


def empty() -> Circumstances:
    """No time at all: adding it changes nothing."""
    return Circumstances(**{name: np.zeros(shape, np.int64) for name, shape in _SHAPES.items()})


def count(
    step_ms: ArrayLike,
    hour: ArrayLike,
    utilisation_pct: ArrayLike,
    *,
    outreach_m: ArrayLike | None = None,
    hook_height_m: ArrayLike | None = None,
    stabiliser_left_pct: ArrayLike | None = None,
    stabiliser_right_pct: ArrayLike | None = None,
) -> Circumstances:
    """Circumstances of samples in any order, all of shape (n,); None where the crane has no such reading.

    step_ms: time each sample stands for [ms]. hour: hour of the local day, 0 to 23. The others as the channels of
    the same name, NaN for a missing reading. Samples without utilisation are left out.
    Raises InvalidInput for shapes that do not fit.
    """
    steps, hours = np.asarray(step_ms, np.int64), np.asarray(hour, np.int64)
    nothing = np.full(steps.size, np.nan, np.float32)
    utilisation, outreach, height, left, right = (
        nothing if values is None else np.asarray(values, np.float32)
        for values in (utilisation_pct, outreach_m, hook_height_m, stabiliser_left_pct, stabiliser_right_pct)
    )
    shapes = {values.shape for values in (steps, hours, utilisation, outreach, height, left, right)}
    if len(shapes) > 1 or steps.ndim != 1:
        raise InvalidInput(
            f"every reading must have the shape (n,) of step_ms, found {shapes}", field="step_ms"
        )
    made = empty()
    cells = (made.reach_ms, made.spread_ms, made.hour_ms)
    _add_up(steps, hours, utilisation, outreach, height, left, right, float(NEAR_LIMIT_PCT), *cells)
    return made


TELLING_SHARE: Final = 0.1  # of near-limit time, from which a class is worth a word; our choice, no source
TELLING_WEIGHT: Final = 1.5  # and how much more than its part of all time; our choice, no source


def telling(share: float, weight: float) -> bool:
    """Whether a class of circumstances is worth a word: its share of the near-limit time [0..1], and that over its part of all time."""
    return share >= TELLING_SHARE and weight >= TELLING_WEIGHT


def merge_all(parts: Iterable[Circumstances]) -> Circumstances:
    """Sum of parts in any order; empty() for none."""
    total = empty()
    for part in parts:
        for field in fields(part):
            sums: Ints = getattr(total, field.name)
            sums += getattr(part, field.name)
    return total


def to_bytes(found: Circumstances) -> bytes:
    """Compact, versioned and checksummed form: the cells that are not 0. Equal bytes mean equal circumstances."""
    flat = np.concatenate([getattr(found, name).ravel() for name in _SHAPES])
    cells = np.flatnonzero(flat)
    return pack(_KIND, _VERSION, cells.astype("<u2").tobytes() + flat[cells].astype("<i8").tobytes())


def from_bytes(data: bytes) -> Circumstances:
    """The circumstances that to_bytes wrote, this version or the one before.

    Raises InvalidInput on a damaged or unknown form.
    """
    old = data[4:5] == bytes([_OLD_VERSION])
    shapes = _SHAPES | {"reach_ms": (2, 40, 50)} if old else _SHAPES
    body = unpack(_KIND, _OLD_VERSION if old else _VERSION, data)
    used = len(body) // 10
    flat = np.zeros(sum(int(np.prod(shape)) for shape in shapes.values()), np.int64)
    flat[np.frombuffer(body, "<u2", used)] = np.frombuffer(body, "<i8", used, 2 * used)
    made, at = {}, 0
    for name, shape in shapes.items():
        size = int(np.prod(shape))
        made[name] = flat[at : at + size].reshape(shape)
        at += size
    if old:
        reach = np.zeros(_SHAPES["reach_ms"], np.int64)
        reach[:, :40, int(-10 - LOWEST_M) : int(40 - LOWEST_M)] = made["reach_ms"]
        made["reach_ms"] = reach
    return Circumstances(**made)


@compiled
def _cell(value: float, low: float, cells: int) -> int:
    return int(min(max(np.floor(value - low), 0.0), cells - 1.0))


@compiled
def _spread(value: float) -> int:
    if np.isnan(value):
        return 3
    return 0 if value <= SPREAD_NONE_PCT else 2 if value >= SPREAD_FULL_PCT else 1


@compiled
def _add_up(
    steps: Ints,
    hours: Ints,
    utilisation: Floats32,
    outreach: Floats32,
    height: Floats32,
    left: Floats32,
    right: Floats32,
    near_limit_pct: float,
    reach_ms: Ints,
    spread_ms: Ints,
    hour_ms: Ints,
) -> None:
    for i in range(steps.size):
        if np.isnan(utilisation[i]):
            continue
        placed = not (np.isnan(outreach[i]) or np.isnan(height[i]))
        reach = _cell(outreach[i], 0.0, REACH_CELLS) if placed else 0
        high = _cell(height[i], LOWEST_M, HEIGHT_CELLS) if placed else 0
        a, b = _spread(left[i]), _spread(right[i])
        for near in range(2 if utilisation[i] >= near_limit_pct else 1):
            if placed:
                reach_ms[near, reach, high] += steps[i]
            spread_ms[near, a, b] += steps[i]
            hour_ms[near, hours[i]] += steps[i]
