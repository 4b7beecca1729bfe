"""From knots to signals: joints, mass on the hook, moments and limits at every sample of a day, swing and vibration included, without noise."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from duty.statics import utilisation_pct
from simulator.dynamics import load_moment_kn_m
from simulator.machine import Floats, Hook, Machine, hook_of, limit_of
from simulator.shift import Session

_STABILISERS_MOVE_S: Final = 25.0


@dataclass(frozen=True, kw_only=True)
class Signals:
    """Noise-free signals of a day, all of one length."""

    t_ms: NDArray[np.int64]
    session: NDArray[np.intp]  # which session each sample belongs to
    joints: Floats  # (samples, 6)
    mass_kg: Floats
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


def signals_of(machine: Machine, sessions: tuple[Session, ...], dt_ms: int) -> Signals:
    """Sample every session on its own even grid that begins with power take-off."""
    t_ms, session, joints, mass, limit, mode, left, right = [], [], [], [], [], [], [], []
    for number, part in enumerate(sessions):
        at_s = np.arange(0.0, part.length_s, dt_ms / 1000)
        pose, load = _at(part, at_s)
        t_ms.append(part.start_ms + np.arange(len(at_s), dtype=np.int64) * dt_ms)
        session.append(np.full(len(at_s), number))
        joints.append(pose)
        mass.append(load)
        limit.append(limit_of(machine, pose[:, 0], part.stop.left_pct, part.stop.right_pct))
        begins = [begin for begin, _ in part.modes]
        in_turn = np.array([float(value) for _, value in part.modes])
        mode.append(in_turn[np.searchsorted(begins, at_s, side="right") - 1])
        out = np.clip(np.minimum(at_s, part.length_s - at_s) / _STABILISERS_MOVE_S, 0.0, 1.0)
        left.append(out * part.stop.left_pct)
        right.append(out * part.stop.right_pct)
    all_joints, all_mass, all_limit = np.concatenate(joints), np.concatenate(mass), np.concatenate(limit)
    hook = hook_of(machine, all_joints)
    # every session begins and ends at rest in the same pose, so the gaps between them excite nothing
    load = load_moment_kn_m(machine, hook, all_joints[:, 0], all_mass, dt_ms / 1000)
    return Signals(
        t_ms=np.concatenate(t_ms),
        session=np.concatenate(session),
        joints=all_joints,
        mass_kg=all_mass,
        hook=hook,
        limit_pct=all_limit,
        utilisation_pct=utilisation_pct(machine.crane_type, hook.self_kn_m, load, all_limit),
        mode=np.concatenate(mode),
        left_pct=np.concatenate(left),
        right_pct=np.concatenate(right),
    )


def _at(session: Session, at_s: Floats) -> tuple[Floats, Floats]:
    """Joints and mass at times: smooth between knots (3p^2 - 2p^3), the mass in proportion to time."""
    knot = np.clip(np.searchsorted(session.knot_s, at_s, side="right") - 1, 0, len(session.knot_s) - 2)
    begin = session.knot_s[knot]
    share = (at_s - begin) / (session.knot_s[knot + 1] - begin)
    smooth = (share * share * (3.0 - 2.0 * share))[:, None]
    joints = session.joints[knot] + smooth * (session.joints[knot + 1] - session.joints[knot])
    mass = session.mass_kg[knot] + share * (session.mass_kg[knot + 1] - session.mass_kg[knot])
    return joints, mass
