"""What is doubtful about messages that are stored: signs of a wrong unit, of a wrong clock, of two boxes. No I/O.

A sign of a wrong unit is looked for over a minute of a crane's work, however long its messages are, and holds when it is
seen in two such minutes one after the other. The bounds are chosen so that ordinary work does not meet them; they are
not from a source. What is told here moves no figure: the findings of a crane-day do, from all of its readings.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from domain.channels import CHANNEL_BY_NAME, CHANNEL_NAMES
from domain.history import COUNTER_TEXT, CounterKind
from domain.messages import BEHIND_MS, EventKind, NoticeCode
from domain.units import ms_to_s
from ingest.plan import Extremes, Plan
from store.refused import Refused
from store.segments import Floats, Segment

WINDOW_MS: Final = 60_000
STREAK: Final = 2
STEADY_MS: Final = 60_000  # a lag that does not shrink for so long is no backlog
UNCOUNTED: Final = 3  # on end: one may come late out of an outbox whose clock was set
JITTER_MS: Final = 10_000  # messages of one boot may overlap by so much
OVERLAP_MS: Final = 1_000  # and two of them by less than this, however often: as in duty.gaps
HOLE_SHARE: Final = 0.01  # of the time of a boot, between messages without a number left out
BOOTS: Final = 4  # remembered of a crane

# Percent: the booms alone put more than this on a crane that moves them.
FRACTION: Final = (0.2, 1.5)
MOVED: Final = {"main_boom_deg": 3.0, "knuckle_boom_deg": 3.0, "slew_deg": 5.0, "extension_m": 0.3}
# Degrees: a crane that slews has its booms farther from the horizontal than this.
RADIANS: Final = 3.2
RADIANS_SLEW: Final = 6.3
RADIANS_SLEWED: Final = 0.3
NO_SENSOR: Final = frozenset({255.0, 4095.0, 32767.0, -32768.0, 65535.0})

_TWO_BOOTS: Final = (
    "messages of two boots cover the same time: two boxes send under this name, or the clock was set back at a start; give"
    " each box a name of its own"
)
_NOT_COUNTED: Final = (
    "seq does not rise with t0 within a boot, so nobody can tell what is missing: count it up by one for each message, and draw a"
    " new random boot at each start"
)
_COUNTERS: Final = frozenset(kind.value for kind in CounterKind)
_PLACE: Final = {name: place for place, name in enumerate(CHANNEL_NAMES)}
_BOOMS: Final = ("main_boom_deg", "knuckle_boom_deg", "jib_deg")


class Doubt(NamedTuple):
    """Something doubtful about the message at a place of a batch."""

    place: int
    code: NoticeCode
    channel: str | None
    text: str


@dataclass(slots=True)
class _Boot:
    first_ms: int
    last_ms: int
    seq: int
    t0_ms: int
    set_back: bool = False  # numbers and times no longer go together then
    uncounted: int = 0  # messages on end that are later by their time and not by their number
    past_ms: int = 0  # end of its newest message
    recorded_ms: int = 0  # of messages one number after another
    hole_ms: int = 0  # between them
    twice_ms: int = 0  # of messages that reach into the one after them


@dataclass(slots=True)
class _Crane:
    """What is remembered of a crane's newest messages."""

    boots: dict[int, _Boot] = field(default_factory=dict)
    lag: tuple[int, int] | None = None  # when it was a day behind first, and by how much
    # The minute that is looked at: its boot (-1: none), its span, and the extremes of its messages with their channels.
    boot: int = -1
    first_ms: int = 0
    last_ms: int = 0
    extremes: list[tuple[tuple[str, ...], Floats, Floats]] = field(default_factory=list)
    streaks: dict[NoticeCode, int] = field(default_factory=dict)


