"""One crane, one day: plan, signals, sensors, events, messages and truth, the same for the same seed.

Messages hold `samples_per_message` samples at most and never reach over a stop. A stop without coverage is sent
after the crane is back in coverage: late, complete and in order.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from domain.channels import Mode
from domain.messages import EventKind, EventState
from simulator import counters
from simulator.calendar import outages_on
from simulator.controller import controller_drafts, controller_of
from simulator.crew import Crew
from simulator.lifting import Mark
from simulator.machine import ROPE
from simulator.record import Batches, DayRecord, Draft, Event, Floats32, Ints, TrueLift, Truth
from simulator.sensing import clock_offset_ms, sensed
from simulator.shift import Purpose, Session, plan_day, plan_from, powered, stream
from simulator.signals import Recorder, Signals, crossings, signals_of
from simulator.yard import YardCrane

WARNING_PCT: Final = 90.0  # first warning; common practice, no source
WARNING_ENDS_PCT: Final = 88.0  # so that one approach is one warning
DEFAULT_STEP_MS: Final = 200
DEFAULT_SAMPLES_PER_MESSAGE: Final = 300

_DAYS_A_TASK: Final = 7
_BACK_IN_COVERAGE_MS: Final = 20 * 60_000
_MODE_TEXT: Final = {
    Mode.TRANSPORT: "transport",
    Mode.STABILISER: "stabiliser",
    Mode.REMOTE: "remote control",
    Mode.EMERGENCY: "emergency, on the manual valves",
}


def generate_day(
    crane: YardCrane,
    day: date,
    seed: int = 1,
    *,
    dt_ms: int = DEFAULT_STEP_MS,
    idle_ms: int | None = None,
    samples_per_message: int = DEFAULT_SAMPLES_PER_MESSAGE,
) -> DayRecord | None:
    """One crane's day (local to its site). None on a day without work.

    Parameters
    ----------
    crane : of `simulator.yard.load_yard()`
    seed : the same seed, crane, day and step give the same record, whatever else is generated
    dt_ms : step between samples while the power take-off is on [ms]; nothing is recorded in transport
    idle_ms : a multiple of it, the step while no load hangs on the hook [ms]; None: the same
    samples_per_message : longest list in a samples message
    """
    sessions = powered(plan_day(crane, day, seed))
    if not sessions:
        return None
    recorder = Recorder(dt_ms=dt_ms, idle_ms=idle_ms)
    return _record(crane, day, sessions, seed, recorder, samples_per_message)


def generate_from(
    crane: YardCrane,
    start_at: datetime,
    hours: float,
    seed: int = 1,
    *,
    dt_ms: int = 100,
    samples_per_message: int = 10,
) -> DayRecord:
    """Work that begins at a moment, whatever the hour, in messages short enough to watch live."""
    sessions = powered(plan_from(crane, start_at, hours, seed))
    recorder = Recorder(dt_ms=dt_ms)
    return _record(crane, start_at.date(), sessions, seed, recorder, samples_per_message, live=True)


def generate(
    cranes: Iterable[YardCrane],
    first_day: date,
    days: int,
    seed: int = 1,
    *,
    processes: int = 1,
    dt_ms: int = DEFAULT_STEP_MS,
    idle_ms: int | None = None,
    samples_per_message: int = DEFAULT_SAMPLES_PER_MESSAGE,
) -> Iterator[DayRecord]:
    """Every working day of every crane, day by day; the rest as in `generate_day`.

    `processes` above 1 share the work by weeks, with the same result. They are started afresh (spawn), so a script
    that asks for them needs the usual `if __name__ == "__main__":`.
    """
    cranes = tuple(cranes)
    tasks = (
        (
            cranes,
            first_day + timedelta(days=first),
            min(_DAYS_A_TASK, days - first),
            seed,
            dt_ms,
            idle_ms,
            samples_per_message,
        )
        for first in range(0, days, _DAYS_A_TASK)
    )
    if processes == 1:
        for task in tasks:
            yield from _days(*task)
        return
    with Crew(processes) as crew:
        for records in crew.in_order(_days_as_list, tasks):
            yield from records


def _days(
    cranes: tuple[YardCrane, ...],
    first_day: date,
    days: int,
    seed: int,
    dt_ms: int,
    idle_ms: int | None,
    samples_per_message: int,
) -> Iterator[DayRecord]:
    for offset in range(days):
        for crane in cranes:
            record = generate_day(
                crane,
                first_day + timedelta(days=offset),
                seed,
                dt_ms=dt_ms,
                idle_ms=idle_ms,
                samples_per_message=samples_per_message,
            )
            if record is not None:
                yield record


def _days_as_list(*task: Any) -> list[DayRecord]:
    return list(_days(*task))


def _record(
    crane: YardCrane,
    day: date,
    sessions: tuple[Session, ...],
    seed: int,
    recorder: Recorder,
    samples_per_message: int,
    *,
    live: bool = False,
) -> DayRecord:
    signals = signals_of(crane.machine, sessions, recorder, crane.habit.swing)
    boot_stream = np.random.default_rng([seed, crane.number, sessions[0].start_ms, Purpose.BOOT])
    controller = controller_of(stream(seed, crane, day, Purpose.CONTROLLER), signals)
    drafts = _moments(sessions, signals) + controller_drafts(controller, signals)
    drafts += [] if live else _codes(crane, day, sessions, seed)
    batches, events = _numbered(sessions, signals, drafts, samples_per_message)
    record = DayRecord(
        crane=crane.name,
        day=day,
        boots=boot_stream.integers(1, 2**63 - 1, len(sessions)),
        boot_seq=_first_numbers(sessions, batches, events),
        dt_ms=recorder.dt_ms,
        clock_offset_ms=clock_offset_ms(crane, day.toordinal()),
        clock_jump_ms=round(1000 * crane.faults.clock_jump_s),
        clock_jump_seq=int(batches.seq[round(crane.faults.clock_jump_at * (len(batches) - 1))]),
        t_ms=signals.t_ms,
        channels={
            **sensed(stream(seed, crane, day, Purpose.SENSORS), crane, signals, controller, day.toordinal()),
            **_counters(crane, day, sessions, signals, seed, live=live),
        },
        batches=batches,
        events=events,
        truth=_truth(crane, sessions, signals),
    )
    return _by_its_clock(record, crane.faults.stated_step)


def _counters(
    crane: YardCrane, day: date, sessions: tuple[Session, ...], signals: Signals, seed: int, *, live: bool
) -> dict[str, Floats32]:
    """The channels of the crane's own counters. Live work is in no plan of days, so it has none."""
    if not crane.counters or live:
        return {}
    read = counters.sent(crane, day, sessions, signals, seed)
    return {
        name: values.astype(np.float32) for name, values in read.items() if name not in crane.faults.unsent
    }


