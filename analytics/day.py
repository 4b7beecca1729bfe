"""One crane-day counted: from samples and events to everything that is written about that day. No database here."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analytics.counting import CountingSettings
from analytics.samples import DaySamples, LocalDay, with_pose
from domain.attention import LIMIT_PCT
from domain.channels import Mode
from domain.crane import CraneType
from domain.history import CHANNEL_OF
from domain.messages import EventKind, EventState
from duty import (
    circumstances,
    directions,
    gaps,
    ledger,
    levels,
    lifts,
    minutes,
    overloads,
    peaks,
    plausibility,
    under_load,
)
from duty.counters import DayReadings, day_readings
from duty.statics import held_limit, structural_pct
from store.events import Event
from store.segments import from_ms, to_ms

CONTEXT_AGE_MS: Final = 10_000  # an older reading does not tell what the crane was doing
CONTEXT_BEFORE_MS: Final = 30_000
_COUNTED: Final = {
    EventKind.WARNING: "warnings",
    EventKind.LIMITER_STOP: "limiter_stops",
    EventKind.LIMITER_OVERRIDE: "limiter_overrides",
    EventKind.FAULT: "faults",
}
_CONTEXT_CHANNELS: Final = (
    "utilisation_pct",
    "outreach_m",
    "hook_height_m",
    "slew_deg",
    "mode",
    "stabiliser_left_pct",
    "stabiliser_right_pct",
)


@dataclass(frozen=True, kw_only=True)
class DayCount:
    """What one crane-day came to. Bytes are those of the modules of duty/; dictionaries are rows to write."""

    day: date
    samples: int
    ledger: bytes
    directions: bytes | None
    tallies: bytes
    circumstances: bytes
    lift_part: bytes
    plausibility: bytes
    figures: dict[str, Any]
    gaps: tuple[dict[str, Any], ...]
    contexts: tuple[dict[str, Any], ...]
    fault_events: bool  # raised or cleared: the crane's faults have to be paired again

    @property
    def empty(self) -> bool:
        """Whether there was nothing on that day: no sample, no event, nothing refused."""
        counted = (*_COUNTED.values(), "clock_ms")
        return self.samples == 0 and not any(self.figures[name] for name in counted)


def count(
    local_day: LocalDay,
    crane_type: CraneType,
    samples: DaySamples,
    events: Sequence[Event],
    quarantined: Callable[[], frozenset[tuple[int, int]]],
    settings: CountingSettings,
    *,
    refused: Sequence[tuple[int, int]] = (),
    turned: bool = True,
) -> DayCount:
    """Counts one day.

    events: those of the day. quarantined: (boot, seq) of the crane's messages set aside, but those ahead of our clock. refused: (received, span) [ms] of the messages that came on the day and were refused as ahead
    of our clock. turned: count directions too.
    """
    samples = _with_held_limit(samples)
    channels, spikes = _without_spikes(
        samples.at_ms, with_pose(crane_type, samples.channels), settings.spike_pct
    )
    sent = {name: channels[name] for name in samples.channels}
    utilisation = channels.setdefault("utilisation_pct", np.full(samples.at_ms.size, np.nan, np.float32))
    structural = structural_pct(utilisation, channels.get("limit_pct"))
    tallied = levels.tally(
        samples.step_ms,
        utilisation,
        **{name: channels.get(name) for name in ("limit_pct", "mode", "slew_deg", "outreach_m")},
    )
    signals = lifts.signals(crane_type, samples.at_ms, channels, samples.step_ms)
    lift_part = lifts.find(signals, settings.lift_rule, whole_cells=True)
    wrong = _wrong(local_day, samples, refused)
    inside, ends = _gaps(local_day, samples, utilisation, events, quarantined)
    missing = [*chain.from_iterable(wrong), *inside]
    cycles = ledger.count(structural[np.isfinite(structural)], settings.edges)
    return DayCount(
        day=local_day.day,
        samples=samples.at_ms.size,
        ledger=ledger.to_bytes(cycles),
        directions=_directions(structural, channels.get("slew_deg"), settings) if turned else None,
        tallies=levels.to_bytes(tallied),
        circumstances=_circumstances(local_day, samples, channels),
        lift_part=lifts.to_bytes(lift_part),
        plausibility=_plausibility(crane_type, samples, sent, cycles, wrong),
        figures={
            **_figures(local_day, samples, events, tallied, missing),
            **ends,
            **spikes,
            # only where its clock dates them back: the row of a sound day does not tell when its messages came
            "came_at": from_ms(int(samples.received_ms.max())) if wrong[2] else None,
            **_counters(samples.channels),
            "posed": lift_part.posed,
            "no_pose_ms": lift_part.no_pose_ms,
            "over_part": _over(samples, utilisation, structural, channels.get("outreach_m")),
            "light_part": under_load.to_bytes(
                under_load.light_runs(samples.at_ms, samples.step_ms, utilisation)
            ),
        },
        gaps=tuple(_gap_row(gap) for gap in missing),
        contexts=tuple(_contexts(events, samples.at_ms, structural, channels)),
        fault_events=any(event.kind is EventKind.FAULT for event in events),
    )


def _circumstances(
    local_day: LocalDay, samples: DaySamples, channels: dict[str, NDArray[np.float32]]
) -> bytes:
    counted = circumstances.count(
        samples.step_ms,
        local_day.hours(samples.at_ms),
        channels["utilisation_pct"],
        **{name: channels.get(name) for name in circumstances.CHANNELS},
    )
    return circumstances.to_bytes(counted)


def _plausibility(
    crane_type: CraneType,
    samples: DaySamples,
    sent: dict[str, NDArray[np.float32]],
    cycles: ledger.Ledger,
    wrong: Sequence[Sequence[gaps.Gap]],
) -> bytes:
    """What counts is judged: a spike that is set aside is told as one, and is no overload."""
    readings = minutes.Readings(samples.at_ms, samples.step_ms, sent)
    wrong_ms = [sum(gap.missing_ms for gap in each) for each in wrong]
    return plausibility.to_bytes(plausibility.count(crane_type, readings, cycles, wrong_ms))


def _over(
    samples: DaySamples,
    utilisation: NDArray[np.float32],
    structural: NDArray[np.float64],
    outreach: NDArray[np.float32] | None,
) -> bytes | None:
    """Time above the full structural rating, None where there is none."""
    runs = overloads.runs_above(samples.at_ms, samples.step_ms, utilisation, structural, outreach)
    return overloads.runs_to_bytes(runs) if runs else None


def _counters(channels: dict[str, NDArray[np.float32]]) -> dict[str, float | None]:
    """What the day knows of the crane's own counters, None where it did not send them."""
    found: dict[str, float | None] = {}
    for name in CHANNEL_OF.values():
        read = day_readings(channels.get(name, ()))
        for part in DayReadings._fields:
            found[f"{name}_{part}"] = None if read is None else getattr(read, part)
    return found


