"""A day's work of one crane: stops with their knots in time, between which every joint moves smoothly.

Random numbers come from generators seeded by (seed, crane's number, day, purpose), so any day can be made alone.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import IntEnum
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from domain.errors import InvalidInput
from simulator.calendar import works_on
from simulator.lifting import LIMIT_PCT, Mark, Moves, Stop, lifts_at
from simulator.machine import Floats, Hook, Machine, folded, hook_of, limit_of, utilisation_of
from simulator.scenario import Scenario, load_scenario
from simulator.yard import YardCrane

_SAME_POSE: Final = 1e-9
_SHORTEST_MOVE_S: Final = 1.0
_LATEST_LOCAL_HOUR: Final = 19
_STOPS_AN_HOUR: Final = 3  # at most, of live work
_LIVE_LIFTS: Final = 12  # at most, at a stop of live work
_SLOW_FROM_PCT: Final = 85.0  # the limiter slows movements from here on. Assumed
_SLOWEST: Final = 2.5


class Purpose(IntEnum):
    """What a random stream is for: a change in one leaves the others alone."""

    PLAN = 1
    SENSORS = 2
    BOOT = 3
    CONTROLLER = 4
    ATTACHMENT = 5


@dataclass(frozen=True, kw_only=True)
class Session:
    """One stop from power take-off on to off. Times are seconds since the session's start."""

    start_ms: int
    stop: Stop
    offline: bool
    knot_s: Floats
    joints: Floats  # (knots, 7)
    mass_kg: Floats  # of the load
    attachment_kg: Floats
    mark: np.ndarray  # Mark of the move that ends at each knot
    modes: tuple[tuple[float, Mode], ...]  # each from a time on; the last at the session's end

    @property
    def length_s(self) -> float:
        """From power take-off on to off [s]."""
        return float(self.knot_s[-1])

    @property
    def length_ms(self) -> int:
        """The same [ms]."""
        return round(self.length_s * 1000)

    @property
    def works(self) -> NDArray[np.bool_]:
        """Whether each move takes oil or holds a load: (knots - 1,)."""
        moves = (np.diff(self.joints, axis=0) != 0).any(axis=1)
        return np.asarray(moves | (self.mass_kg[:-1] > 0) | (self.mass_kg[1:] > 0))

    @property
    def working_s(self) -> float:
        """Time at working speed [s]; the rest of its length the engine is idle."""
        return float(np.diff(self.knot_s)[self.works].sum())


def stream(seed: int, crane: YardCrane, day: date, purpose: Purpose) -> np.random.Generator:
    """The random numbers of one crane, day and purpose."""
    return np.random.default_rng([seed, crane.number, day.toordinal(), purpose])


def plan_day(crane: YardCrane, day: date, seed: int) -> tuple[Session, ...]:
    """Sessions of a local day at the crane's site, empty on an idle day."""
    if not works_on(crane, day, seed):
        return ()
    rng = stream(seed, crane, day, Purpose.PLAN)
    zone = ZoneInfo(crane.site.time_zone)
    start = datetime.combine(day, time(6, 30), tzinfo=zone) + timedelta(minutes=float(rng.uniform(0, 50)))
    latest = datetime.combine(day, time(_LATEST_LOCAL_HOUR), tzinfo=zone)
    scenario = _scenario(rng, crane)
    number = max(1, round(rng.integers(*scenario.stops, endpoint=True) * _more(crane)))
    sessions: list[Session] = []
    now_ms = _ms(start)
    fitted = stream(seed, crane, day, Purpose.ATTACHMENT)
    for stop, lifts in _stops(rng, fitted, crane, scenario, number):
        now_ms += _travel_ms(rng, scenario)
        if now_ms >= _ms(latest):
            break
        sessions.append(_session(rng, crane, stop, lifts, now_ms))
        now_ms += sessions[-1].length_ms
    return tuple(sessions)


