"""Crane work made from a plan, for measuring what is found in it. Not the simulator's code and not the lift finder's.

A plan is a list of key poses with the mass on the hook at each; what a lift is, weighs and lasts is written down while the
plan is made. Only statics and kinematics come from `duty`. Cranes, masses, times and habits are invented.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from domain.crane import Boom, CraneType, Extension, Jib, Vehicle
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import full_stroke_m, pose
from duty.statics import load_moment_kn_m, self_moment_kn_m

Floats = NDArray[np.float64]

SLEW, MAIN, KNUCKLE, EXTENSION, JIB, JIB_EXTENSION = range(6)
JOINTS: Final = ("slew_deg", "main_boom_deg", "knuckle_boom_deg", "extension_m", "jib_deg", "jib_extension_m")
HZ: Final = 10
HOURS: Final = 6.0
_LEAST_LOAD_KG: Final = 100.0
_LEAST_SHARE, _MOST_SHARE = 0.15, 0.93  # of the capacity on the way, that a load uses
_SPEED: Final = np.array([14.0, 5.0, 7.0, 0.55, 8.0, 0.6])  # deg/s and m/s
_PATH: Final = np.linspace(0.0, 1.0, 12)


@dataclass(frozen=True)
class Rig:
    """One invented crane: its type, what its hook may carry, and what its box sends."""

    type: CraneType
    hook_kg: float
    bounce_hz: float  # of the booms under load
    grab_kg: float  # largest bite of a grab of its size: 0.2 to 0.5 m3 of gravel at 1.6 t/m3
    sends_mode: bool = True
    narrow_side_pct: float = 100.0  # moment allowed on the right, where a stabiliser is only part out


@dataclass(frozen=True)
class Work:
    """What is done in six hours."""

    attachment: tuple[tuple[float, float], ...] = ()  # (hour, mass [kg]) from then on, 0 for the bare hook
    loads: str = "mixed"  # or "bites" of a grab, or "light" loads close in


@dataclass(frozen=True)
class TrueLift:
    """A lift as planned. Times in seconds from the start of the record."""

    start_s: float
    end_s: float
    mass_kg: float


@dataclass
class Plan:
    """Key poses in time order, and what they mean."""

    at_s: list[float] = field(default_factory=list)
    joints: list[Floats] = field(default_factory=list)
    hook_kg: list[float] = field(default_factory=list)
    moves: list[tuple[float, float]] = field(default_factory=list)
    rests: list[tuple[float, float]] = field(default_factory=list)  # folded on the support, driving
    lifts: list[TrueLift] = field(default_factory=list)


def rigs() -> dict[str, Rig]:
    """Four invented cranes: without extensions, with three, with six, and with a fly jib."""
    return {
        "small": Rig(
            _type("small", (2.3, 330), (2.6, 210), [], 118), 4000, 1.1, grab_kg=300, sends_mode=False
        ),
        "middle": Rig(
            _type("middle", (2.9, 540), (2.7, 330), [(1.9, 120), (1.9, 95), (1.9, 75)], 225),
            6000,
            0.95,
            grab_kg=480,
            narrow_side_pct=72.0,
        ),
        "large": Rig(
            _type("large", (3.7, 900), (3.5, 560), [(2.0, m) for m in (240, 200, 165, 135, 110, 90)], 440),
            8000,
            0.75,
            grab_kg=800,
        ),
        "jib": Rig(
            _type(
                "jib",
                (4.0, 1150),
                (3.7, 740),
                [(2.1, m) for m in (300, 250, 210, 175, 140)],
                620,
                Jib(
                    boom=Boom(length_m=3.0, mass_kg=360, lowest_deg=-80, highest_deg=75),
                    extensions=tuple(Extension(stroke_m=1.5, mass_kg=m) for m in (95, 75, 60)),
                    rated_capacity_kg=3000,
                ),
            ),
            9000,
            0.65,
            grab_kg=800,
        ),
    }


def _type(
    name: str,
    main: tuple[float, float],
    knuckle: tuple[float, float],
    extensions: list[tuple[float, float]],
    rated: float,
    jib: Jib | None = None,
) -> CraneType:
    return CraneType(
        name=f"field-{name}",
        title=f"Field {name} (invented)",
        invented=True,
        pivot_offset_m=0.25,
        pivot_height_m=2.4,
        main_boom=Boom(length_m=main[0], mass_kg=main[1], lowest_deg=-15, highest_deg=80),
        knuckle_boom=Boom(length_m=knuckle[0], mass_kg=knuckle[1], lowest_deg=-85, highest_deg=70),
        extensions=tuple(Extension(stroke_m=stroke, mass_kg=mass) for stroke, mass in extensions),
        jib=jib,
        rated_moment_kn_m=rated,
        vehicle=Vehicle(
            mass_kg=24000,
            centre_of_mass_x_m=-1.8,
            stabiliser_spread_full_m=3.2,
            stabiliser_spread_none_m=1.2,
            rear_support_x_m=-5.0,
            front_support_x_m=1.4,
            pad_area_m2=0.13,
        ),
    )


def on_type(crane_type: CraneType, joints: Floats) -> tuple[Floats, ...]:
    """Joint columns (samples, 6) as the arguments that geometry and statics take after the type."""
    last = JIB_EXTENSION if crane_type.jib else EXTENSION
    return tuple(joints[..., i] for i in range(MAIN, last + 1))


def allowed_pct(rig: Rig, slew_deg: Floats) -> Floats:
    """Moment allowed over rated [%] at slewing angles: lower on the right where the stabiliser there is part out."""
    inside = np.minimum(slew_deg - 30.0, 150.0 - slew_deg)
    return 100.0 - (100.0 - rig.narrow_side_pct) * np.clip(inside / 8.0, 0.0, 1.0)


def planned(rng: np.random.Generator, rig: Rig, work: Work) -> Plan:
    """Six hours of work: folded, two working places with a drive between them, folded."""
    operator = _Operator(rng, rig, work)
    operator.rest(rng.uniform(60, 400))
    for until_s in (HOURS * 3600 * rng.uniform(0.45, 0.55), HOURS * 3600 - 500):
        operator.new_place()
        while operator.now < until_s:
            operator.change_attachment()
            operator.lift()
            operator.between()
        operator.rest(rng.uniform(700, 1300))
    return operator.plan


class _Operator:
    """Makes a plan move by move."""

    def __init__(self, rng: np.random.Generator, rig: Rig, work: Work) -> None:
        self.rng, self.rig, self.work = rng, rig, work
        self.plan, self.now, self.jib_used = Plan(), 0.0, False
        self.changes = list(work.attachment)
        # an attachment from hour 0 was on before the record began
        self.tool_kg = self.changes.pop(0)[1] if self.changes and self.changes[0][0] == 0.0 else 0.0
        main, knuckle = rig.type.main_boom, rig.type.knuckle_boom
        jib = rig.type.jib.boom.lowest_deg if rig.type.jib else 0.0
        self.folded = np.array([0.0, main.highest_deg, knuckle.lowest_deg, 0.0, jib, 0.0])
        self.at, self.hook = self.folded, self.tool_kg
        self._key()

    def _key(self) -> None:
        self.plan.at_s.append(self.now)
        self.plan.joints.append(self.at)
        self.plan.hook_kg.append(self.hook)

    def hold(self, seconds: float, hook: float | None = None) -> None:
        """Stands still while the mass on the hook changes, or not."""
        self.now += seconds
        self.hook = self.hook if hook is None else hook
        self._key()

    def go(self, joints: Floats, slower: float = 1.0) -> None:
        """Moves all joints together; the slowest sets the time."""
        start = self.now
        self.now += 1.5 + slower * float(np.max(np.abs(joints - self.at) / _SPEED))
        self.at = joints
        self._key()
        self.plan.moves.append((start, self.now))

    def rest(self, seconds: float) -> None:
        """Folds the crane onto its support and stays there: transport."""
        self.go(self.folded)
        start = self.now
        self.hold(seconds)
        self.plan.rests.append((start + 2, self.now - 2))

    def new_place(self) -> None:
        """A new working place: whether the jib is used there."""
        self.jib_used = self.rig.type.jib is not None and (self.jib_used or self.rng.random() < 0.5)

    def pose(self, *, near: bool) -> Floats:
        """A pose whose hook is where work is done: near the truck, or anywhere."""
        rng, crane_type = self.rng, self.rig.type
        count = 400
        share = rng.uniform(0, 0.2 if near else 1.0, count)
        joints = np.zeros((count, 6))
        joints[:, SLEW] = rng.normal(170 if near else 100, 15 if near else 40, count)
        joints[:, MAIN] = rng.uniform(40 if near else 5, 75, count)
        joints[:, KNUCKLE] = rng.uniform(-80, -20 if near else 25, count)
        joints[:, EXTENSION] = share * full_stroke_m(crane_type.extensions)
        joints[:, JIB] = self.folded[JIB]
        if self.jib_used and crane_type.jib is not None:
            joints[:, JIB] = rng.uniform(-70 if near else -40, -20 if near else 30, count)
            joints[:, JIB_EXTENSION] = share * full_stroke_m(crane_type.jib.extensions)
        hook = pose(crane_type, *on_type(crane_type, joints))
        fits = (hook.outreach_m > 2.0) & (hook.hook_height_m > -0.5) & (hook.hook_height_m < 14.0)
        if near:
            fits &= hook.outreach_m < 0.35 * (4.0 + float(np.max(hook.outreach_m)))
        return np.asarray(joints[np.argmax(fits)] if fits.any() else joints[0])

    def above(self, joints: Floats) -> Floats:
        """The same pose with the main boom a little higher."""
        raised = joints.copy()
        raised[MAIN] = min(joints[MAIN] + self.rng.uniform(3, 8), self.rig.type.main_boom.highest_deg)
        return raised

    def capacity_kg(self, corners: list[Floats]) -> float:
        """The largest mass that the rating and the limit there allow everywhere along the way."""
        path = np.concatenate(
            [a + (b - a) * _PATH[:, None] for a, b in zip(corners, corners[1:], strict=False)]
        )
        crane_type = self.rig.type
        allowed = crane_type.rated_moment_kn_m * allowed_pct(self.rig, path[:, SLEW]) / 100
        spare = allowed - self_moment_kn_m(crane_type, *on_type(crane_type, path))
        arm = pose(crane_type, *on_type(crane_type, path)).outreach_m - crane_type.pivot_offset_m
        return float(np.min(1000 * spare / (STANDARD_GRAVITY_M_S2 * np.maximum(arm, 0.3))))

    def load_kg(self, capacity: float) -> float:
        """The load of the next lift; 0 where none fits. Mixed loads use 15 to 93 % of the capacity on their way."""
        rng, crane_type = self.rng, self.rig.type
        hook = crane_type.jib.rated_capacity_kg if self.jib_used and crane_type.jib else self.rig.hook_kg
        most, least = min(capacity, hook) * _MOST_SHARE - self.tool_kg, _LEAST_LOAD_KG
        if self.work.loads == "bites":
            mass = self.rig.grab_kg * rng.uniform(0.5, 1.0)
        elif self.work.loads == "light":
            mass = rng.uniform(200, 600)
        else:
            least = max(_LEAST_SHARE * capacity, _LEAST_LOAD_KG)
            mass = least + (most - least) * rng.beta(1.5, 1.7)
        return float(mass) if least <= mass <= most else 0.0

    def lift(self) -> None:
        """One lift: hook on, raise, carry, lower, release."""
        rng, mass = self.rng, 0.0
        while mass == 0.0:
            near_only = self.work.loads == "light" or rng.random() < 0.2
            places = [self.pose(near=True), self.pose(near=near_only)]
            up, down = places if rng.random() < 0.6 else places[::-1]
            over_up, over_down = self.above(up), self.above(down)
            mass = self.load_kg(self.capacity_kg([up, over_up, over_down, down]))
        quick = 0.4 if self.work.loads == "bites" else 1.0
        self.go(over_up)
        self.go(up)
        self.hold(quick * rng.uniform(9, 32))
        start = self.now
        self.hold(rng.uniform(1.5, 4), self.tool_kg + mass)
        self.hold(rng.uniform(1, 4))
        self.go(over_up)
        self.go(over_down, slower=rng.uniform(1.0, 1.7))
        if rng.random() < 0.05:
            self.hold(rng.uniform(120, 500))  # bolted on while it hangs
        self.go(down, slower=2.0)
        self.hold(quick * rng.uniform(3, 15))
        self.hold(rng.uniform(1, 3), self.tool_kg)
        self.plan.lifts.append(TrueLift(start, self.now, mass))
        self.hold(quick * rng.uniform(8, 20))
        self.go(over_down)

    def between(self) -> None:
        """After a lift: mostly a pause, sometimes reaching out with nothing on the hook."""
        if self.rng.random() < 0.25:
            self.go(self.pose(near=False))
            self.hold(self.rng.uniform(5, 30))
        self.hold(self.rng.exponential(42.0))

    def change_attachment(self) -> None:
        """Takes the old attachment off and puts the next one on, when its hour has come."""
        if not self.changes or self.now < self.changes[0][0] * 3600:
            return
        _, mass = self.changes.pop(0)
        self.go(self.pose(near=True))
        if self.tool_kg:
            self.hold(self.rng.uniform(1.5, 3), 0.0)
        self.hold(self.rng.uniform(40, 90))
        self.tool_kg = mass
        self.hold(self.rng.uniform(1.5, 3), mass)
        self.hold(self.rng.uniform(15, 40))


@dataclass(frozen=True)
class Truth:
    """What really happened, ten times a second. Moments in percent of the full structural rating."""

    at_s: Floats
    joints: Floats
    limit_pct: Floats
    structural_pct: Floats
    resting: NDArray[np.bool_]
    lifts: tuple[TrueLift, ...]


def truth(
    rng: np.random.Generator, rig: Rig, work: Work, *, heavier: float = 1.0, swing: float = 0.0
) -> Truth:
    """Six hours of one crane. heavier: true boom masses over those of its type. swing: share of the hook's mass."""
    plan = planned(rng, rig, work)
    key_s, key_joints = np.array(plan.at_s), np.array(plan.joints)
    at = np.arange(0.0, key_s[-1], 1.0 / HZ)
    last = np.clip(np.searchsorted(key_s, at, side="right") - 1, 0, key_s.size - 2)
    share = (at - key_s[last]) / (key_s[last + 1] - key_s[last])
    eased = (1 - np.cos(np.pi * share)) / 2
    joints = key_joints[last] + (key_joints[last + 1] - key_joints[last]) * eased[:, None]
    hook = np.array(plan.hook_kg)
    hook_kg = hook[last] + (hook[last + 1] - hook[last]) * eased
    hook_kg *= 1 + swing * np.sin(2 * np.pi * at / rng.uniform(3.0, 4.5))
    crane_type, angles = rig.type, on_type(rig.type, joints)
    moment = heavier * self_moment_kn_m(crane_type, *angles)
    moment = moment + load_moment_kn_m(crane_type, hook_kg, pose(crane_type, *angles).outreach_m)
    structural = 100 * moment / crane_type.rated_moment_kn_m * (1 + _bounce(rng, rig, plan, at))
    resting = np.zeros(at.size, bool)
    for start, end in plan.rests:
        resting |= (at >= start) & (at < end)
    # on its support the boom carries itself, and the road shakes it
    shaken = -2.0 + np.convolve(rng.normal(0, 3.0, at.size), np.full(8, 0.125), "same")
    return Truth(
        at,
        joints,
        allowed_pct(rig, joints[:, SLEW]),
        np.where(resting, shaken, structural),
        resting,
        tuple(plan.lifts),
    )