def _with_held_limit(samples: DaySamples) -> DaySamples:
    """Short gaps of the limit bridged, before spikes are looked for and for findings too, so that all say the same."""
    if "limit_pct" not in samples.channels:
        return samples
    limit = held_limit(samples.at_ms, samples.channels["limit_pct"])
    return replace(samples, channels={**samples.channels, "limit_pct": limit})


def _without_spikes(
    at_ms: NDArray[np.int64], channels: dict[str, NDArray[np.float32]], spike_pct: float
) -> tuple[dict[str, NDArray[np.float32]], dict[str, Any]]:
    """The channels, both percents without their spikes, so that everything counted rests on the same readings; and
    what the day says of the spikes."""
    cleaned, found = dict(channels), [peaks.Spikes()]
    for name in ("utilisation_pct", "limit_pct"):
        if name in channels:
            cleaned[name], spikes = peaks.lasting(at_ms, channels[name], spike_pct)
            found.append(spikes)
    return cleaned, {
        "spikes": sum(each.set_aside for each in found),
        "spikes_counted": sum(each.counted for each in found),
        "largest_spike_pct": max(each.largest_pct for each in found),
    }


def _directions(
    structural: NDArray[np.float64], slew: NDArray[np.float32] | None, settings: CountingSettings
) -> bytes | None:
    if slew is None:
        return None
    known = np.isfinite(structural) & np.isfinite(slew)
    return directions.to_bytes(
        directions.count_directions(
            structural[known], slew[known], settings.directions, settings.direction_edges
        )
    )


