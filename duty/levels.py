"""How long at which level, in which mode, where in the working area: sums of sample time, merged by addition.

Every sample stands for the step of its message, in whole milliseconds, so sums are exact in any order. Level bins are
1 % wide with whole-number edges, value in [k, k+1): the time at or above any whole percent is exact too. Time below 0
has a bin of its own. Levels and rings reach as far as the wire takes a reading.
"""

from dataclasses import dataclass, fields, replace
from typing import Final, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from domain.attention import WARNING_PCT
from domain.channels import CHANNEL_BY_NAME, Mode
from domain.crane import Quarter
from domain.errors import InvalidInput
from duty.kernels import compiled
from duty.packing import pack, unpack
from duty.statics import structural_pct

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

TOP_LEVEL_PCT: Final = int(
    CHANNEL_BY_NAME["utilisation_pct"].high
)  # the last bin holds everything from here up
LEVELS: Final = TOP_LEVEL_PCT + 2  # below 0, [0, 1), [1, 2), and so on
MODES: Final = len(Mode) + 1  # the last row is for a mode not known
SLEW_SECTORS: Final = 24  # of 15 deg, the first from 0 deg clockwise
OUTREACH_RINGS: Final = int(
    CHANNEL_BY_NAME["outreach_m"].high
)  # of 1 m; the first holds what is behind the axis
NEAR_LIMIT_PCT: Final = WARNING_PCT
QUARTERS: Final[tuple[Quarter, ...]] = get_args(Quarter)
_KIND: Final = b"tall"
_VERSION: Final = 2
_OLD_VERSION: Final = 1  # levels to 150 % with what is below 0 in the first, rings to 40 m


@dataclass(frozen=True, kw_only=True, eq=False)
class Tallies:
    """Sums of sample time [ms]. All-int64, so `merge` is associative, commutative and exact."""

    utilisation_ms: Ints  # shape (MODES, LEVELS), by mode and level of the present limit
    structural_ms: Ints  # shape (LEVELS,), by level of the full structural rating
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
        utilisation_ms=np.zeros((MODES, LEVELS), np.int64),
        structural_ms=np.zeros(LEVELS, np.int64),
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
    limits = np.full(utilisation.shape, np.nan) if limit_pct is None else np.asarray(limit_pct, np.float64)
    made = empty()
    cells = (made.utilisation_ms, made.structural_ms, made.area_ms, made.area_near_limit_ms)
    signals = np.array((utilisation, structural, limits, modes, slew, outreach)).reshape(6, -1)
    missing_ms, limit_assumed_ms = _add_up(step.ravel(), signals, float(NEAR_LIMIT_PCT), *cells)
    return replace(
        made,
        recorded_ms=int(step.sum()),
        missing_ms=missing_ms,
        limit_assumed_ms=limit_assumed_ms,
        samples=utilisation.size,
    )


def merge(a: Tallies, b: Tallies) -> Tallies:
    """Tallies of both records."""
    return Tallies(**{name: getattr(a, name) + getattr(b, name) for name in _NAMES})


def near_limit_ms(tallies: Tallies, at_least_pct: int = NEAR_LIMIT_PCT) -> int:
    """Time with utilisation of the present limit at or above a whole percent in 1..TOP_LEVEL_PCT [ms]."""
    if not 1 <= at_least_pct <= TOP_LEVEL_PCT:
        raise InvalidInput(f"at_least_pct must lie in 1..{TOP_LEVEL_PCT}", field="at_least_pct")
    return int(near_limit_by_mode_ms(tallies, at_least_pct).sum())


def near_limit_by_mode_ms(tallies: Tallies, at_least_pct: int = NEAR_LIMIT_PCT) -> Ints:
    """The same by mode, shape (MODES,); the last one is for a mode not known."""
    return np.asarray(tallies.utilisation_ms[:, at_least_pct + 1 :].sum(axis=1))


