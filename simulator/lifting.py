"""The lifts of a day: what hangs on the hook, where it goes, and what the limiter makes of it.

A lift is a list of moves, each a pose to reach, a time to take and the mass of the load afterwards; what is fitted to the
hook for good (an attachment) is told apart from it, and both together are what the limiter sees. The operator plans most lifts inside what he finds comfortable and some beyond what is allowed; the limiter stops those on
their way, and the operator either brings the load back or overrides for a moment at a time.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.units import STANDARD_GRAVITY_M_S2
from simulator.machine import (
    Floats,
    Machine,
    drawn_up,
    hook_of,
    joints_for,
    limit_of,
    poses_for,
    reach_m,
    ropes,
    utilisation_of,
)
from simulator.scenario import Load, Scenario
from simulator.yard import Habit

LIMIT_PCT: Final = 100.0
OVERRIDE_S: Final = 1.5  # common practice, no source

# Assumed
HARDEST_OVERLOAD_PCT: Final = 112.0  # where an operator's nerve ends
_PICK_UP_PCT: Final = 85.0  # utilisation that the largest one reaches then
_SET_DOWN_PCT: Final = 95.0  # to which a load that was stopped is brought back
_BOLD_MASS: Final = 1.6  # how much heavier than usual a load is that is tried beyond the limit
_OVERRIDE_SPEED: Final = 0.35  # of full speed
_RAMP_S: Final = 1.5  # until the slings are tight, or slack

_GRID: Final = 28  # outreaches tried for a place
_PATH_STEPS: Final = 14  # poses tried along a move
_MOVES: Final = 10
_ATTACH, _LOAD_ON, _LOAD_OFF = 1, 2, 7
_LOADED_MOVES: Final = slice(3, 7)


class Mark(IntEnum):
    """What a move is, for the events and the truth."""

    PLAIN = 0
    LOAD_ON = 1
    LOAD_OFF = 2
    STOPPED = 3
    OVERRIDE = 4


class _Move(NamedTuple):
    """One of `Moves`."""

    joints: Floats
    duration_s: float
    mass_kg: float
    mark: Mark = Mark.PLAIN


@dataclass(frozen=True)
class Moves:
    """Moves in their order. `duration_s` NaN: as fast as the drives allow."""

    joints: Floats  # (moves, 7) pose at the end of the move
    duration_s: Floats
    mass_kg: Floats  # of the load at the end of the move, without the attachment
    mark: np.ndarray  # Mark of each move
    attachment_kg: Floats  # on the hook at the end of the move

    @classmethod
    def joined(cls, parts: "list[Moves]") -> "Moves":
        """One list of moves out of several."""
        return cls(
            np.concatenate([part.joints for part in parts]),
            np.concatenate([part.duration_s for part in parts]),
            np.concatenate([part.mass_kg for part in parts]),
            np.concatenate([part.mark for part in parts]),
            np.concatenate([part.attachment_kg for part in parts]),
        )


@dataclass(frozen=True)
class Stop:
    """One working place of a day: which side, and how far the stabilisers are out [%]."""

    right: bool
    left_pct: float
    right_pct: float


@dataclass(frozen=True)
class _Lifts:
    """Which stop each of a day's lifts belongs to: all of them are planned in one pass."""

    stops: Sequence[Stop]
    stop_of: NDArray[np.intp]  # (lifts,) index into stops
    attachment_kg: Floats  # (lifts,)

    def of(self, usable: NDArray[np.bool_]) -> "_Lifts":
        """Only some of the lifts."""
        return _Lifts(self.stops, self.stop_of[usable], self.attachment_kg[usable])

    def limit_pct(self, machine: Machine, slew_deg: Floats) -> Floats:
        """Moment allowed now over the rating [%] at slewing angles (lifts, ...)."""
        limit = np.empty_like(slew_deg)
        for number, stop in enumerate(self.stops):
            rows = self.stop_of == number
            limit[rows] = limit_of(machine, slew_deg[rows], stop.left_pct, stop.right_pct)
        return limit

    def allowed_kn_m(self, machine: Machine, slew_deg: Floats) -> Floats:
        """Moment allowed now [kN.m] at slewing angles (lifts, ...)."""
        return machine.crane_type.rated_moment_kn_m * self.limit_pct(machine, slew_deg) / 100


