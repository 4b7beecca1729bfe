"""How long at which level, in which mode, where in the working area: sums of sample time, merged by addition.

Every sample stands for the step of its message, in whole milliseconds, so sums are exact in any order. Level bins are
1 % wide with whole-number edges, value in [k, k+1): the time at or above any whole percent is exact too.
"""

from dataclasses import dataclass, fields
from typing import Final, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.channels import Mode
from domain.crane import Quarter
from domain.errors import InvalidInput
from duty.packing import pack, unpack
from duty.percent import structural_pct

Ints = NDArray[np.int64]

TOP_LEVEL_PCT: Final = 150  # the last bin holds everything from here up; the first everything below 1 %
MODES: Final = len(Mode) + 1  # the last row is for a mode not known
SLEW_SECTORS: Final = 24  # of 15 deg, the first from 0 deg clockwise
OUTREACH_RINGS: Final = 40  # of 1 m; the last holds everything farther out
NEAR_LIMIT_PCT: Final = 90  # first warning, common practice (no source)
QUARTERS: Final[tuple[Quarter, ...]] = get_args(Quarter)
_KIND: Final = b"tall"
_VERSION: Final = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Tallies:
    """Sums of sample time [ms]. All-int64, so `merge` is associative, commutative and exact."""

    utilisation_ms: Ints  # shape (MODES, TOP_LEVEL_PCT + 1), by mode and level of the present limit
    structural_ms: Ints  # shape (TOP_LEVEL_PCT + 1,), by level of the full structural rating
    area_ms: Ints  # shape (SLEW_SECTORS, OUTREACH_RINGS), where slewing angle and outreach are known
    area_near_limit_ms: Ints  # the same, with utilisation at or above NEAR_LIMIT_PCT
    recorded_ms: int = 0  # every sample, missing reading or not
    missing_ms: int = 0  # without a utilisation reading
    limit_assumed_ms: int = 0  # with utilisation, without limit_pct: 100 was assumed for structural percent
    samples: int = 0

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Tallies) and to_bytes(self) == to_bytes(other)

    __hash__ = None  # type: ignore[assignment]


def empty() -> Tallies:
    """No time at all: the neutral element of `merge`."""
    return Tallies(
        utilisation_ms=np.zeros((MODES, TOP_LEVEL_PCT + 1), np.int64),
        structural_ms=np.zeros(TOP_LEVEL_PCT + 1, np.int64),
        area_ms=np.zeros((SLEW_SECTORS, OUTREACH_RINGS), np.int64),
        area_near_limit_ms=np.zeros((SLEW_SECTORS, OUTREACH_RINGS), np.int64),
    )


def tally(
    step_ms: ArrayLike,
    utilisation_pct: ArrayLike,
    limit_pct: ArrayLike | None = None,
    *,
    mode: ArrayLike | None = None,
    slew_deg: ArrayLike | None = None,
    outreach_m: ArrayLike | None = None,
) -> Tallies:
    """Tallies of samples of shape (n,).

    Parameters
    ----------
    step_ms
        time each sample stands for [ms], whole, above 0; a scalar for all
    utilisation_pct, limit_pct
        the present percent and limit [%]; NaN for a missing reading
    mode
        value of `domain.channels.Mode`; NaN or None where not known
    slew_deg, outreach_m
        any winding, 0 over the cab, clockwise [deg]; slewing axis to hook [m]; NaN or None where not known

    Raises InvalidInput for a step that is not a whole number above 0, or shapes that do not fit.
    """
    utilisation = np.asarray(utilisation_pct, np.float64)
    step = np.asarray(step_ms)
    if step.dtype.kind not in "iu" or (step <= 0).any():
        raise InvalidInput("step_ms must be whole milliseconds above 0", field="step_ms")
    try:
        step = np.broadcast_to(step, utilisation.shape).astype(np.int64)
        structural = structural_pct(utilisation, limit_pct)
        modes, slew, outreach = (
            np.full(utilisation.shape, np.nan)
            if values is None
            else np.broadcast_to(np.asarray(values, np.float64), utilisation.shape)
            for values in (mode, slew_deg, outreach_m)
        )
    except ValueError as problem:
        raise InvalidInput(
            f"all readings must have the shape {utilisation.shape}", field="step_ms"
        ) from problem
    known = np.isfinite(utilisation)
    level = _level(utilisation[known])
    row = np.where(np.isin(modes[known], list(Mode)), modes[known], MODES - 1).astype(np.int64)
    levels = TOP_LEVEL_PCT + 1
    placed = known & np.isfinite(slew) & np.isfinite(outreach)
    near = placed & (utilisation >= NEAR_LIMIT_PCT)
    cell = _area_cell(slew, outreach)
    limit_missing = known if limit_pct is None else known & np.isnan(np.asarray(limit_pct, np.float64))
    return Tallies(
        utilisation_ms=_sums(row * levels + level, step[known], MODES * levels).reshape(MODES, levels),
        structural_ms=_sums(_level(structural[known]), step[known], levels),
        area_ms=_sums(cell[placed], step[placed], SLEW_SECTORS * OUTREACH_RINGS).reshape(SLEW_SECTORS, -1),
        area_near_limit_ms=_sums(cell[near], step[near], SLEW_SECTORS * OUTREACH_RINGS).reshape(
            SLEW_SECTORS, -1
        ),
        recorded_ms=int(step.sum()),
        missing_ms=int(step[~known].sum()),
        limit_assumed_ms=int(step[limit_missing].sum()),
        samples=utilisation.size,
    )