def _bounce(rng: np.random.Generator, rig: Rig, plan: Plan, at: Floats) -> Floats:
    """Share by which the moment swings after every start and stop of a move."""
    bounce = np.zeros(at.size)
    for when in np.array(plan.moves).ravel():
        first = int(np.ceil(when * HZ))
        t = at[first : first + 15 * HZ] - when
        turning = 2 * np.pi * rig.bounce_hz
        kick = rng.uniform(0.01, 0.03) * rng.choice((-1.0, 1.0))
        bounce[first : first + 15 * HZ] += kick * np.exp(-0.1 * turning * t) * np.sin(turning * t)
    return bounce


def channels(rng: np.random.Generator, rig: Rig, true: Truth, utilisation_pct: Floats) -> dict[str, Floats]:
    """The channels that the box sends; joint sensors are off by a tenth of a degree or a centimetre."""
    sent = {"utilisation_pct": utilisation_pct, "limit_pct": true.limit_pct}
    for i in range(JIB_EXTENSION + 1 if rig.type.jib else JIB):
        noise, digits = (0.01, 2) if JOINTS[i].endswith("_m") else (0.1, 1)
        sent[JOINTS[i]] = np.round(true.joints[:, i] + rng.normal(0.0, noise, true.at_s.size), digits)
    if rig.sends_mode:
        sent["mode"] = np.where(true.resting, float(Mode.TRANSPORT), float(Mode.REMOTE))
    return sent