def lifts_at(
    rng: np.random.Generator,
    machine: Machine,
    scenario: Scenario,
    habit: Habit,
    stops: Sequence[Stop],
    attachments_kg: Sequence[Floats],
) -> list[list[Moves]]:
    """Moves of the lifts at each stop, one list a lift; fewer where a drawn place cannot be reached.

    attachments_kg: for each stop what is on the hook at each lift. It is changed while the next load is rigged.
    """
    counts = [len(each) for each in attachments_kg]
    lifts = _Lifts(stops, np.repeat(np.arange(len(stops)), counts), np.concatenate(attachments_kg))
    joints, mass = _wanted_lifts(rng, machine, scenario, habit, lifts)
    usable = np.isfinite(joints).all(axis=(1, 2)) & (mass > 0)
    joints, mass, lifts = joints[usable], mass[usable], lifts.of(usable)
    duration = np.full((len(mass), _MOVES), np.nan)
    duration[:, _ATTACH] = rng.uniform(*scenario.rigging_s, len(mass)) * habit.pace
    duration[:, _LOAD_ON] = duration[:, _LOAD_OFF] = _RAMP_S
    duration[:, _LOAD_OFF + 1] = rng.uniform(*scenario.release_s, len(mass)) * habit.pace
    carried = np.zeros((len(mass), _MOVES))
    carried[:, _LOAD_ON:_LOAD_OFF] = mass[:, None]
    mark = np.full(_MOVES, Mark.PLAIN)
    mark[_LOAD_ON], mark[_LOAD_OFF] = Mark.LOAD_ON, Mark.LOAD_OFF
    found: list[list[Moves]] = [[] for _ in stops]
    for i, at in enumerate(_first_over_limit(machine, joints, mass, lifts)):
        attachment = float(lifts.attachment_kg[i])
        moves = Moves(joints[i], duration[i], carried[i], mark, np.full(_MOVES, attachment))
        number = int(lifts.stop_of[i])
        if not np.isnan(at):
            moves = _limited(rng, machine, habit, stops[number], moves, float(at))
        if found[number]:
            moves.attachment_kg[:_ATTACH] = found[number][-1].attachment_kg[-1]
        load = np.where(moves.mass_kg > 0, moves.mass_kg - attachment, 0.0)
        found[number].append(replace(moves, mass_kg=load))
    return found


def _wanted_lifts(
    rng: np.random.Generator, machine: Machine, scenario: Scenario, habit: Habit, lifts: _Lifts
) -> tuple[Floats, Floats]:
    """Poses (lifts, moves, 7) and masses [kg], attachment included, as the operator intends them; 0 where none fits."""
    count = len(lifts.stop_of)
    side = np.array([1.0 if stop.right else -1.0 for stop in lifts.stops])[lifts.stop_of]
    reach = reach_m(machine)
    jib = machine.has_jib
    pick_r = np.clip(rng.uniform(*scenario.pick.outreach_m, count), 0.25 * reach if jib else 0.0, 0.6 * reach)
    pick_h = rng.uniform(*scenario.pick.height_m, count)
    pick_slew = side * rng.uniform(160, 190, count)
    place_h = rng.uniform(*scenario.place.height_m, count)
    place_slew = side * rng.uniform(*scenario.side_deg, count)
    jib_pick = rng.uniform(-35, 0, count) if jib else np.zeros(count)
    jib_place = rng.uniform(-10, 35, count) if jib else np.zeros(count)
    low, high = scenario.place.reach_share
    share = high - (high - low) * rng.random(count) * (1 - habit.far)

    pick_rope, place_rope = ropes(rng, machine, count)
    pick = poses_for(machine, pick_slew, pick_r, pick_h, jib_pick, pick_rope)
    least, most = _mass_bounds(machine, pick, lifts, habit.least_load_pct)
    least = lifts.attachment_kg + least
    mass = np.clip(lifts.attachment_kg + _masses(rng, scenario.loads, count), least, most)
    bold = rng.random(count) < habit.bold_share
    comfort = np.minimum(habit.comfort_pct + rng.normal(0, 5, count), LIMIT_PCT - 1)
    target = np.where(bold, LIMIT_PCT + rng.uniform(2, 9, count), comfort)
    spots = _Spots.at(machine, place_slew, place_h, jib_place, place_rope, lifts)
    mass = np.where(
        bold,
        np.clip(
            spots.mass_for(target, share * reach),
            np.where(lifts.attachment_kg > 0, least, 0.5 * mass),
            np.minimum(_BOLD_MASS * mass, most),
        ),
        mass,
    )
    place = spots.chosen(mass, target, share * reach, bold)
    over = joints_for(machine, place_slew, hook_of(machine, place).outreach_m, place_h + 1.0, jib_place)
    over = drawn_up(machine, place, 1.0, np.where(np.isfinite(over), over, place))

    hoisted_m = rng.uniform(1.0, 2.5, count)
    raised = joints_for(machine, pick_slew, pick_r, pick_h + hoisted_m, jib_pick)
    raised = drawn_up(machine, pick, hoisted_m, np.where(np.isfinite(raised), raised, pick))
    swung = raised.copy()
    swung[:, 0] = place_slew
    order = [pick, pick, pick, raised, swung, over, place, place, place, over]
    return np.stack(order, axis=1), np.where(most > least, mass, 0.0)