def _wrong(
    local_day: LocalDay, samples: DaySamples, refused: Sequence[tuple[int, int]]
) -> tuple[list[gaps.Gap], ...]:
    """Time that cannot be told, but for what is excluded of it anyway: in the order of plausibility.WRONG."""
    within = _within(local_day)
    spans = samples.message_start_ms, samples.message_end_ms
    excluded = samples.at_ms[_excluded(samples)], samples.step_ms[_excluded(samples)]
    return (
        gaps.less(gaps.overlaps(*spans, samples.boot, within), *excluded),
        gaps.less(gaps.set_back(*_messages(samples), within), *excluded),
        gaps.less(gaps.late(*spans, samples.received_ms, samples.boot, within), *excluded),
        gaps.refused_ahead([at for at, _ in refused], [span for _, span in refused], within),
    )


def _gaps(
    local_day: LocalDay,
    samples: DaySamples,
    utilisation: NDArray[np.float32],
    events: Sequence[Event],
    quarantined: Callable[[], frozenset[tuple[int, int]]],
) -> tuple[list[gaps.Gap], dict[str, Any]]:
    """Time missing inside the day, and where its record begins and ends."""
    ends = _ends(samples, events)
    if not samples.boot.size:
        return [], ends
    numbers = frozenset((event.boot, event.seq) for event in events)
    known = (*_messages(samples), numbers, quarantined())
    missing = gaps.missing_messages(*known)
    refused, until_ms, last = gaps.refused_end(*known, _within(local_day)[1])
    if refused:  # the record goes on until there: what is missing before the next day begins behind it
        ends |= {"last_at": from_ms(until_ms), "last_seq": max(last, ends["last_seq"])}
    blind, excluded = np.isnan(utilisation), _excluded(samples)
    blank = gaps.missing_readings(samples.at_ms, samples.step_ms, blind & ~excluded)
    left_out = gaps.missing_readings(samples.at_ms, samples.step_ms, excluded, "excluded")
    return [*missing, *refused, *blank, *left_out], ends


def _within(local_day: LocalDay) -> gaps.Span:
    return to_ms(local_day.start_at), to_ms(local_day.end_at)


def _messages(samples: DaySamples) -> tuple[gaps.Ints, gaps.Ints, gaps.Ints, gaps.Ints]:
    """Start, end (exclusive), boot and number of the messages that overlap the day."""
    return samples.message_start_ms, samples.message_end_ms, samples.boot, samples.seq


def _excluded(samples: DaySamples) -> NDArray[np.bool_]:
    nothing = np.zeros(samples.at_ms.size, np.bool_)
    return nothing if samples.excluded is None else samples.excluded