def _by_its_clock(record: DayRecord, stated_step: float) -> DayRecord:
    """The record with its times as the crane's clock has them, and the step that it states."""
    batches = record.batches
    offset_ms = record.offset_ms(batches.seq)
    of_events = record.offset_ms(np.array([event.seq for event in record.events], np.int64)).tolist()
    return replace(
        record,
        t_ms=record.t_ms + np.repeat(offset_ms, batches.n),
        batches=replace(
            batches,
            t0_ms=batches.t0_ms + offset_ms,
            dt_ms=np.maximum(np.rint(batches.dt_ms * stated_step), 1).astype(np.int64),
        ),
        events=tuple(
            event._replace(at_ms=event.at_ms + ms) for event, ms in zip(record.events, of_events, strict=True)
        ),
    )


def _moments(sessions: tuple[Session, ...], signals: Signals) -> list[Draft]:
    """Mode changes, warnings, limiter stops and overrides, from the plan and the noise-free signal."""
    drafts: list[Draft] = []
    for session in sessions:
        for at_s, mode in session.modes:
            at = session.start_ms + round(at_s * 1000)
            drafts.append(
                (at, EventKind.MODE_CHANGE, f"M-{mode:d}", EventState.RAISED, f"Mode: {_MODE_TEXT[mode]}")
            )
    raised, cleared = crossings(signals.utilisation_pct, WARNING_PCT, WARNING_ENDS_PCT, signals.session)
    warning = (EventKind.WARNING, "W-090")
    drafts += [
        (int(at), *warning, EventState.RAISED, "Utilisation above 90 %") for at in signals.t_ms[raised]
    ]
    drafts += [
        (int(at), *warning, EventState.CLEARED, "Utilisation above 90 %") for at in signals.t_ms[cleared]
    ]
    stops, overrides = _limiter_moments(sessions)
    drafts += [
        (int(at), EventKind.LIMITER_STOP, "L-100", EventState.RAISED, "Movement blocked at the limit")
        for at in stops
    ]
    drafts += [
        (int(at), EventKind.LIMITER_OVERRIDE, "L-150", EventState.RAISED, "Blocked movement freed for 1.5 s")
        for at in overrides
    ]
    return drafts


