"""From knots to signals: joints, mass on the hook, moments and limits at every sample of a day, swing and vibration included, without noise."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.errors import InvalidInput
from duty import statics
from simulator.dynamics import load_moment_kn_m, swing_period_s
from simulator.machine import ROPE, Floats, Hook, Machine, hook_of, limit_of
from simulator.shift import Session

_STABILISERS_MOVE_S: Final = 25.0
_BEFORE_LOAD_S: Final = 1.0  # a recorder keeps what was just before the load, and until it is still again
_DAY_MS: Final = 86_400_000
_STILL: Final = 4.0  # time constants of the vibration: 2 % of it is left


@dataclass(frozen=True, kw_only=True)
class Recorder:
    """How often a crane records: every `dt_ms` while a load hangs, every `idle_ms` without; None: all the same.

    `idle_ms` is a multiple of `dt_ms`.
    """

    dt_ms: int
    idle_ms: int | None = None

    def __post_init__(self) -> None:
        if self.dt_ms < 1 or (self.idle_ms is not None and (self.idle_ms < 1 or self.idle_ms % self.dt_ms)):
            raise InvalidInput("idle_ms must be a multiple of dt_ms, and both positive", field="idle_ms")


@dataclass(frozen=True, kw_only=True)
class Signals:
    """Noise-free signals of a day, all of one length."""

    t_ms: NDArray[np.int64]
    step_ms: NDArray[np.int64]  # until the next sample of the same stop
    session: NDArray[np.intp]  # which session each sample belongs to
    joints: Floats  # (samples, 7)
    mass_kg: Floats  # of the load, without the attachment
    hook: Hook
    limit_pct: Floats
    utilisation_pct: Floats
    mode: Floats
    left_pct: Floats
    right_pct: Floats

    @property
    def structural_pct(self) -> Floats:
        """Moment over the full structural rating [%]: what the steel feels."""
        return np.asarray(self.utilisation_pct * self.limit_pct / 100.0)

    @property
    def passed_s(self) -> Floats:
        """Recorded time before each sample [s]."""
        return np.asarray((np.cumsum(self.step_ms) - self.step_ms) / 1000.0)


def signals_of(
    machine: Machine, sessions: tuple[Session, ...], recorder: Recorder, swing: float = 0.0
) -> Signals:
    """Sample every session on its own even grid that begins with power take-off.

    swing: share of its moment by which a load sways all the time [0..1], beside what its own movements make of it.
    """
    dt_ms = recorder.dt_ms
    t_ms, step, session, joints, mass, limit, mode, left, right = [], [], [], [], [], [], [], [], []
    attachment = []
    for number, part in enumerate(sessions):
        index, step_ms = _recorded(machine, part, recorder)
        at_s = np.asarray(index * (dt_ms / 1000), dtype=float)
        pose, load, fitted = _at(part, at_s)
        t_ms.append(part.start_ms + index * dt_ms)
        step.append(step_ms)
        session.append(np.full(len(at_s), number))
        joints.append(pose)
        mass.append(load)
        attachment.append(fitted)
        limit.append(limit_of(machine, pose[:, 0], part.stop.left_pct, part.stop.right_pct))
        begins = [begin for begin, _ in part.modes]
        in_turn = np.array([float(value) for _, value in part.modes])
        mode.append(in_turn[np.searchsorted(begins, at_s, side="right") - 1])
        out = np.clip(np.minimum(at_s, part.length_s - at_s) / _STABILISERS_MOVE_S, 0.0, 1.0)
        left.append(out * part.stop.left_pct)
        right.append(out * part.stop.right_pct)
    all_joints, all_mass, all_limit = np.concatenate(joints), np.concatenate(mass), np.concatenate(limit)
    all_step = np.concatenate(step)
    hook = hook_of(machine, all_joints)
    all_t = np.concatenate(t_ms)
    load = _load_moment(machine, hook, all_joints, all_mass, all_step == dt_ms, dt_ms / 1000)
    load *= 1.0 + swing * np.sin(
        2 * np.pi * (all_t % _DAY_MS) / 1000 / swing_period_s(machine.dynamics.sling_m)
    )
    # an attachment moves the moment by its weight alone: small beside the load that swings below it
    load = load + statics.load_moment_kn_m(machine.crane_type, np.concatenate(attachment), hook.outreach_m)
    return Signals(
        t_ms=all_t,
        step_ms=all_step,
        session=np.concatenate(session),
        joints=all_joints,
        mass_kg=all_mass,
        hook=hook,
        limit_pct=all_limit,
        utilisation_pct=statics.utilisation_pct(machine.crane_type, hook.self_kn_m, load, all_limit),
        mode=np.concatenate(mode),
        left_pct=np.concatenate(left),
        right_pct=np.concatenate(right),
    )


def _recorded(
    machine: Machine, session: Session, recorder: Recorder
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(number of each recorded sample on the fine grid, time until the next [ms])."""
    number = np.arange(int(np.ceil(session.length_s * 1000 / recorder.dt_ms)), dtype=np.int64)
    if recorder.idle_ms is None:
        return number, np.full(len(number), recorder.dt_ms, dtype=np.int64)
    every = recorder.idle_ms // recorder.dt_ms
    # whole idle steps become fine ones, so that no message reaches over the beginning of the next
    block = number // every
    hangs = np.flatnonzero((session.mass_kg[:-1] > 0) | (session.mass_kg[1:] > 0))
    still_s = _STILL / (machine.dynamics.damping * 2 * np.pi * machine.dynamics.frequency_hz)
    low = np.clip(session.knot_s[hangs] - _BEFORE_LOAD_S, 0.0, None) * 1000 // recorder.idle_ms
    high = (session.knot_s[hangs + 1] + still_s) * 1000 // recorder.idle_ms + 1
    edges = np.zeros(block[-1] + 2, dtype=np.int64)
    np.add.at(edges, low.astype(int), 1)
    np.add.at(edges, np.minimum(high.astype(int), len(edges) - 1), -1)
    fine = (np.cumsum(edges) > 0)[block]
    kept = fine | (number % every == 0)
    return number[kept], np.where(fine, recorder.dt_ms, recorder.idle_ms)[kept]