class Doubts:
    """Looks at the messages of every crane as they are stored."""

    def __init__(self) -> None:
        self._cranes: dict[int, _Crane] = {}

    def look(self, planned: Plan, new: Iterable[int]) -> list[Doubt]:
        """What is doubtful about messages of a batch that were not stored before."""
        wanted = set(new)
        strange = (planned.refused.keys() | planned.strange.keys()) & wanted
        found = [doubt for place in sorted(strange) for doubt in _of_the_message(planned, place)]
        found += (
            doubt
            for place in sorted(planned.events.keys() & wanted)
            for doubt in _of_the_event(planned, place)
        )
        # In the order in which they came, whatever their shape: times and numbers are compared with those before.
        sound = [_sound(group) for group in planned.extremes]
        rows = sorted(
            (place, number, row)
            for number, group in enumerate(planned.extremes)
            for row, place in enumerate(group.places)
            if place in wanted
        )
        for place, number, row in rows:
            segment = planned.segments[place]
            crane = self._of_the_clock(found, place, segment)
            if sound[number][row]:
                crane.boot = -1
                crane.streaks.clear()
            else:
                found += _of_the_units(place, crane, segment, planned.extremes[number], row)
        return found

    def _of_the_clock(self, found: list[Doubt], place: int, segment: Segment) -> _Crane:
        """What its times and numbers say; the crane of the message."""
        crane = self._cranes.get(segment.crane_id)
        if crane is None:
            crane = self._cranes[segment.crane_id] = _Crane()
        past_ms = segment.t0_ms + segment.values.shape[1] * segment.dt_ms
        last_ms = past_ms - segment.dt_ms
        boot = crane.boots.get(segment.boot)
        if boot is None:
            boot = crane.boots[segment.boot] = _Boot(
                segment.t0_ms, last_ms, segment.seq, segment.t0_ms, past_ms=past_ms
            )
            if len(crane.boots) > BOOTS:
                del crane.boots[next(iter(crane.boots))]
        elif segment.seq > boot.seq:
            if segment.t0_ms < boot.t0_ms - JITTER_MS:
                boot.set_back = True
                found.append(_set_back(place, boot.t0_ms - segment.t0_ms))
            else:
                found += _twice(place, boot, segment.t0_ms)
                if segment.seq == boot.seq + 1:
                    found += _hole(place, boot, segment.t0_ms, past_ms)
            boot.seq, boot.t0_ms, boot.uncounted = segment.seq, segment.t0_ms, 0
            boot.past_ms = past_ms
        elif segment.t0_ms > boot.t0_ms + JITTER_MS:  # one that is sent again is earlier by both
            boot.uncounted += 1
            if boot.uncounted >= UNCOUNTED and not boot.set_back:
                found.append(Doubt(place, NoticeCode.SEQ_REPEATED, None, _NOT_COUNTED))
        boot.first_ms, boot.last_ms = min(boot.first_ms, segment.t0_ms), max(boot.last_ms, last_ms)
        if len(crane.boots) > 1 and _overlap(crane, boot):
            found.append(Doubt(place, NoticeCode.BOOTS_OVERLAP, None, _TWO_BOOTS))
        lag_ms = segment.received_ms - last_ms
        if lag_ms > BEHIND_MS or crane.lag is not None:
            found += _behind(place, crane, segment.received_ms, lag_ms)
        return crane


def _sound(group: Extremes) -> list[bool]:
    """Which messages contradict every sign of a wrong unit by themselves, as those of a crane at work do."""

    def beyond(name: str, most: float) -> NDArray[np.bool_]:
        if name not in group.channels:
            return np.zeros(len(group.places), dtype=bool)
        column = group.channels.index(name)
        return (group.high[:, column] > most) | (group.low[:, column] < -most)

    percent = beyond("utilisation_pct", FRACTION[1]) | ("utilisation_pct" not in group.channels)
    limited = beyond("limit_pct", FRACTION[1]) | ("limit_pct" not in group.channels)
    degrees = beyond("slew_deg", RADIANS_SLEW) | ("slew_deg" not in group.channels)
    for name in _BOOMS:
        degrees |= beyond(name, RADIANS)
    return list((percent & limited & degrees).tolist())


def _of_the_units(place: int, crane: _Crane, segment: Segment, group: Extremes, row: int) -> Iterable[Doubt]:
    """Adds a message to the minute of its crane, and judges a minute that is over."""
    last_ms = segment.t0_ms + segment.values.shape[1] * segment.dt_ms
    if crane.boot != segment.boot:
        crane.boot, crane.first_ms, crane.last_ms = segment.boot, segment.t0_ms, last_ms
        crane.extremes = []
    crane.extremes.append((group.channels, group.low[row], group.high[row]))
    crane.last_ms = max(crane.last_ms, last_ms)
    return _of_the_minute(place, crane) if crane.last_ms - crane.first_ms >= WINDOW_MS else ()


