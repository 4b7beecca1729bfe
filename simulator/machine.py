"""An invented crane as a machine: geometry, drives, sensors; poses for a point, moments and limits on arrays.

A pose is a row of seven joint values in the order of `JOINTS`; the two of the jib are 0 on a machine without one, and so is the
rope of a machine without a winch.
"""

from functools import lru_cache
from pathlib import Path
from typing import Any, Final, NamedTuple, Self

import numpy as np
import yaml
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.crane import Boom, CraneType, Extension
from duty.geometry import angles_for, full_stroke_m, pose
from duty.statics import load_moment_kn_m, self_moment_kn_m, stability_limit_pct, utilisation_pct
from simulator.charts import charts_of

Floats = NDArray[np.float64]

TYPES_FOLDER: Final = Path(__file__).parent / "types"
JOINTS: Final = (
    "slew_deg",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
    "jib_deg",
    "jib_extension_m",
    "rope_m",  # from the tip down to the hook
)
ROPE: Final = JOINTS.index("rope_m")
_EXTENSION_TRIES: Final = 13


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Drive(_Part):
    """Largest joint speeds, and the time in which they are reached from rest."""

    slew_deg_s: float = Field(gt=0, le=90)
    main_boom_deg_s: float = Field(gt=0, le=45)
    knuckle_boom_deg_s: float = Field(gt=0, le=45)
    extension_m_s: float = Field(gt=0, le=5)
    jib_deg_s: float = Field(default=1.0, gt=0, le=45)
    jib_extension_m_s: float = Field(default=1.0, gt=0, le=5)
    rope_m_s: float = Field(default=1.0, gt=0, le=5, description="of the winch")
    ramp_s: float = Field(gt=0, le=10)

    def speeds(self) -> Floats:
        """Largest speeds in the order of `JOINTS` [deg/s, m/s]."""
        return np.array([getattr(self, f"{name}_s") for name in JOINTS])


class Sensors(_Part):
    """What the utilisation sensor adds: white noise (standard deviation) and the step of its last digit."""

    noise_pct: float = Field(ge=0, le=10)
    quantum_pct: float = Field(gt=0, le=5)


class Dynamics(_Part):
    """How booms and load swing: assumed, to give the dynamic factors and the swing that operators know."""

    frequency_hz: float = Field(gt=0.1, le=10, description="booms with load, as one oscillator")
    damping: float = Field(ge=0, lt=1, description="its damping over the critical one")
    sling_m: float = Field(gt=0.1, le=50, description="hook to the load's centre")
    swing_damping: float = Field(ge=0, lt=1)


class Winch(_Part):
    """A winch at the tip: rope between the tip and the hook at the top switch, and on a drum run out. Speed: `Drive`."""

    shortest_m: float = Field(gt=0, le=10)
    longest_m: float = Field(gt=0, le=100)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.shortest_m >= self.longest_m:
            raise ValueError("shortest_m must lie below longest_m")
        return self


