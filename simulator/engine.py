"""Engine and power take-off, as the plan has them: off between stops, idle or at working speed during one.

No channel carries them. The power take-off is told by the mode events (M-1 when it goes on, M-0 when it goes off), and by
the record itself, which has samples while it is on and none while it is off.
"""

from collections.abc import Sequence
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from domain.errors import InvalidInput
from simulator.machine import Floats
from simulator.shift import Session

_SAME_POSE: Final = 1e-9


class Engine(IntEnum):
    """What the engine drives: OFF, no pump (parked or on the road); IDLE, pump at rest; WORKING, under load or moving."""

    OFF = 0
    IDLE = 1
    WORKING = 2


def _works(session: Session) -> NDArray[np.bool_]:
    """Whether each move takes oil or holds a load: (knots - 1,)."""
    moves = (np.diff(session.joints, axis=0) != 0).any(axis=1)
    return np.asarray(moves | (session.mass_kg[:-1] > 0) | (session.mass_kg[1:] > 0))


def working_s(session: Session) -> float:
    """Time of a stop at working speed [s]; the rest of its length is idle."""
    return float(np.diff(session.knot_s)[_works(session)].sum())


def engine_at(sessions: Sequence[Session], at_ms: NDArray[np.int64]) -> NDArray[np.int8]:
    """`Engine` at times [ms UTC, true time]: OFF wherever no stop has the power take-off on."""
    state = np.full(len(at_ms), Engine.OFF, dtype=np.int8)
    for session in sessions:
        here = (at_ms >= session.start_ms) & (at_ms < session.start_ms + session.length_s * 1000)
        at_s = (at_ms[here] - session.start_ms) / 1000
        move = np.clip(np.searchsorted(session.knot_s, at_s, side="right") - 1, 0, len(session.knot_s) - 2)
        state[here] = np.where(_works(session)[move], Engine.WORKING, Engine.IDLE)
    return state


def powered(sessions: Sequence[Session]) -> tuple[Session, ...]:
    """The sessions as they are, once it is sure that nothing moves or hangs while the power take-off is off.

    Raises InvalidInput where a stop begins before the one before it is over, in another pose than that one ended in, or with a
    load on the hook.
    """
    for session in sessions:
        if session.mass_kg[0] or session.mass_kg[-1]:
            raise InvalidInput("a load hangs while the power take-off is off", field="mass_kg")
    for before, after in zip(sessions, sessions[1:], strict=False):
        if after.start_ms < before.start_ms + before.length_ms:
            raise InvalidInput("a stop begins before the one before it is over", field="start_ms")
        moved: Floats = np.abs(after.joints[0] - before.joints[-1])
        if moved.max() > _SAME_POSE:
            raise InvalidInput("the booms move while the power take-off is off", field="joints")
    return tuple(sessions)