def _of_the_minute(place: int, crane: _Crane) -> Iterator[Doubt]:
    """What a minute of a crane says about its units; the next one begins with its next message."""
    low, high = (np.full(len(CHANNEL_NAMES), np.nan, dtype=np.float32) for _ in range(2))
    for channels in {channels for channels, _, _ in crane.extremes}:
        columns = [_PLACE[name] for name in channels]
        alike = [(least, most) for names, least, most in crane.extremes if names == channels]
        low[columns] = np.fmin(low[columns], np.fmin.reduce([least for least, _ in alike], axis=0))
        high[columns] = np.fmax(high[columns], np.fmax.reduce([most for _, most in alike], axis=0))
    signs = dict(_signs(low, high))
    crane.streaks = {code: crane.streaks.get(code, 0) + 1 for code in signs}
    crane.boot, crane.extremes = -1, []
    for code, (channel, text) in signs.items():
        if crane.streaks[code] >= STREAK:
            yield Doubt(place, code, channel, text)


def _set_back(place: int, by_ms: int) -> Doubt:
    return Doubt(
        place,
        NoticeCode.CLOCK_SET_BACK,
        None,
        f"t0 falls by {ms_to_s(by_ms):.0f} s while seq rises within a boot: draw a new boot when the clock is set, and keep it"
        " set to UTC",
    )


def _twice(place: int, boot: _Boot, t0_ms: int) -> Iterator[Doubt]:
    """Time that two messages of a boot cover, each by a second or more."""
    over_ms = boot.past_ms - t0_ms
    if over_ms < OVERLAP_MS:
        return
    boot.twice_ms += over_ms
    if boot.twice_ms >= JITTER_MS:
        yield Doubt(
            place,
            NoticeCode.CLOCK_SET_BACK,
            None,
            f"messages of a boot begin before the one before them has ended, {ms_to_s(boot.twice_ms):.0f} s in all: send all channels of"
            " a time in one message, state the true dt_ms, and draw a new boot when the clock is set",
        )


def _hole(place: int, boot: _Boot, t0_ms: int, past_ms: int) -> Iterator[Doubt]:
    """Time between two messages whose numbers follow each other: jitter to either side goes in the sum."""
    between_ms = t0_ms - boot.past_ms
    boot.hole_ms += between_ms
    boot.recorded_ms += past_ms - t0_ms
    whole_ms = boot.hole_ms + boot.recorded_ms
    told = boot.hole_ms >= max(JITTER_MS, HOLE_SHARE * whole_ms)
    if told and between_ms >= HOLE_SHARE * (past_ms - t0_ms):
        yield Doubt(
            place,
            NoticeCode.TIME_HOLE,
            None,
            f"seq goes on and {ms_to_s(boot.hole_ms):.0f} of {ms_to_s(whole_ms):.0f} s within a boot are in no message: send without"
            " a pause while powered, state the true dt_ms, and draw a new boot after a pause and when the clock is set",
        )


def _overlap(crane: _Crane, boot: _Boot) -> bool:
    return any(
        boot.first_ms + JITTER_MS < other.last_ms and other.first_ms + JITTER_MS < boot.last_ms
        for other in crane.boots.values()
        if other is not boot
    )


def _of_the_message(planned: Plan, place: int) -> Iterator[Doubt]:
    """What the message itself says."""
    for one in planned.refused.get(place, ()):
        yield Doubt(place, NoticeCode.READING_REFUSED, one.channel, _refusal(one))
    unknown = planned.strange.get(place)
    if unknown:
        names = ", ".join(name[:64] for name in unknown[:5])
        names += f" and {len(unknown) - 5} more" if len(unknown) > 5 else ""
        yield Doubt(
            place,
            NoticeCode.UNKNOWN_CHANNEL,
            unknown[0][:64],
            f"no channel is called {names}: left out, the others are stored; the names are in docs/nomenclature.md, and an engineer can"
            " register further ones",
        )