def _masses(rng: np.random.Generator, loads: tuple[Load, ...], count: int) -> Floats:
    """Masses [kg] drawn from the kinds of load."""
    shares = np.array([load.share for load in loads])
    kind = rng.choice(len(loads), size=count, p=shares / shares.sum())
    low = np.array([load.low_kg for load in loads])[kind]
    high = np.array([load.high_kg for load in loads])[kind]
    return np.asarray(low + (high - low) * rng.random(count))


def _mass_bounds(machine: Machine, pick: Floats, lifts: _Lifts, least_pct: float) -> tuple[Floats, Floats]:
    """Masses [kg] between which a load at a pick-up is worth the crane's work and can still be picked up."""
    hook = hook_of(machine, pick)
    allowed = lifts.allowed_kn_m(machine, pick[:, 0])
    arm = (hook.outreach_m - machine.crane_type.pivot_offset_m) * STANDARD_GRAVITY_M_S2 / 1000
    least = least_pct / 100 * allowed / arm
    most = np.minimum((_PICK_UP_PCT / 100 * allowed - hook.self_kn_m) / arm, machine.hook_rating_kg)
    return least, most


@dataclass(frozen=True)
class _Spots:
    """Poses over a row of outreaches for each lift (lifts, outreaches), where the place of a lift is looked for."""

    outreach_m: Floats  # (outreaches,)
    joints: Floats
    self_kn_m: Floats  # NaN out of reach
    arm_kn_kg: Floats  # moment of a kilogram [kN.m/kg]
    allowed_kn_m: Floats  # (lifts, 1)

    @classmethod
    def at(
        cls,
        machine: Machine,
        slew: Floats,
        height_m: Floats,
        jib_deg: Floats,
        rope_m: Floats | None,
        lifts: _Lifts,
    ) -> "_Spots":
        outreach = np.linspace(0.25, 0.985, _GRID) * reach_m(machine)
        rope = None if rope_m is None else rope_m[:, None]
        joints = poses_for(machine, slew[:, None], outreach, height_m[:, None], jib_deg[:, None], rope)
        arm = (outreach - machine.crane_type.pivot_offset_m) * STANDARD_GRAVITY_M_S2 / 1000
        allowed = lifts.allowed_kn_m(machine, slew)[:, None]
        return cls(outreach, joints, hook_of(machine, joints).self_kn_m, arm, allowed)

    def mass_for(self, target_pct: Floats, wanted_m: Floats) -> Floats:
        """Mass [kg] that reaches a utilisation at the farthest spot not beyond the wanted outreach."""
        rows = np.arange(len(wanted_m))
        at = self._last(np.isfinite(self.self_kn_m) & (self.outreach_m <= wanted_m[:, None]))
        spare = target_pct / 100 * self.allowed_kn_m[:, 0] - self.self_kn_m[rows, at]
        return np.asarray(spare / self.arm_kn_kg[at])

    def chosen(self, mass: Floats, target_pct: Floats, wanted_m: Floats, bold: np.ndarray) -> Floats:
        """Poses at the places: a planned lift stays below its target, a bold one is tried where it exceeds it."""
        level = 100 * (self.self_kn_m + self.arm_kn_kg * mass[:, None]) / self.allowed_kn_m
        there = np.isfinite(level)
        inside = there & (level <= target_pct[:, None]) & (self.outreach_m <= wanted_m[:, None])
        planned = np.where(inside.any(axis=1), self._last(inside), np.argmax(there, axis=1))
        beyond = there & (level >= target_pct[:, None])
        tried = np.where(beyond.any(axis=1), np.argmax(beyond, axis=1), self._last(there))
        return np.asarray(self.joints[np.arange(len(mass)), np.where(bold, tried, planned)])

    @staticmethod
    def _last(where: np.ndarray) -> np.ndarray:
        return np.asarray(_GRID - 1 - np.argmax(where[:, ::-1], axis=1))


def _path(joints: Floats) -> Floats:
    """Poses along the four loaded moves of lifts (..., moves, 7): (..., 4*steps + 1, 7), straight in joint space."""
    corners = joints[..., _LOADED_MOVES.start - 1 : _LOADED_MOVES.stop, :]
    at = np.linspace(0.0, corners.shape[-2] - 1.0, (corners.shape[-2] - 1) * _PATH_STEPS + 1)
    return _along(corners, at)