def below_zero_ms(tallies: Tallies) -> int:
    """Time with utilisation below 0 [ms]: a zero that is off, or a boom that pushes down."""
    return int(tallies.utilisation_ms[:, 0].sum())


@dataclass(frozen=True, kw_only=True)
class NearLimitPlace:
    """Where the near-limit time of a record gathers."""

    quarter: Quarter  # the one with the most of it
    share: float  # of all near-limit time with a known place, 0..1, spent there
    outreach_from_m: float  # the metre of outreach with the most of it in that quarter
    outreach_to_m: float


def quarter_of(slew_sector: int) -> Quarter:
    """The quarter around the carrier that a sector of the tallies lies in, as in `statics.sector_of`."""
    quarter: Quarter = QUARTERS[
        ((slew_sector + SLEW_SECTORS // 8) % SLEW_SECTORS) * len(QUARTERS) // SLEW_SECTORS
    ]
    return quarter


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
    """The tallies that `to_bytes` wrote, this version or the one before.

    Raises InvalidInput on a damaged or unknown form.
    """
    old = data[4:5] == bytes([_OLD_VERSION])
    flat = np.frombuffer(unpack(_KIND, _OLD_VERSION if old else _VERSION, data), "<i8").astype(np.int64)
    made = empty()
    found: dict[str, NDArray[np.int64] | int] = {}
    for name in _NAMES:
        kept = getattr(made, name)
        shape = _OLD_SHAPES.get(name, np.shape(kept)) if old else np.shape(kept)
        size = int(np.prod(shape))
        values = flat[:size].reshape(shape)
        if old and name in _OLD_SHAPES:
            first = 1 if name.startswith(("util", "struct")) else 0  # a bin below 0 came before
            kept[..., first : first + shape[-1]] = values
            values = kept
        found[name] = values if shape else int(flat[0])
        flat = flat[size:]
    return Tallies(**found)  # type: ignore[arg-type]


_NAMES: Final = tuple(field.name for field in fields(Tallies))
_OLD_SHAPES: Final = {
    "utilisation_ms": (MODES, 151),
    "structural_ms": (151,),
    "area_ms": (SLEW_SECTORS, 40),
    "area_near_limit_ms": (SLEW_SECTORS, 40),
}


@compiled
def _level(percent: float) -> int:
    return int(min(max(np.floor(percent), -1.0), float(TOP_LEVEL_PCT))) + 1


@compiled
def _add_up(
    steps: Ints,
    signals: Floats,
    near_limit_pct: float,
    utilisation_ms: Ints,
    structural_ms: Ints,
    area_ms: Ints,
    near_ms: Ints,
) -> tuple[int, int]:
    """Add every sample's step to its cells; returns the time without utilisation, and with it but without a limit.

    signals: utilisation, structural percent, limit, mode, slewing angle, outreach.
    """
    utilisation, structural, limit, modes, slew, outreach = signals
    missing = assumed = 0
    for i in range(steps.size):
        step, used = steps[i], utilisation[i]
        if used - used != 0.0:  # not finite
            missing += step
            continue
        assumed += step if np.isnan(limit[i]) else 0
        mode = modes[i]
        row = int(mode) if 0.0 <= mode < MODES - 1 and mode == np.floor(mode) else MODES - 1
        utilisation_ms[row, _level(used)] += step
        structural_ms[_level(structural[i])] += step
        if slew[i] - slew[i] == 0.0 and outreach[i] - outreach[i] == 0.0:
            turned = slew[i] - 360.0 * np.floor(slew[i] / 360.0)
            sector = int(np.floor(turned / (360.0 / SLEW_SECTORS))) % SLEW_SECTORS  # 360 exactly is sector 0
            ring = int(min(max(np.floor(outreach[i]), 0.0), OUTREACH_RINGS - 1.0))
            area_ms[sector, ring] += step
            if used >= near_limit_pct:
                near_ms[sector, ring] += step
    return missing, assumed