class Machine(_Part):
    """One type file: what Boomledger may know of a crane type, and what only the simulator knows."""

    crane_type: CraneType
    hook_rating_kg: float = Field(gt=0)
    drive: Drive
    dynamics: Dynamics
    sensors: Sensors
    winch: Winch | None = None
    channels: tuple[str, ...]

    @field_validator("channels")
    @classmethod
    def _known(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        unknown = sorted(set(names) - set(CHANNEL_BY_NAME))
        if unknown:
            raise ValueError(f"unknown channels {unknown}; known are {sorted(CHANNEL_BY_NAME)}")
        return tuple(name for name in CHANNEL_NAMES if name in names)

    @model_validator(mode="after")
    def _winch_on_a_jib(self) -> Self:
        if self.winch is not None and self.crane_type.jib is None:
            raise ValueError("a winch pulls over the tip of a jib: give crane_type a jib, or leave winch out")
        return self

    @property
    def shortest_rope_m(self) -> float:
        """Rope between tip and hook with the hook drawn up [m]; 0 without a winch, where the hook is at the tip."""
        return 0.0 if self.winch is None else self.winch.shortest_m

    @property
    def has_jib(self) -> bool:
        """Whether a fly jib is fitted; then the load always hangs on it."""
        return self.crane_type.jib is not None

    def jib_arguments(self, joints: Floats) -> tuple[Floats | None, Floats | None]:
        """(jib_deg, jib_extension_m) as duty's functions want them: None without a jib."""
        return (joints[..., 4], joints[..., 5]) if self.has_jib else (None, None)


class Hook(NamedTuple):
    """Where the hook is, and the moment of the booms alone: arrays of the poses' leading shape."""

    outreach_m: Floats
    hook_height_m: Floats
    self_kn_m: Floats


@lru_cache(maxsize=64)
def load_machine(name: str) -> Machine:
    """The machine of simulator/types/{name}.yaml, its load charts computed from its own statics."""
    raw = yaml.safe_load((TYPES_FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))
    machine = Machine.model_validate(raw)
    charts = charts_of(machine.crane_type, machine.hook_rating_kg)
    return machine.model_copy(update={"crane_type": machine.crane_type.model_copy(update={"charts": charts})})


def with_boom_masses(machine: Machine, factor: float) -> Machine:
    """The same machine with booms and extensions `factor` times as heavy as its type says."""
    if factor == 1.0:
        return machine
    crane_type, jib = machine.crane_type, machine.crane_type.jib

    def heavier(part: Boom | Extension) -> Any:
        return part.model_copy(update={"mass_kg": part.mass_kg * factor})

    parts: dict[str, Any] = {
        "main_boom": heavier(crane_type.main_boom),
        "knuckle_boom": heavier(crane_type.knuckle_boom),
        "extensions": tuple(heavier(each) for each in crane_type.extensions),
    }
    if jib is not None:
        extensions = tuple(heavier(each) for each in jib.extensions)
        parts["jib"] = jib.model_copy(update={"boom": heavier(jib.boom), "extensions": extensions})
    return machine.model_copy(update={"crane_type": crane_type.model_copy(update=parts)})


def hook_of(machine: Machine, joints: Floats) -> Hook:
    """Hook position [m] and self moment [kN.m] of poses, shape (..., 7): the rope hangs straight down from the tip."""
    jib_deg, jib_extension_m = machine.jib_arguments(joints)
    arguments = (joints[..., 1], joints[..., 2], joints[..., 3], jib_deg, jib_extension_m)
    at = pose(machine.crane_type, *arguments)
    return Hook(
        at.outreach_m, at.hook_height_m - joints[..., ROPE], self_moment_kn_m(machine.crane_type, *arguments)
    )


def utilisation_of(machine: Machine, hook: Hook, mass_kg: ArrayLike, limit_pct: ArrayLike) -> Floats:
    """Static utilisation [%] of a hanging mass [kg] at poses, over what is allowed now."""
    load = load_moment_kn_m(machine.crane_type, mass_kg, hook.outreach_m)
    return utilisation_pct(machine.crane_type, hook.self_kn_m, load, limit_pct)


@lru_cache(maxsize=512)
def _limit_table(machine_name: str, left_pct: float, right_pct: float) -> tuple[Floats, Floats]:
    slew = np.arange(-360.0, 361.0)
    crane_type = load_machine(machine_name).crane_type
    return slew, stability_limit_pct(crane_type, slew, left_pct, right_pct)


def limit_of(machine: Machine, slew_deg: Floats, left_pct: float, right_pct: float) -> Floats:
    """Moment allowed now over the rating [%] for stabiliser spreads in percent, read from a table by whole degrees."""
    slew, limit = _limit_table(machine.crane_type.name, left_pct, right_pct)
    return np.interp(slew_deg, slew, limit)


def reach_m(machine: Machine) -> float:
    """Farthest outreach with every boom level and run out [m]."""
    crane_type = machine.crane_type
    outer = crane_type.knuckle_boom.length_m + full_stroke_m(crane_type.extensions)
    jib = crane_type.jib
    tip = 0.0 if jib is None else jib.boom.length_m + full_stroke_m(jib.extensions)
    return crane_type.pivot_offset_m + crane_type.main_boom.length_m + outer + tip


def folded(machine: Machine) -> Floats:
    """The parked pose: main boom steep, knuckle boom hanging, everything run in, over the load bed's front."""
    crane_type = machine.crane_type
    jib_deg = 0.0 if crane_type.jib is None else crane_type.jib.boom.lowest_deg
    return np.array(
        [
            0.0,
            crane_type.main_boom.highest_deg,
            crane_type.knuckle_boom.lowest_deg,
            0.0,
            jib_deg,
            0.0,
            machine.shortest_rope_m,
        ]
    )


def joints_for(
    machine: Machine,
    slew_deg: ArrayLike,
    outreach_m: ArrayLike,
    hook_height_m: ArrayLike,
    jib_deg: ArrayLike = 0.0,
    rope_m: ArrayLike | None = None,
) -> Floats:
    """Poses, shape (..., 7), that put the hook at points; NaN where a point is out of reach.

    The extension is the shortest of a few that reach the point with a little bend left in the knuckle. A jib is
    run out in proportion to the outreach and held at `jib_deg`. `rope_m` None: the hook drawn up.
    """
    rope = machine.shortest_rope_m if rope_m is None else rope_m
    slew, r, h, c, rope = np.broadcast_arrays(slew_deg, outreach_m, hook_height_m, jib_deg, rope)
    joints = np.zeros((*r.shape, len(JOINTS)))
    joints[..., 0], joints[..., ROPE] = slew, rope
    root_r, root_h = r.astype(float), h + rope
    jib = machine.crane_type.jib
    if jib is not None:
        share = np.clip(2.0 * r / reach_m(machine) - 0.8, 0.0, 1.0)
        out = share * full_stroke_m(jib.extensions)
        length = jib.boom.length_m + out
        root_r = root_r - length * np.cos(np.radians(c))
        root_h = root_h - length * np.sin(np.radians(c))
        joints[..., 4], joints[..., 5] = c, out
    stroke = full_stroke_m(machine.crane_type.extensions)
    tries = np.linspace(0.0, stroke, _EXTENSION_TRIES)
    main, knuckle = angles_for(machine.crane_type, root_r[..., None], root_h[..., None], tries)
    reached = np.isfinite(main)
    first = np.argmax(reached, axis=-1)
    following = np.minimum(first + 1, _EXTENSION_TRIES - 1)
    chosen = np.where(np.take_along_axis(reached, following[..., None], -1)[..., 0], following, first)[
        ..., None
    ]
    joints[..., 1] = np.take_along_axis(main, chosen, -1)[..., 0]
    joints[..., 2] = np.take_along_axis(knuckle, chosen, -1)[..., 0]
    joints[..., 3] = tries[chosen[..., 0]]
    return joints


# Assumed: rope beyond the shortest
_AT_PICK_M: Final = (2.0, 5.0)
_AT_PLACE_M: Final = (1.0, 4.0)


def ropes(rng: np.random.Generator, machine: Machine, count: int) -> tuple[Floats | None, Floats | None]:
    """Rope out at pick-up and at the place [m]; None without a winch. Drawn from a stream of their own."""
    if machine.winch is None:
        return None, None
    own = rng.spawn(1)[0]  # what else is drawn stays the same with and without a winch
    least, spare = machine.winch.shortest_m, machine.winch.longest_m - machine.winch.shortest_m
    at_pick, at_place = (
        least + np.minimum(own.uniform(low, high, count), spare) for low, high in (_AT_PICK_M, _AT_PLACE_M)
    )
    return at_pick, at_place


def poses_for(
    machine: Machine, slew: Floats, outreach: Floats, height_m: Floats, jib_deg: Floats, rope_m: Floats | None
) -> Floats:
    """Poses that put the hook at points with so much rope out, or with the hook drawn up where the tip gets no higher."""
    at_the_top = joints_for(machine, slew, outreach, height_m, jib_deg)
    if rope_m is None:
        return at_the_top
    wanted = joints_for(machine, slew, outreach, height_m, jib_deg, rope_m)
    return np.where(np.isfinite(wanted).all(axis=-1, keepdims=True), wanted, at_the_top)


def drawn_up(machine: Machine, poses: Floats, by_m: Floats | float, by_booms: Floats) -> Floats:
    """Poses with the hook higher: by the winch with the booms at rest where the rope allows, by the booms where not."""
    if machine.winch is None:
        return by_booms
    drawn = poses.copy()
    drawn[:, ROPE] -= by_m
    return np.where(drawn[:, ROPE, None] >= machine.winch.shortest_m, drawn, by_booms)