def plan_from(crane: YardCrane, start_at: datetime, hours: float, seed: int) -> tuple[Session, ...]:
    """Sessions from a moment on whatever the hour, the first at once: for a demo that must show work now.

    All but the first are over before `hours` are; the first is short enough for an hour.
    """
    now_ms = _ms(start_at)
    latest_ms = now_ms + round(hours * 3_600_000)
    rng = np.random.default_rng([seed, crane.number, now_ms // 1000])
    scenario = _scenario(rng, crane)
    sessions: list[Session] = []
    number = 1 + round(hours * _STOPS_AN_HOUR)
    fitted = np.random.default_rng([seed, crane.number, now_ms // 1000, Purpose.ATTACHMENT])
    for stop, lifts in _stops(rng, fitted, crane, scenario, number, most_lifts=_LIVE_LIFTS):
        session = _session(rng, crane, stop, lifts, now_ms)
        if sessions and now_ms + session.length_ms > latest_ms:
            break
        sessions.append(session)
        now_ms += session.length_ms + _travel_ms(rng, scenario)
    return tuple(sessions)


def _ms(moment: datetime) -> int:
    return round(moment.astimezone(UTC).timestamp() * 1000)


def _more(crane: YardCrane) -> float:
    """Factor on the number of stops, and on the lifts at each, that makes `busy` times the lifts."""
    return float(crane.habit.busy**0.5)


def _scenario(rng: np.random.Generator, crane: YardCrane) -> Scenario:
    names = list(crane.scenarios)
    return load_scenario(names[rng.choice(len(names), p=list(crane.scenarios.values()))])


def _travel_ms(rng: np.random.Generator, scenario: Scenario) -> int:
    return round(rng.uniform(*scenario.travel_min) * 60_000)


def _stops(
    rng: np.random.Generator,
    fitted: np.random.Generator,
    crane: YardCrane,
    scenario: Scenario,
    number: int,
    most_lifts: int | None = None,
) -> Iterator[tuple[Stop, list[Moves]]]:
    """Stops with their lifts, all planned in one pass. `fitted` draws the attachments, so that without one all stays alike."""
    stops = [_stop(rng, crane, scenario) for _ in range(number)]
    counts = [round(rng.integers(*scenario.lifts, endpoint=True) * _more(crane)) for _ in stops]
    counts = [max(1, count if most_lifts is None else min(count, most_lifts)) for count in counts]
    attachments = [_attachments_kg(fitted, crane, count) for count in counts]
    return zip(stops, lifts_at(rng, crane.machine, scenario, crane.habit, stops, attachments), strict=True)


def _attachments_kg(rng: np.random.Generator, crane: YardCrane, lifts: int) -> Floats:
    """What is fitted to the hook at each lift of a stop: it stays, or another one takes its place."""
    attachment = crane.attachment
    if attachment is None:
        return np.zeros(lifts)
    masses = np.array(attachment.masses_kg)
    change = rng.random(lifts) < attachment.change_share
    step = np.where(change, rng.integers(1, max(len(masses), 2), lifts), 0)
    return np.asarray(masses[(rng.integers(len(masses)) + np.cumsum(step)) % len(masses)], float)


def _session(
    rng: np.random.Generator, crane: YardCrane, stop: Stop, lifts: list[Moves], start_ms: int
) -> Session:
    machine = crane.machine
    home = folded(machine)
    set_up_s, pack_up_s = float(rng.uniform(40, 110)), float(rng.uniform(30, 70))
    first_kg, last_kg = (lifts[0].attachment_kg[0], lifts[-1].attachment_kg[-1]) if lifts else (0.0, 0.0)
    moves = Moves.joined(
        [
            _rest(home, set_up_s, first_kg),
            *lifts,
            _rest(home, np.nan, last_kg),
            _rest(home, pack_up_s, last_kg),
        ]
    )
    knots = np.vstack([home, moves.joints])
    duration = _durations(machine, knots, crane.habit.pace) * _slow_down(machine, stop, moves, knots)
    duration = np.where(np.isnan(moves.duration_s), duration, moves.duration_s)
    knot_s = np.concatenate([[0.0], np.cumsum(duration)])
    return Session(
        start_ms=start_ms,
        stop=stop,
        offline=bool(rng.random() < crane.offline_share),
        knot_s=knot_s,
        joints=knots,
        mass_kg=np.concatenate([[0.0], moves.mass_kg]),
        attachment_kg=np.concatenate([[first_kg], moves.attachment_kg]),
        mark=np.concatenate([[Mark.PLAIN], moves.mark]),
        modes=_modes(rng, crane, set_up_s, float(knot_s[-1]) - pack_up_s, float(knot_s[-1])),
    )


def _modes(
    rng: np.random.Generator, crane: YardCrane, remote_s: float, pack_up_s: float, end_s: float
) -> tuple[tuple[float, Mode], ...]:
    """Stabilisers out, remote control, now and then the manual valves for the rest, stabilisers in, off."""
    modes = [(0.0, Mode.STABILISER), (remote_s, Mode.REMOTE)]
    if rng.random() < crane.habit.emergency_share:
        modes.append((remote_s + (pack_up_s - remote_s) * float(rng.uniform(0.6, 0.95)), Mode.EMERGENCY))
    return (*modes, (pack_up_s, Mode.STABILISER), (end_s, Mode.TRANSPORT))


def _rest(joints: Floats, duration_s: float, attachment_kg: float) -> Moves:
    """To a pose without a load, and there for so long; NaN: no longer than the way takes."""
    return Moves(
        joints[None, :],
        np.array([duration_s]),
        np.zeros(1),
        np.array([Mark.PLAIN]),
        np.array([attachment_kg]),
    )


def _stop(rng: np.random.Generator, crane: YardCrane, scenario: Scenario) -> Stop:
    right = bool(rng.random() < 0.5)
    spreads = list(scenario.spread_pct)
    drawn = float(spreads[rng.choice(len(spreads), p=list(scenario.spread_pct.values()))])
    working = drawn if crane.habit.spread_pct is None else float(crane.habit.spread_pct)
    return Stop(right, left_pct=100.0 if right else working, right_pct=working if right else 100.0)


def _durations(machine: Machine, knots: Floats, pace: float) -> Floats:
    """Time of each move [s] so that no joint exceeds its speed or acceleration on the smooth profile.

    The profile 3p^2 - 2p^3 has its largest speed at 1.5 times the mean and its largest acceleration at 6 times
    distance over time squared (by differentiation).
    """
    travel = np.abs(np.diff(knots, axis=0))
    speeds = machine.drive.speeds()
    by_speed = 1.5 * travel / speeds
    by_acceleration = np.sqrt(6.0 * travel * machine.drive.ramp_s / speeds)
    needed = np.maximum(by_speed, by_acceleration).max(axis=1)
    return np.asarray(np.maximum(needed, _SHORTEST_MOVE_S) * max(pace, 1.0))


def _slow_down(machine: Machine, stop: Stop, moves: Moves, knots: Floats) -> Floats:
    """Factor on the time of each loaded move that ends nearer to the limit than it began: the limiter slows it."""
    limit = limit_of(machine, knots[:, 0], stop.left_pct, stop.right_pct)
    hook = hook_of(machine, knots)
    hook_kg = moves.mass_kg + moves.attachment_kg
    begins = utilisation_of(machine, Hook(*(part[:-1] for part in hook)), hook_kg, limit[:-1])
    ends = utilisation_of(machine, Hook(*(part[1:] for part in hook)), hook_kg, limit[1:])
    factor = np.interp(ends, (_SLOW_FROM_PCT, LIMIT_PCT), (1.0, _SLOWEST))
    return np.where((moves.mass_kg > 0) & (ends > begins), factor, 1.0)


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