def merge(a: Tallies, b: Tallies) -> Tallies:
    """Tallies of both records."""
    return Tallies(**{name: getattr(a, name) + getattr(b, name) for name in _NAMES})


def near_limit_ms(tallies: Tallies, at_least_pct: int = NEAR_LIMIT_PCT) -> int:
    """Time with utilisation of the present limit at or above a whole percent in 1..TOP_LEVEL_PCT [ms]."""
    if not 1 <= at_least_pct <= TOP_LEVEL_PCT:
        raise InvalidInput(f"at_least_pct must lie in 1..{TOP_LEVEL_PCT}", field="at_least_pct")
    return int(tallies.utilisation_ms[:, at_least_pct:].sum())


@dataclass(frozen=True, kw_only=True)
class NearLimitPlace:
    """Where the near-limit time of a record gathers."""

    quarter: Quarter  # the one with the most of it
    share: float  # of all near-limit time with a known place, 0..1, spent there
    outreach_from_m: float  # the metre of outreach with the most of it in that quarter
    outreach_to_m: float


def near_limit_place(tallies: Tallies) -> NearLimitPlace | None:
    """The quarter around the carrier with most of the near-limit time, and the outreach there; None without any.

    Quarters of 90 deg are a convention of this project (common practice, no source), as in `statics.sector_of`.
    """
    whole = int(tallies.area_near_limit_ms.sum())
    if whole == 0:
        return None
    from_half_left = np.roll(tallies.area_near_limit_ms, SLEW_SECTORS // 8, axis=0)
    by_quarter = from_half_left.reshape(len(QUARTERS), -1, OUTREACH_RINGS).sum(axis=1)
    most = int(by_quarter.sum(axis=1).argmax())
    ring = int(by_quarter[most].argmax())
    return NearLimitPlace(
        quarter=QUARTERS[most],
        share=int(by_quarter[most].sum()) / whole,
        outreach_from_m=float(ring),
        outreach_to_m=ring + 1.0,
    )


def mode_ms(tallies: Tallies) -> dict[Mode | None, int]:
    """Time in each mode [ms] with a utilisation reading; None is for a mode not known."""
    sums = tallies.utilisation_ms.sum(axis=1)
    return {**{mode: int(sums[mode]) for mode in Mode}, None: int(sums[-1])}


def to_bytes(tallies: Tallies) -> bytes:
    """Compact, versioned and checksummed form."""
    values = [np.ravel(getattr(tallies, name)).astype("<i8") for name in _NAMES]
    return pack(_KIND, _VERSION, np.concatenate(values).tobytes())


def from_bytes(data: bytes) -> Tallies:
    """The tallies that `to_bytes` wrote. Raises InvalidInput on a damaged or unknown form."""
    flat = np.frombuffer(unpack(_KIND, _VERSION, data), "<i8").astype(np.int64)
    found: dict[str, NDArray[np.int64] | int] = {}
    for name in _NAMES:
        shape = np.shape(getattr(_SHAPES, name))
        size = int(np.prod(shape))
        found[name] = flat[:size].reshape(shape) if shape else int(flat[0])
        flat = flat[size:]
    return Tallies(**found)  # type: ignore[arg-type]


_NAMES: Final = tuple(field.name for field in fields(Tallies))
_SHAPES: Final = empty()


def _level(percent: NDArray[np.float64]) -> Ints:
    return np.floor(np.clip(percent, 0.0, TOP_LEVEL_PCT)).astype(np.int64)


def _area_cell(slew: NDArray[np.float64], outreach: NDArray[np.float64]) -> Ints:
    """Flat index of sector and ring; any value where a reading is missing."""
    # an angle just below 0 comes out of the remainder as 360 exactly
    sector = np.floor(np.nan_to_num(slew) % 360.0 / (360.0 / SLEW_SECTORS)).astype(np.int64) % SLEW_SECTORS
    ring = np.floor(np.clip(np.nan_to_num(outreach), 0.0, OUTREACH_RINGS - 1)).astype(np.int64)
    return np.asarray(sector * OUTREACH_RINGS + ring)


def _sums(index: Ints, step: Ints, size: int) -> Ints:
    # bincount sums weights in float64, exact here: a part stays far below 2**53 ms
    return np.bincount(index, weights=step, minlength=size).astype(np.int64)