def _of_the_event(planned: Plan, place: int) -> Iterator[Doubt]:
    """A reading of a counter that nobody can read counts for nothing, and the days it would have told of stay unknown."""
    event = planned.events[place]
    if event.kind is EventKind.COUNTER and not (
        event.code in _COUNTERS and re.fullmatch(COUNTER_TEXT, event.text)
    ):
        yield Doubt(
            place,
            NoticeCode.COUNTER_UNREADABLE,
            None,
            f"a counter of code {event.code[:64]!r} that reads {event.text[:64]!r} is kept and counts for nothing: send code"
            f" {' or '.join(sorted(_COUNTERS))}, and in text a plain number that is not negative, such as 3120.5",
        )


def _refusal(one: Refused) -> str:
    channel = CHANNEL_BY_NAME.get(one.channel)
    if channel is None:
        return (
            f"{one.readings} readings from {one.least:g} to {one.most:g} are out of the range that {one.channel} was registered with and"
            " stored as missing: compare its unit; send null where there is no reading"
        )
    if {one.least, one.most} & NO_SENSOR:
        cause = "a sensor that is not connected sends such a number"
    elif channel.unit == "m":
        cause = "millimetres, centimetres or feet for metres"
    else:
        cause = f"another unit than {channel.unit}, raw counts, or a broken sensor"
    return (
        f"{one.readings} readings from {one.least:g} to {one.most:g} {channel.unit} are out of the range of {one.channel} and"
        f" stored as missing: {cause}; send null where there is no reading"
    )


def _behind(place: int, crane: _Crane, received_ms: int, lag_ms: int) -> Iterator[Doubt]:
    """A day behind, and not catching up: a backlog that is worked off comes nearer to now all the time."""
    if lag_ms <= BEHIND_MS:
        crane.lag = None
    elif crane.lag is None:
        crane.lag = received_ms, lag_ms
    else:
        since_ms, before_ms = received_ms - crane.lag[0], crane.lag[1]
        if abs(lag_ms - before_ms) > max(0.1 * since_ms, JITTER_MS):
            crane.lag = received_ms, lag_ms
        elif since_ms >= STEADY_MS:
            yield Doubt(
                place,
                NoticeCode.CLOCK_BEHIND,
                None,
                f"messages come as fast as they are recorded, {lag_ms / BEHIND_MS:.1f} days late: set the clock of the"
                " sender; they are stored on the day that they say",
            )


def _signs(low: Floats, high: Floats) -> Iterator[tuple[NoticeCode, tuple[str, str]]]:
    """Signs of a wrong unit in the extremes of a minute, with the channel and what to say. NaN compares as no sign."""
    least, most = (dict(zip(CHANNEL_NAMES, values.tolist(), strict=True)) for values in (low, high))
    moved = any(most[name] - least[name] > by for name, by in MOVED.items())
    utilisation = most["utilisation_pct"]
    if moved and FRACTION[0] < utilisation <= FRACTION[1] and least["utilisation_pct"] > -FRACTION[1]:
        yield (
            NoticeCode.FRACTION_FOR_PERCENT,
            (
                "utilisation_pct",
                f"not above {utilisation:.2f} while the booms move: a fraction? Send percent, 100 for the moment allowed",
            ),
        )
    booms = [max(-least[name], most[name]) for name in _BOOMS if most[name] == most[name]]
    slewed = most["slew_deg"] - least["slew_deg"] > RADIANS_SLEWED
    within = max(-least["slew_deg"], most["slew_deg"]) <= RADIANS_SLEW
    if slewed and within and booms and max(booms) <= RADIANS:
        yield (
            NoticeCode.RADIANS_FOR_DEGREES,
            ("slew_deg", f"all angles lie within {RADIANS} while the crane slews: radians? Send degrees"),
        )
    limit = most["limit_pct"]
    if 0 < limit <= FRACTION[1] < utilisation:
        yield (
            NoticeCode.FRACTION_FOR_PERCENT,
            (
                "limit_pct",
                f"not above {limit:.2f} while the crane is under load: a fraction? Send percent, 100 for the full rating",
            ),
        )
    if limit == 0 and utilisation > FRACTION[1]:
        yield (
            NoticeCode.LIMIT_ZERO,
            (
                "limit_pct",
                "0 while the crane is under load: nothing would be allowed. Send the moment allowed now over the full"
                " structural rating in percent, or leave the channel out",
            ),
        )