def _load_moment(
    machine: Machine, hook: Hook, joints: Floats, mass_kg: Floats, fine: NDArray[np.bool_], dt_s: float
) -> Floats:
    """Moment of the load at the fine samples, one stretch after the other; nothing hangs at the others.

    Every stretch begins and ends without a load and at rest, so what lies between two of them excites nothing.
    """
    slew_deg, rope_m = joints[:, 0], joints[:, ROPE]
    if fine.all():
        return load_moment_kn_m(
            machine, hook, slew_deg, mass_kg, dt_s, None if machine.winch is None else rope_m
        )
    load = np.zeros(len(mass_kg))
    if fine.any():
        of_fine = Hook(*(part[fine] for part in hook))
        rope = None if machine.winch is None else rope_m[fine]
        load[fine] = load_moment_kn_m(machine, of_fine, slew_deg[fine], mass_kg[fine], dt_s, rope)
    return load


def _at(session: Session, at_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Joints, load and attachment at times: smooth between knots (3p^2 - 2p^3), the masses in proportion to time."""
    knot = np.clip(np.searchsorted(session.knot_s, at_s, side="right") - 1, 0, len(session.knot_s) - 2)
    begin = session.knot_s[knot]
    share = (at_s - begin) / (session.knot_s[knot + 1] - begin)
    smooth = (share * share * (3.0 - 2.0 * share))[:, None]
    joints = session.joints[knot] + smooth * (session.joints[knot + 1] - session.joints[knot])
    load, attachment = (
        mass[knot] + share * (mass[knot + 1] - mass[knot])
        for mass in (session.mass_kg, session.attachment_kg)
    )
    return joints, load, attachment


def crossings(
    values: NDArray[np.float64], rises_to: float, falls_below: float, group: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices at which a two-level switch turns on and off; it is off at the start of each group and after its end."""
    decided = np.where(values >= rises_to, 1, np.where(values < falls_below, 0, -1))
    first_of_group = np.concatenate([[True], np.diff(group) != 0])
    decided = np.where(first_of_group & (decided < 0), 0, decided)
    last = np.maximum.accumulate(np.where(decided >= 0, np.arange(len(values)), 0))
    on = decided[last] == 1
    before = np.concatenate([[False], on[:-1]]) & ~first_of_group
    after_group = np.concatenate([first_of_group[1:], [True]])
    ends_on = on & after_group
    return np.flatnonzero(on & ~before), np.sort(
        np.concatenate([np.flatnonzero(~on & before), np.flatnonzero(ends_on)])
    )