def _along(corners: Floats, at: Floats) -> Floats:
    """Poses at fractional corner numbers `at` of a polyline in joint space (..., corners, 7)."""
    index = np.minimum(at.astype(int), corners.shape[-2] - 2)
    share = (at - index)[:, None]
    return np.asarray(corners[..., index, :] * (1 - share) + corners[..., index + 1, :] * share)


def _first_over_limit(machine: Machine, joints: Floats, mass: Floats, lifts: _Lifts) -> Floats:
    """Where on its loaded path each lift first reaches the limit, in moves from the pick-up; NaN where it never does."""
    if not len(mass):
        return np.empty(0)
    poses = _path(joints)
    limit = lifts.limit_pct(machine, poses[..., 0])
    level = utilisation_of(machine, hook_of(machine, poses), mass[:, None], limit)
    over = level >= LIMIT_PCT
    found = over.any(axis=1)
    at = np.maximum(np.argmax(over, axis=1), 1)
    rows = np.arange(len(mass))
    before, after = level[rows, at - 1], level[rows, at]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((LIMIT_PCT - before) / (after - before), 0.0, 1.0)
    return np.where(found, (at - 1 + share) / _PATH_STEPS, np.nan)


def _limited(
    rng: np.random.Generator, machine: Machine, habit: Habit, stop: Stop, lift: Moves, at: float
) -> Moves:
    """The lift with the limiter in its way at corner number `at` of its loaded path."""
    corners = lift.joints[_LOADED_MOVES.start - 1 : _LOADED_MOVES.stop]
    mass = float(lift.mass_kg[_LOAD_ON])
    rows = [
        _Move(lift.joints[k], float(lift.duration_s[k]), float(lift.mass_kg[k]), Mark(int(lift.mark[k])))
        for k in range(_LOADED_MOVES.start)
    ]
    rows += [_Move(corners[k], np.nan, mass) for k in range(1, int(np.ceil(at)))]
    rows.append(_Move(_along(corners, np.array([at]))[0], np.nan, mass, Mark.STOPPED))
    rows.append(_Move(rows[-1].joints, float(rng.uniform(2.0, 7.0)), mass))
    if rng.random() < habit.override_share:
        at, pushed = _override(rng, machine, stop, corners, mass, at)
        rows += pushed
    if at < len(corners) - 1.0:
        at = _inside(machine, stop, corners, mass, at)
    back = _along(corners, np.array([at]))[0]
    rows.append(_Move(back, np.nan, mass))
    rows.append(_Move(back, _RAMP_S, 0.0, Mark.LOAD_OFF))
    rows.append(_Move(back, float(lift.duration_s[_LOAD_OFF + 1]), 0.0))
    joints, duration, mass_kg, mark = (np.array(column) for column in zip(*rows, strict=True))
    return Moves(joints, duration, mass_kg, mark, np.full(len(rows), lift.attachment_kg[0]))


def _inside(machine: Machine, stop: Stop, corners: Floats, mass: float, at: float) -> float:
    """Corner number to which a load that was stopped short is brought back to be set down inside the limit."""
    while at > 0:
        at = max(at - 0.2, 0.0)
        if _utilisation_at(machine, stop, _along(corners, np.array([at]))[0], mass) <= _SET_DOWN_PCT:
            break
    return at


def _utilisation_at(machine: Machine, stop: Stop, joints: Floats, mass_kg: float) -> float:
    """Static utilisation [%] at one pose."""
    limit = limit_of(machine, joints[0], stop.left_pct, stop.right_pct)
    return float(utilisation_of(machine, hook_of(machine, joints), mass_kg, limit))


def _override(
    rng: np.random.Generator, machine: Machine, stop: Stop, corners: Floats, mass: float, at: float
) -> tuple[float, list[_Move]]:
    """Pushes beyond the limit, each as long as an override frees the movement, until the nerve or the path ends.

    Returns the corner number reached and the moves. After each push the limiter blocks again, which is no new stop:
    the movement never became free in between.
    """
    moves: list[_Move] = []
    last = len(corners) - 1.0
    for _ in range(int(rng.integers(1, 5))):
        index = min(int(at), len(corners) - 2)
        travel = np.abs(corners[index + 1] - corners[index])
        full_s = float(np.max(travel / machine.drive.speeds()))
        # a push stays inside one move, whose length its speed is reckoned by
        forward = min(at + _OVERRIDE_SPEED * OVERRIDE_S / max(full_s, 0.1), index + 1.0)
        pose = _along(corners, np.array([forward]))[0]
        if _utilisation_at(machine, stop, pose, mass) > HARDEST_OVERLOAD_PCT:
            break
        moves.append(_Move(pose, OVERRIDE_S, mass, Mark.OVERRIDE))
        moves.append(_Move(pose, float(rng.uniform(1.5, 4.0)), mass))
        at = forward
        if at >= last:
            break
    return at, moves