def _figures(
    local_day: LocalDay,
    samples: DaySamples,
    events: Sequence[Event],
    tallied: levels.Tallies,
    missing: Iterable[gaps.Gap],
) -> dict[str, Any]:
    gap_ms = {"offline": 0, "quarantine": 0, "hole": 0, "overlap": 0, "clock": 0}
    for gap in missing:
        if gap.cause in gap_ms:
            gap_ms[gap.cause] += gap.missing_ms
    in_mode = levels.mode_ms(tallied)
    excluded_ms = int(samples.step_ms[_excluded(samples)].sum())
    return {
        "time_zone": local_day.zone.key,
        "day_start_at": local_day.start_at,
        "day_end_at": local_day.end_at,
        "samples": samples.at_ms.size,
        "recorded_ms": tallied.recorded_ms - tallied.missing_ms,
        "sensor_gap_ms": tallied.missing_ms - excluded_ms,
        "excluded_ms": excluded_ms,
        "excluded_cubed_sum": 0.0,
        "offline_gap_ms": gap_ms["offline"],
        "quarantine_gap_ms": gap_ms["quarantine"],
        "hole_ms": gap_ms["hole"],
        "uncounted_ms": gaps.uncounted_ms(*_messages(samples), _within(local_day)),
        "overlap_ms": gap_ms["overlap"],
        "clock_ms": gap_ms["clock"],
        "limit_assumed_ms": tallied.limit_assumed_ms,
        "working_ms": sum(time for mode, time in in_mode.items() if mode is not Mode.TRANSPORT),
        "near_limit_ms": levels.near_limit_ms(tallied),
        "over_limit_ms": levels.near_limit_ms(tallied, LIMIT_PCT),
        "emergency_ms": in_mode[Mode.EMERGENCY],
        **{
            name: sum(event.kind is kind and event.state is EventState.RAISED for event in events)
            for kind, name in _COUNTED.items()
        },
    }


def _ends(samples: DaySamples, events: Sequence[Event]) -> dict[str, Any]:
    """Where the day's record begins and ends: times, and numbers of its first and last messages, events included."""
    names = ("first_at", "last_at", "first_boot", "first_seq", "last_boot", "last_seq")
    if not samples.at_ms.size:
        return {**dict.fromkeys(names), "message_ms": 0}
    first_boot, last_boot = int(samples.boot[0]), int(samples.boot[-1])
    first = [int(samples.seq[0]), *(event.seq for event in events if event.boot == first_boot)]
    last = [int(samples.seq[-1]), *(event.seq for event in events if event.boot == last_boot)]
    ends = (
        from_ms(int(samples.at_ms[0])),
        from_ms(int(samples.at_ms[-1] + samples.step_ms[-1])),
        first_boot,
        min(first),
        last_boot,
        max(last),
    )
    spans = samples.message_end_ms - samples.message_start_ms
    return {**dict(zip(names, ends, strict=True)), "message_ms": int(np.median(spans))}


def _gap_row(gap: gaps.Gap) -> dict[str, Any]:
    return {
        "from_at": from_ms(gap.from_ms),
        "to_at": from_ms(gap.to_ms),
        "cause": gap.cause,
        "missing_ms": gap.missing_ms,
        "messages": gap.messages,
    }


def _contexts(
    events: Iterable[Event],
    at_ms: NDArray[np.int64],
    structural: NDArray[np.float64],
    channels: dict[str, NDArray[np.float32]],
) -> Iterable[dict[str, Any]]:
    """What the crane was doing at each event that was raised, from the samples of the same day."""
    for event in events:
        if event.kind not in _COUNTED or event.state is not EventState.RAISED:
            continue
        event_ms = to_ms(event.at)
        place = int(np.searchsorted(at_ms, event_ms, side="right")) - 1
        known = place >= 0 and event_ms - at_ms[place] <= CONTEXT_AGE_MS
        before = slice(int(np.searchsorted(at_ms, event_ms - CONTEXT_BEFORE_MS)), place + 1)
        peak = channels["utilisation_pct"][before]
        yield {
            "at": event.at,
            "boot": event.boot,
            "seq": event.seq,
            "kind": event.kind.value,
            "code": event.code,
            "structural_pct": _reading(structural[place]) if known else None,
            "peak_utilisation_pct": _reading(np.fmax.reduce(peak)) if peak.size else None,
            **{
                name: _reading(channels[name][place]) if known and name in channels else None
                for name in _CONTEXT_CHANNELS
            },
        }


def _reading(value: np.floating[Any]) -> float | None:
    return None if np.isnan(value) else float(value)