def _limiter_moments(sessions: tuple[Session, ...]) -> tuple[Ints, Ints]:
    """When the limiter stopped a movement, and when an override began [ms]."""
    stops, overrides = [], []
    for session in sessions:
        knot_ms = session.start_ms + np.rint(session.knot_s * 1000).astype(np.int64)
        stops.append(knot_ms[session.mark == Mark.STOPPED])
        overrides.append(knot_ms[np.flatnonzero(session.mark == Mark.OVERRIDE) - 1])
    return np.concatenate(stops), np.concatenate(overrides)


def _codes(crane: YardCrane, day: date, sessions: tuple[Session, ...], seed: int) -> list[Draft]:
    """Status codes: raised somewhere in the working time, cleared later that day or at the start of a later one."""
    raised, cleared = outages_on(crane, day, seed)
    drafts: list[Draft] = []
    for outage in raised:
        code = EventKind.FAULT, outage.code.code
        drafts.append((_moment_in(sessions, outage.share), *code, EventState.RAISED, outage.code.text))
        if outage.cleared_on == day:
            at = _moment_in(sessions, outage.share + 0.15)
            drafts.append((at, *code, EventState.CLEARED, outage.code.text))
    at = sessions[0].start_ms + 5_000
    drafts += [
        (at, EventKind.FAULT, outage.code.code, EventState.CLEARED, outage.code.text) for outage in cleared
    ]
    return drafts


def _moment_in(sessions: tuple[Session, ...], share: float) -> int:
    """The time [ms] at a share of the summed working time of a day."""
    lengths_s = np.array([session.length_s for session in sessions])
    ends_s = np.cumsum(lengths_s)
    at_s = share * float(ends_s[-1])
    index = int(np.searchsorted(ends_s, at_s))
    return sessions[index].start_ms + round((at_s - float(ends_s[index] - lengths_s[index])) * 1000)


def _numbered(
    sessions: tuple[Session, ...],
    signals: Signals,
    drafts: list[Draft],
    samples_per_message: int,
) -> tuple[Batches, tuple[Event, ...]]:
    """Cut the samples into messages and number them together with the events by the time they are ready."""
    change = np.flatnonzero((np.diff(signals.session) != 0) | (np.diff(signals.step_ms) != 0)) + 1
    ends = np.concatenate([[0], change, [len(signals.t_ms)]])
    first = np.concatenate(
        [np.arange(low, high, samples_per_message) for low, high in zip(ends[:-1], ends[1:], strict=True)]
    )
    n = np.diff(np.append(first, len(signals.t_ms)))
    dt_ms = signals.step_ms[first]
    ready = signals.t_ms[first] + n * dt_ms
    starts = np.array([session.start_ms for session in sessions])
    drafts = sorted(drafts, key=lambda draft: draft[0])
    event_ms = np.array([draft[0] for draft in drafts], dtype=np.int64)
    order = np.argsort(np.concatenate([ready, event_ms]), kind="stable")
    seq = np.empty(len(order), dtype=np.int64)
    seq[order] = np.arange(len(order))
    send = _sending_times(sessions, starts, ready)
    send_event = _sending_times(sessions, starts, event_ms)
    batches = Batches(
        t0_ms=signals.t_ms[first], first=first, n=n, dt_ms=dt_ms, seq=seq[: len(first)], send_ms=send
    )
    events = tuple(
        Event(*draft, seq=int(number), send_ms=int(at))
        for draft, number, at in zip(drafts, seq[len(first) :], send_event, strict=True)
    )
    return batches, events


def _first_numbers(sessions: tuple[Session, ...], batches: Batches, events: tuple[Event, ...]) -> Ints:
    """The number with which each session begins: the box starts with it, and draws a boot."""
    at_ms = np.concatenate([batches.t0_ms, [event.at_ms for event in events]])
    seq = np.concatenate([batches.seq, [event.seq for event in events]])
    first = [int(seq[at_ms >= session.start_ms].min()) for session in sessions[1:]]
    return np.array([0, *first], np.int64)


def _sending_times(sessions: tuple[Session, ...], starts_ms: Ints, ready_ms: Ints) -> Ints:
    """When each message leaves: at once, or some time after the stop where there was no coverage."""
    session = np.clip(np.searchsorted(starts_ms, ready_ms, side="right") - 1, 0, len(sessions) - 1)
    offline = np.array([part.offline for part in sessions])
    back = starts_ms + np.array([round(part.length_s * 1000) for part in sessions]) + _BACK_IN_COVERAGE_MS
    return np.where(offline[session], np.maximum(back[session], ready_ms), ready_ms)


def _truth(crane: YardCrane, sessions: tuple[Session, ...], signals: Signals) -> Truth:
    stops, overrides = _limiter_moments(sessions)
    structural = signals.structural_pct
    return Truth(
        lifts=tuple(_true_lifts(crane, sessions, signals, structural, stops, overrides)),
        limiter_stops_ms=stops,
        limiter_overrides_ms=overrides,
        samples=len(signals.t_ms),
        recorded_s=float(signals.step_ms.sum()) / 1000,
        near_limit_s=float(signals.step_ms[signals.utilisation_pct >= WARNING_PCT].sum()) / 1000,
        engine_working_s=sum(session.working_s for session in sessions),
        load_s=float(signals.step_ms[signals.mass_kg > 0].sum()) / 1000,
        utilisation_pct=signals.utilisation_pct.astype(np.float32),
        structural_pct=structural.astype(np.float32),
    )


def _true_lifts(
    crane: YardCrane,
    sessions: tuple[Session, ...],
    signals: Signals,
    structural: NDArray[np.float64],
    stops: Ints,
    overrides: Ints,
) -> Iterator[TrueLift]:
    """Lifts from the plan's marks, peaks from the signal between them; one with no sample takes the one after it."""
    begins, ends, masses = [], [], []
    for session in sessions:
        on = np.flatnonzero(session.mark == Mark.LOAD_ON)
        off = np.flatnonzero(session.mark == Mark.LOAD_OFF)
        begins.append(session.start_ms + np.rint(session.knot_s[on - 1] * 1000).astype(np.int64))
        ends.append(session.start_ms + np.rint(session.knot_s[off] * 1000).astype(np.int64))
        masses.append(session.mass_kg[on])
    started, ended, mass = (np.concatenate(parts) for parts in (begins, ends, masses))
    if not len(started):
        return
    low = np.searchsorted(signals.t_ms, started)
    high = np.maximum(np.searchsorted(signals.t_ms, ended), low + 1)
    spans = np.column_stack([low, high]).ravel()  # reduceat over lift, pause, lift, ...

    def peak(values: NDArray[np.float64]) -> list[float]:
        return [float(value) for value in np.maximum.reduceat(values, spans)[::2]]

    turned = np.append(0.0, np.cumsum(np.abs(np.diff(signals.joints[:, 0]))))
    roped = np.append(0.0, np.cumsum(np.abs(np.diff(signals.joints[:, ROPE]))))
    columns = (
        started.tolist(),
        ended.tolist(),
        mass.tolist(),
        peak(signals.utilisation_pct),
        peak(structural),
        peak(structural * (crane.machine.crane_type.rated_moment_kn_m / 100)),
        peak(signals.hook.outreach_m),
        (turned[high - 1] - turned[low]).tolist(),
        peak(signals.hook.hook_height_m),
        (roped[high - 1] - roped[low]).tolist(),
        (np.searchsorted(stops, ended, "right") - np.searchsorted(stops, started)).tolist(),
        (np.searchsorted(overrides, ended, "right") - np.searchsorted(overrides, started)).tolist(),
    )
    for row in zip(*columns, strict=True):
        yield TrueLift(crane.name, *row)
